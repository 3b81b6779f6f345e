"""Fitting a mixed model, and what a fit gives."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.errors import ModelError, check_between, check_choice
from outcomes.statistics.mixed_model.comparison import Comparison
from outcomes.statistics.mixed_model.criterion import Criterion
from outcomes.statistics.mixed_model.degrees_of_freedom import AT_ZERO, SmallSample
from outcomes.statistics.mixed_model.design import Design, build_design, constant_within
from outcomes.statistics.mixed_model.optimiser import Minimum, minimise
from outcomes.statistics.mixed_model.reduction import Work, level_plan, prepare
from outcomes.statistics.mixed_model.residual_structure import build_structure

__all__ = ["MixedModelFit", "fit_mixed_model"]

Array = NDArray[np.float64]

#: Up to this many clients the small-sample rule is the default, above it Satterthwaite.
SMALL_SAMPLE_UP_TO = 5_000


@dataclass(frozen=True, eq=False, kw_only=True)
class MixedModelFit:
    """A fitted mixed model.

    Attributes
    ----------
    formula, method, degrees_of_freedom : str
        What was fitted, and how it is judged.
    converged : bool
        The gradient is zero relative to the curvature.
    boundary : tuple of str
        Which variances are zero and which correlations are one, a sentence each.
    log_likelihood : float
        Restricted log-likelihood for REML (comparable between fits with the same fixed part).
    residual_variance : float
        Variance of the error of one visit of weight one, in squared units of the outcome.
    n_clients, n_rows, n_dropped : int
        Innermost groups, rows used, rows left out because a value was missing.
    ci_level : float
        Level of all intervals.
    notes : tuple of str
        What a careful reader must know.
    """

    formula: str
    method: str
    degrees_of_freedom: str
    converged: bool
    boundary: tuple[str, ...]
    log_likelihood: float
    residual_variance: float
    n_clients: int
    n_rows: int
    n_dropped: int
    ci_level: float
    notes: tuple[str, ...]
    residual: str = "independent"
    by: str | None = None
    time: str | None = None
    weights: str | None = None
    design: Design = field(repr=False)
    work: Work = field(repr=False)
    small_sample: SmallSample = field(repr=False)
    minimum: Minimum = field(repr=False)

    # The fixed part ---------------------------------------------------------------------------

    @cached_property
    def coefficients(self) -> Array:
        """Fixed coefficients in the units of the data."""
        work = self.work
        return np.linalg.solve(work.r, work.start + work.scale * self.small_sample.ev.beta)

    @property
    def uses_kenward_roger(self) -> bool:
        """Whether covariance and df are Kenward-Roger's (`small_sample`: off the boundary)."""
        inside = self.degrees_of_freedom == "small_sample" and not self.boundary
        return inside or self.degrees_of_freedom == "kenward_roger"

    @cached_property
    def df_caps(self) -> list[float]:
        """Per level: groups minus fixed columns that are constant within them."""
        return [
            max(level.n_groups - constant_within(self.design, level), 1)
            for level in self.design.levels
        ]

    @cached_property
    def covariance(self) -> Array:
        """Covariance of the fixed coefficients (Kenward-Roger's where that is the method)."""
        inner = (
            self.small_sample.phi_adjusted
            if self.uses_kenward_roger
            else self.small_sample.phi
        )
        back = np.linalg.inv(self.work.r)
        return self.work.scale**2 * back @ inner @ back.T

    @cached_property
    def fixed(self) -> pd.DataFrame:
        """The fixed part: term, estimate, standard_error, df, statistic, p_value, interval."""
        from outcomes.statistics.mixed_model.inference import coefficient_table

        return coefficient_table(self)

    # The random part --------------------------------------------------------------------------

    @cached_property
    def random_covariances(self) -> dict[str, pd.DataFrame]:
        """Covariance matrix of the random terms of each level, in the units of the data."""
        out = {}
        unit = self.residual_variance
        factors = self.small_sample.criterion.factors(self.small_sample.x)
        for level, turn, factor in zip(self.design.levels, self.work.turns, factors, strict=True):
            root = turn @ factor
            terms = list(level.terms)
            out[level.name] = pd.DataFrame(unit * root @ root.T, index=terms, columns=terms)
        return out

    @cached_property
    def variances(self) -> pd.DataFrame:
        """Variances and covariances of every level, and of the residuals."""
        from outcomes.statistics.mixed_model.variance_table import variance_table

        return variance_table(self)

    @cached_property
    def variance_rows(self) -> pd.DataFrame:
        """The rows of `variances` without intervals."""
        from outcomes.statistics.mixed_model.variance_table import variance_rows

        return variance_rows(self)

    @property
    def n_parameters(self) -> int:
        """Fixed coefficients, covariance parameters and the residual variance."""
        return len(self.design.x) + self.small_sample.x.size + 1

    @property
    def aic(self) -> float:
        """Akaike's criterion; between fits with different fixed parts only with ML."""
        return -2.0 * self.log_likelihood + 2.0 * self.n_parameters

    @property
    def bic(self) -> float:
        """Bayes criterion, log(rows) per parameter."""
        return -2.0 * self.log_likelihood + np.log(self.n_rows) * self.n_parameters

    def client_effects(self, level: str | None = None) -> pd.DataFrame:
        """Give each client's own deviations (BLUPs) with conditional standard deviations."""
        from outcomes.statistics.mixed_model.prediction import client_effects

        return client_effects(self, level)

    # Prediction -------------------------------------------------------------------------------

    def predict(self, new: pd.DataFrame, *, level: str = "client") -> pd.DataFrame:
        """Predict the mean course, for a client of the fit or for the population."""
        from outcomes.statistics.mixed_model.prediction import predict

        return predict(self, new, level=level)

    def predict_contrast(
        self, new_from: pd.DataFrame, new_to: pd.DataFrame, *, level: str = "client"
    ) -> pd.DataFrame:
        """Predict the difference between two rows of the same client, `new_to - new_from`."""
        from outcomes.statistics.mixed_model.prediction import predict_contrast

        return predict_contrast(self, new_from, new_to, level=level)

    # Checks -----------------------------------------------------------------------------------

    def compare(self, other: MixedModelFit) -> Comparison:
        """Compare with a nested fit by likelihood ratio."""
        from outcomes.statistics.mixed_model.comparison import compare

        return compare(self, other)

    def explained(self) -> pd.DataFrame:
        """Share of variation explained by the fixed part, and with the clients' own courses."""
        from outcomes.statistics.mixed_model.comparison import explained_table

        return explained_table(self)

    def intraclass_correlation(self) -> pd.DataFrame:
        """Correlation of two readings in the same group, per level, given the fixed part."""
        from outcomes.statistics.mixed_model.comparison import intraclass_table

        return intraclass_table(self)

    def robust(self) -> pd.DataFrame:
        """Fixed part with cluster-robust (CR2) standard errors and Satterthwaite df."""
        from outcomes.statistics.mixed_model.robust import robust_table

        return robust_table(self)

    def influence(self) -> pd.DataFrame:
        """Fixed part without each outermost group in turn, variances held."""
        from outcomes.statistics.mixed_model.influence import influence_table

        return influence_table(self)

    def bootstrap(
        self,
        *,
        rng: np.random.Generator,
        replicates: int = 1000,
        progress: Callable[[int, int], None] | None = None,
    ) -> pd.DataFrame:
        """Parametric bootstrap of all coefficients and variances."""
        from outcomes.statistics.mixed_model.bootstrap import bootstrap

        return bootstrap(self, replicates=replicates, rng=rng, progress=progress)


