"""What a fit gives: tables and questions, each answered by the module of its idea."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.errors import ModelError
from outcomes.statistics.mixed_model.choices import Choices
from outcomes.statistics.mixed_model.comparison import Comparison
from outcomes.statistics.mixed_model.degrees_of_freedom import SmallSample
from outcomes.statistics.mixed_model.design import Design, constant_within
from outcomes.statistics.mixed_model.optimiser import Minimum
from outcomes.statistics.mixed_model.reduction import Work

__all__ = ["Choices", "MixedModelFit"]

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False, kw_only=True)
class MixedModelFit:
    """A fitted mixed model; made by `fit_mixed_model`.

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
        Variance of the error of one row of weight one (of the first level, where it differs by
        level), in squared units of the outcome.
    n_clients, n_rows, n_dropped : int
        Innermost groups, rows used, rows left out because a value was missing.
    notes : tuple of str
        What a careful reader must know.
    choices : Choices
        The arguments of the fit.

    Notes
    -----
    Levels are named by their columns. A "client" below is a group of the innermost level.
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
    choices: Choices = field(repr=False)
    design: Design = field(repr=False)
    work: Work = field(repr=False)
    small_sample: SmallSample = field(repr=False)
    minimum: Minimum = field(repr=False)

    def _repr_html_(self) -> str:
        return self.fixed.to_html(index=False)

    def _need_rows(self, what: str) -> None:
        if self.design.pooled_rows is not None:
            raise ModelError(
                f"{what} needs the rows themselves, and this fit was pooled from files. Fit a "
                f"data frame, or a sample of clients."
            )

    # The fixed part ---------------------------------------------------------------------------

    @cached_property
    def coefficients(self) -> Array:
        """Fixed coefficients in the units of the data, in the order of `.fixed`."""
        work = self.work
        return work.inverse @ (work.start + work.scale * self.small_sample.ev.beta)

    @property
    def uses_kenward_roger(self) -> bool:
        """Whether covariance and df are Kenward-Roger's (`small_sample`: off the boundary)."""
        inside = self.degrees_of_freedom == "small_sample" and not self.boundary
        return inside or self.degrees_of_freedom == "kenward_roger"

    @cached_property
    def covariance(self) -> Array:
        """Covariance of the fixed coefficients (Kenward-Roger's where that is the method)."""
        small = self.small_sample
        inner = small.phi_adjusted if self.uses_kenward_roger else small.phi
        return self.work.scale**2 * self.work.inverse @ inner @ self.work.inverse.T

    @cached_property
    def df_caps(self) -> list[float]:
        """Per level: groups minus fixed columns that are constant within them."""
        self._need_rows("the small-sample rule at a boundary")
        return [
            float(max(level.n_groups - constant_within(self.design, level), 1))
            for level in self.design.levels
        ]

    @cached_property
    def fixed(self) -> pd.DataFrame:
        """The fixed part, one row per coefficient.

        Columns: term, estimate, standard_error, df, df_reliable, statistic (t), p_value, ci_low,
        ci_high, ci_level. `df_reliable` is False where the degrees of freedom lean on a variance
        at its boundary.
        """
        from outcomes.statistics.mixed_model.inference import coefficient_table

        return coefficient_table(self)

    @cached_property
    def term_tests(self) -> pd.DataFrame:
        """F test of every term of the formula, all its columns at once, given all other terms.

        Columns: term, statistic (F), df1, df2, p_value. Terms that take part in an interaction
        are tested at the reference levels (or zero) of their partners.
        """
        from outcomes.statistics.mixed_model.inference import term_table

        return term_table(self)

    def contrast(
        self, contrasts: Mapping[str, Mapping[str, float]], *, joint: bool = False
    ) -> pd.DataFrame:
        """Test combinations of coefficients.

        Parameters
        ----------
        contrasts : mapping of str to mapping of str to float
            Name of the contrast to weights of terms: ``{"six weeks": {"week": 6.0}}``.
        joint : bool
            One F test of all of them instead of a t test of each.

        Returns
        -------
        pandas.DataFrame
            As `.fixed`, one row per contrast; if `joint`, one row with statistic, df1, df2,
            p_value.
        """
        from outcomes.statistics.mixed_model.inference import contrasts_by_name

        return contrasts_by_name(self, contrasts, joint=joint)

    def estimated_means(self, at: pd.DataFrame) -> pd.DataFrame:
        """Give the mean course at stated values, with small-sample intervals.

        `at` holds the variables of the formula, a row per mean. Its columns are returned with
        estimate, standard_error, df, ci_low, ci_high, ci_level.
        """
        table = self.predict(at, level="population")
        own = ["estimate", "standard_error", "df", "ci_low", "ci_high", "ci_level"]
        return pd.concat([at.reset_index(drop=True), table[own]], axis=1)

    # The random part --------------------------------------------------------------------------

    @cached_property
    def random_covariances(self) -> dict[str, pd.DataFrame]:
        """Covariance matrix of the random terms of each level, in the units of the data."""
        out = {}
        factors = self.small_sample.criterion.factors(self.small_sample.x)
        for level, turn, factor in zip(self.design.levels, self.work.turns, factors, strict=True):
            root = np.sqrt(self.residual_variance) * turn @ factor
            terms = list(level.terms)
            out[level.name] = pd.DataFrame(root @ root.T, index=terms, columns=terms)
        return out

    @cached_property
    def variances(self) -> pd.DataFrame:
        """Variances and covariances of every level, and of the residuals, with intervals.

        Columns: level, term, other_term, estimate (variance or covariance), scaled_estimate
        (standard deviation or correlation), ci_low, ci_high, ci_level (of the scaled estimate),
        method. Profile likelihood up to 5,000 clients, Wald on a transformed scale above. The
        row of an autoregressive correlation gives it for rows one unit of time apart.
        """
        from outcomes.statistics.mixed_model.variance_table import variance_table

        return variance_table(self)

    @cached_property
    def variance_rows(self) -> pd.DataFrame:
        """The rows of `variances` without intervals, which take time."""
        from outcomes.statistics.mixed_model.variance_table import variance_rows

        return variance_rows(self)

    def client_effects(self, level: str | None = None) -> pd.DataFrame:
        """Give each client's own deviations from the mean course (BLUPs).

        Parameters
        ----------
        level : str, optional
            Column of the level; default the innermost.

        Returns
        -------
        pandas.DataFrame
            Key columns of the group, term, estimate, conditional_sd (standard deviation of the
            deviation given the data and the fitted model).
        """
        from outcomes.statistics.mixed_model.prediction import client_effects

        return client_effects(self, level)

    # Prediction -------------------------------------------------------------------------------

    def predict(self, new: pd.DataFrame, *, level: str = "client") -> pd.DataFrame:
        """Predict the course, for clients of the fit or for the population.

        Parameters
        ----------
        new : pandas.DataFrame
            Variables of the formulas, and the columns of `groups` where level is "client". A
            client that the fit has not seen is predicted from the levels that it has seen.
        level : {"client", "population"}
            The client's own course, or the mean course.

        Returns
        -------
        pandas.DataFrame
            Key columns, estimate, standard_error, df, ci_low, ci_high (of the course), ci_level,
            prediction_low, prediction_high (for a new reading; at population level, of a new
            client).

        Notes
        -----
        Intervals include the uncertainty of the fixed part and, up to 5,000 clients, that of the
        variances: estimate and error variance are averaged over parameters one standard error
        away along each axis of their covariance, and their spread gives the degrees of freedom.
        """
        from outcomes.statistics.mixed_model.prediction import predict

        return predict(self, new, level=level)

    def predict_contrast(
        self, new_from: pd.DataFrame, new_to: pd.DataFrame, *, level: str = "client"
    ) -> pd.DataFrame:
        """Predict each client's change between two moments: `new_to` minus `new_from`.

        The two frames have the same number of rows, and row by row the same client. Returns the
        key columns, estimate, standard_error, df, ci_low, ci_high, ci_level; errors as in
        `predict`.
        """
        from outcomes.statistics.mixed_model.prediction import predict_contrast

        return predict_contrast(self, new_from, new_to, level=level)

    def residuals(self) -> pd.DataFrame:
        """Give fitted values and residuals of every row, in the order of the rows used.

        Columns: group keys, value, fitted_population, fitted_client, residual_population,
        residual_client, residual_standardised (of the client, over the error's standard
        deviation).
        """
        self._need_rows("residuals")
        from outcomes.statistics.mixed_model.prediction import residual_table

        return residual_table(self)

    # Fit and comparison -----------------------------------------------------------------------

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
        """Bayes criterion, log(rows) per parameter; same caution."""
        return float(-2.0 * self.log_likelihood + np.log(self.n_rows) * self.n_parameters)

    def compare(self, other: MixedModelFit) -> Comparison:
        """Compare with a nested fit by likelihood ratio.

        Where one more variance is tested, and so lies at its boundary under the smaller model,
        the p-value is from the equal mixture of chi-squares (Stram & Lee 1994, Biometrics
        50:1171). REML fits with different fixed parts are refused.
        """
        from outcomes.statistics.mixed_model.comparison import compare

        return compare(self, other)

    def explained(self) -> pd.DataFrame:
        """Give the share of variation explained by the fixed part, and with the clients' courses.

        Rows marginal_r2 and conditional_r2 (columns quantity, estimate, method): Nakagawa &
        Schielzeth 2013, Methods Ecol Evol 4:133; with random slopes Johnson 2014, 5:944.
        """
        self._need_rows("explained variation")
        from outcomes.statistics.mixed_model.comparison import explained_table

        return explained_table(self)

    def intraclass_correlation(self) -> pd.DataFrame:
        """Correlation of two readings of the same group, per level, given the fixed part."""
        self._need_rows("the intraclass correlation")
        from outcomes.statistics.mixed_model.comparison import intraclass_table

        return intraclass_table(self)

    # Checks -----------------------------------------------------------------------------------

    def robust(self) -> pd.DataFrame:
        """Give the fixed part with cluster-robust (CR2) errors and Satterthwaite df.

        Clusters are the groups of the outermost level. Columns as in `.fixed`.
        """
        self._need_rows("a robust standard error")
        from outcomes.statistics.mixed_model.robust import robust_table

        return robust_table(self)

    def influence(self) -> pd.DataFrame:
        """Give the fixed part without each outermost group in turn, variances held.

        Columns: key columns, term, estimate_without, change_without, cooks_distance (one number
        per group, repeated). Not a number where a coefficient cannot be had without the group.
        """
        self._need_rows("influence")
        from outcomes.statistics.mixed_model.influence import influence_table

        return influence_table(self)

    def simulate(self, rng: np.random.Generator) -> Array:
        """Draw a new outcome for every row of the fit, from the fitted model."""
        self._need_rows("simulation")
        from outcomes.statistics.mixed_model.bootstrap import simulate

        return simulate(self, rng)

    def bootstrap(
        self,
        *,
        rng: np.random.Generator,
        replicates: int = 1000,
        progress: Callable[[int, int], None] | None = None,
    ) -> pd.DataFrame:
        """Bootstrap all coefficients and variances: simulate from the fit, and fit again.

        Parameters
        ----------
        rng : numpy.random.Generator
            Source of randomness.
        replicates : int
            Number of simulated data sets.
        progress : callable, optional
            Called with (done, all) after each.

        Returns
        -------
        pandas.DataFrame
            level ("fixed", the column of a level, or "residual"), term, other_term, estimate,
            standard_error, bias, ci_low, ci_high (percentiles), ci_level, n_replicates.
        """
        self._need_rows("a bootstrap")
        from outcomes.statistics.mixed_model.bootstrap import bootstrap

        return bootstrap(self, replicates=replicates, rng=rng, progress=progress)

    def bootstrap_comparison(
        self,
        smaller: MixedModelFit,
        *,
        rng: np.random.Generator,
        replicates: int = 1000,
        progress: Callable[[int, int], None] | None = None,
    ) -> Comparison:
        """Compare with a nested fit by a parametric bootstrap of the likelihood ratio.

        New outcomes are drawn from `smaller`; both models are fitted to each. The p-value is
        (1 + ratios at least as large) / (1 + replicates). For REML fits of one fixed part, or ML.
        """
        self._need_rows("a bootstrap")
        from outcomes.statistics.mixed_model.bootstrap import bootstrap_comparison

        return bootstrap_comparison(
            self, smaller, replicates=replicates, rng=rng, progress=progress
        )
