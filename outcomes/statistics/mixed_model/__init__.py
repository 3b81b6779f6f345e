"""The mixed model: a mean course over visits, each client's own course around it, and error.

Notation, used by every module of this package. Visits of one client (group i) are rows of

    y_i = X_i b + Z_i u_i + e_i,   u_i ~ N(0, s2 L L'),   e_i ~ N(0, s2 R_i)

X : columns of the fixed part (p of them), b : fixed coefficients;
Z : columns of the random terms (q), u : a client's own deviations;
s2 : residual variance; L : lower triangular factor of the covariance of u relative to s2;
R : residual correlation or relative variances (the identity where residuals are independent);
V = R + Z L L' Z' : covariance of y relative to s2; P = V^-1 - V^-1 X (X'V^-1X)^-1 X'V^-1.

One idea a file: `design` reads formulas and checks data, `reduction` turns rows into per-client
sums, `likelihood` eliminates random terms and differentiates, `optimiser` climbs,
`degrees_of_freedom` judges small samples, `fit` assembles, `prediction` speaks about clients.
"""

from outcomes.statistics.mixed_model.comparison import Comparison
from outcomes.statistics.mixed_model.fit import fit_mixed_model
from outcomes.statistics.mixed_model.plateau import PlateauCourse, fit_plateau_course
from outcomes.statistics.mixed_model.result import MixedModelFit
from outcomes.statistics.mixed_model.two_measures import TwoMeasures, fit_two_measures

__all__ = [
    "Comparison",
    "MixedModelFit",
    "PlateauCourse",
    "TwoMeasures",
    "fit_mixed_model",
    "fit_plateau_course",
    "fit_two_measures",
]