def fit_mixed_model(
    data: pd.DataFrame,
    formula: str,
    *,
    groups: str | Sequence[str] = "client",
    random: str | Sequence[str] | Mapping[str, str] | None = "1",
    correlated: bool = True,
    residual: str = "independent",
    by: str | None = None,
    time: str | None = None,
    weights: str | None = None,
    method: str = "REML",
    degrees_of_freedom: str | None = None,
    ci_level: float = 0.95,
) -> MixedModelFit:
    """Fit the mean course over visits and each client's own course around it."""
    check_choice("method", method, ["REML", "ML"])
    if degrees_of_freedom is not None:
        check_choice(
            "degrees_of_freedom", degrees_of_freedom, ["small_sample", "kenward_roger", "satterthwaite", "normal"]
        )
    check_between("ci_level", ci_level, 0, 1, remedy="Give 0.95")
    design = build_design(
        data,
        formula,
        groups=groups,
        random=random,
        correlated=correlated,
        extra=[name for name in (weights, by, time) if name is not None],
    )
    return fit_design(
        design, weights, method, degrees_of_freedom, ci_level, residual=residual, by=by, time=time
    )


def fit_design(
    design: Design,
    weights: str | None,
    method: str,
    degrees_of_freedom: str | None,
    ci_level: float,
    *,
    residual: str = "independent",
    by: str | None = None,
    time: str | None = None,
) -> MixedModelFit:
    """Fit a design that has been built already."""
    given = None if weights is None else design.frame[weights].to_numpy(dtype=float)
    work = prepare(design, given)
    structure = build_structure(residual, work, by=by, time=time)
    reml = method == "REML"
    n_effective = design.n_rows - (len(design.x) if reml else 0)
    constant = 2.0 * n_effective * np.log(work.scale)
    if reml:
        constant += 2.0 * float(np.log(np.abs(np.diagonal(work.r))).sum())
    criterion = Criterion(
        structure=structure,
        plan=level_plan(design),
        n_rows=design.n_rows,
        p=len(design.x),
        reml=reml,
        constant=float(constant),
    )
    minimum = minimise(criterion, criterion.start())
    x = _snapped(criterion, minimum.x)
    ev = criterion.last(x)
    if not minimum.converged:
        raise ModelError(
            f"the model must reach a maximum of its likelihood; the search stopped after "
            f"{minimum.evaluations} steps without one. Drop random terms, or check the outcome for "
            f"gross errors."
        )
    n_clients = design.n_clients
    notes = []
    if design.n_dropped:
        notes.append(f"{design.n_dropped:,} rows with missing values were left out.")
    if degrees_of_freedom is None:
        small = n_clients <= SMALL_SAMPLE_UP_TO
        degrees_of_freedom = "small_sample" if small else "satterthwaite"
    boundary = _boundary(design, criterion, x, work)
    boundary += structure.boundary(x[: structure.n_parameters])
    notes.append(_df_note(degrees_of_freedom, bool(boundary)))
    notes += boundary
    return MixedModelFit(
        formula=design.formula,
        method=method,
        degrees_of_freedom=degrees_of_freedom,
        converged=minimum.converged,
        boundary=tuple(boundary),
        log_likelihood=-0.5 * criterion.value(ev),
        residual_variance=criterion.sigma2(ev) * work.scale**2,
        n_clients=n_clients,
        n_rows=design.n_rows,
        n_dropped=design.n_dropped,
        ci_level=ci_level,
        notes=tuple(notes),
        residual=residual,
        by=by,
        time=time,
        weights=weights,
        design=design,
        work=work,
        small_sample=SmallSample(criterion, x, ev),
        minimum=minimum,
    )


def _df_note(rule: str, at_boundary: bool) -> str:
    if rule == "small_sample":
        if not at_boundary:
            return "Degrees of freedom: Kenward-Roger (1997)."
        return (
            "Degrees of freedom: Satterthwaite, held to the number of groups where a variance at "
            "its boundary is involved (df_reliable says where)."
        )
    names = {
        "kenward_roger": "Kenward-Roger (1997, expected information)",
        "satterthwaite": "Satterthwaite",
        "normal": "none (normal approximation)",
    }
    return f"Degrees of freedom: {names[rule]}."


def _snapped(criterion: Criterion, x: Array) -> Array:
    """Set to zero what has converged to zero (working units: 1e-7 residual SDs)."""
    at = criterion.structure.n_parameters
    out = x.copy()
    out[at:][np.abs(x[at:]) < 1e-7] = 0.0
    return out


def _boundary(design: Design, criterion: Criterion, x: Array, work: Work) -> list[str]:
    """Say which variances are zero and which correlations are one."""
    found = []
    for level, factor, turn in zip(design.levels, criterion.factors(x), work.turns, strict=True):
        g = factor @ factor.T
        small = np.linalg.eigvalsh(g) < AT_ZERO**2
        if not small.any():
            continue
        covariance = turn @ g @ turn.T
        sd = np.sqrt(np.diagonal(covariance))
        zero = sd * np.abs(1 / np.diagonal(turn)) < AT_ZERO
        for name in np.asarray(level.terms)[zero]:
            found.append(f"The variance of {name} between {level.name}s is estimated as zero.")
        left = np.flatnonzero(~zero)
        if small.sum() > zero.sum():
            terms = [level.terms[i] for i in left]
            if len(terms) == 2:
                sign = np.sign(covariance[left[0], left[1]])
                found.append(
                    f"The correlation of {terms[0]} and {terms[1]} between {level.name}s is "
                    f"estimated as {'+1' if sign > 0 else '-1'}."
                )
            else:
                found.append(
                    f"The covariance of {', '.join(terms)} between {level.name}s is singular."
                )
    return found
