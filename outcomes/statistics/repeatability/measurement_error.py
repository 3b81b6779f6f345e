"""A clinic's repeatability study: where the error of a reading comes from, and how large it is.

Notation
--------
component  variance that a term adds to a reading: client, rater, session, their interactions
s          standard error of measurement: square root of the components that count for the
           comparison that is made (`error_design`)
MDC        z * sqrt(2) * s

Intervals. Balanced: chi-square where one mean square is meant (exact; 94.6 to 95.1% coverage at
nominal 95%, 10,000 data sets per setting), else modified large sample (95.4 to 97.4%: with two
raters or two sessions it errs on the wide side). Unbalanced: profile likelihood, its cut-off
raised for few degrees of freedom (same rater 93.2%, another rater 95.2%, 500 data sets). With two
raters or two sessions the interval of "another" is honest and huge: one degree of freedom.
tests/evidence/results/repeatability_measurement_error_coverage.json.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from outcomes.errors import DataError, check_between
from outcomes.results import Claim, Estimate
from outcomes.statistics.repeatability.analysis_of_variance import (
    RESIDUAL,
    MeanSquares,
    Term,
    crossed_mean_squares,
)
from outcomes.statistics.repeatability.detectable_change import minimal_detectable_change
from outcomes.statistics.repeatability.error_design import Comparison, comparison
from outcomes.statistics.repeatability.mean_square_interval import (
    mean_square_interval,
    ratio_interval,
)
from outcomes.statistics.repeatability.study_design import StudyDesign, read_design
from outcomes.statistics.repeatability.variance_components import (
    ComponentFit,
    fit_components,
    profile_interval,
)

__all__ = ["MeasurementError", "measurement_error"]


@dataclass(frozen=True, eq=False, kw_only=True)
class MeasurementError(Claim):
    """What a repeatability study found.

    Attributes
    ----------
    design : str
        Clients, raters, sessions and readings in words.
    n, n_readings : int
        Clients and readings.
    ci_level : float
        Level of all intervals.
    unit : str
    method : str
    components : DataFrame
        One row per term: term, estimate (variance), ci_low, ci_high, ci_level, share, df, method.
    notes : tuple of str
    """

    design: str
    n: int
    n_readings: int
    ci_level: float
    unit: str
    method: str
    components: pd.DataFrame
    notes: tuple[str, ...]
    _study: StudyDesign = field(repr=False)
    _fit: ComponentFit = field(repr=False)
    _squares: MeanSquares | None = field(repr=False)

    def standard_error(
        self,
        *,
        rater: str = "same",
        session: str = "same",
        trials: int = 1,
        raters: int = 1,
        raters_are: str = "random",
    ) -> Estimate:
        """Give the standard error of measurement for the comparison that a clinic makes.

        Parameters
        ----------
        rater, session : {"same", "other"}
            Who takes the second value, and whether on the same day.
        trials, raters : int
            Averaged into each recorded value.
        raters_are : {"random", "fixed"}
            Fixed: these raters only, with their shifts taken off.

        Returns
        -------
        Estimate

        Raises
        ------
        DataError
            The study cannot tell: one rater, one session, or no repeated reading in a cell.
        """
        what = comparison(
            rater=rater, session=session, trials=trials, raters=raters, raters_are=raters_are
        )
        self.require(what)
        weights = what.weights(self._terms)
        square = float(weights @ self._fit.theta)
        low, high, method = self._interval(weights)
        return Estimate(
            measure=f"standard error of measurement: {what.words}",
            estimate=float(np.sqrt(square)),
            ci_low=float(np.sqrt(low)),
            ci_high=float(np.sqrt(high)),
            ci_level=self.ci_level,
            n=self.n,
            unit=self.unit,
            method=method,
            notes=self.notes,
        )

    def detectable_change(
        self,
        *,
        confidence: float = 0.95,
        of: str = "change",
        clients: int = 1,
        **design: str | int,
    ) -> Estimate:
        """Give the smallest detectable change, with the interval that this study leaves it.

        Parameters
        ----------
        confidence, of, clients
            As in `minimal_detectable_change`.
        **design
            As in `standard_error`.

        Returns
        -------
        Estimate
        """
        error = self.standard_error(**design)  # pyright: ignore[reportArgumentType]

        def change(s: float) -> float:
            if not np.isfinite(s):
                return float("inf")
            return minimal_detectable_change(s, confidence=confidence, of=of, clients=clients)  # pyright: ignore[reportArgumentType]

        words = error.measure.removeprefix("standard error of measurement: ")
        group = f", mean of {clients} clients" if clients > 1 else ""
        return Estimate(
            measure=f"minimal detectable {of} at {confidence:.0%}{group}: {words}",
            estimate=change(error.estimate),
            ci_low=change(error.ci_low),
            ci_high=change(error.ci_high),
            ci_level=self.ci_level,
            n=self.n,
            unit=self.unit,
            method=error.method,
            notes=error.notes,
        )

    def reliability(
        self, *, rater: str = "same", session: str = "same", raters_are: str = "random"
    ) -> Estimate:
        """Give the intraclass correlation of the same comparison, single readings.

        Returns
        -------
        Estimate
            Interval as in `ratio_interval`; unbalanced, profile likelihood.
        """
        what = comparison(rater=rater, session=session, raters_are=raters_are)
        self.require(what)
        shared, error = what.shared(self._terms), what.weights(self._terms)
        theta = self._fit.theta
        estimate = float(shared @ theta / ((shared + error) @ theta))
        low, high, method = self._ratio_interval(shared, error, estimate)
        return Estimate(
            measure=f"reliability: {what.words}",
            estimate=estimate,
            ci_low=low,
            ci_high=high,
            ci_level=self.ci_level,
            n=self.n,
            method=method,
            notes=self.notes,
        )

    @property
    def _terms(self) -> tuple[Term, ...]:
        return (*self._study.terms, RESIDUAL)

    def require(self, what: Comparison) -> None:
        """Refuse a comparison that this study says nothing about."""
        factors = set(self._study.factors)
        for name in ("rater", "session"):
            if getattr(what, name) == "other" and name not in factors:
                raise DataError(
                    f"readings must come from two or more {name}s to tell the error of another "
                    f"{name}. Add a {name}, or ask for the same {name}."
                )
        if what.raters > 1 and "rater" not in factors:
            raise DataError(
                "readings must come from two or more raters to tell what averaging raters gains. "
                "Add a rater."
            )
        confounded = set(self._study.confounded)
        if confounded and not confounded & what.changed:
            raise DataError(
                "readings must be repeated by the same rater in the same session to tell that "
                "error. Add a second trial, or ask for another rater or session."
            )
        if confounded and what.trials > 1:
            raise DataError(
                "readings must include repeated trials to tell what averaging trials gains. Add "
                "a second trial."
            )

    def _interval(self, weights: np.ndarray) -> tuple[float, float, str]:
        """Interval of a weighted sum of components."""
        value = float(weights @ self._fit.theta)
        if self._squares is not None:
            on_squares = weights @ self._squares.solve
            low, high = mean_square_interval(
                self._squares.mean_squares, self._squares.df, on_squares, confidence=self.ci_level
            )
            single = np.sum(np.abs(on_squares) > 1e-12 * np.abs(on_squares).max()) == 1
            method = "exact chi-square interval" if single else "modified large-sample interval"
            return max(min(float(low), value), 0.0), max(float(high), value), f"REML; {method}"
        scale = self._fit.scale**2
        variance = float(weights @ self._fit.covariance @ weights)
        low, high = profile_interval(
            self._fit,
            lambda t: (weights, t / scale),
            value,
            confidence=self.ci_level,
            low=0.0,
            high=float("inf"),
            df=2 * value**2 / variance if variance > 0 else 1.0,
        )
        return low, high, "REML; profile likelihood interval"

    def _ratio_interval(
        self, shared: np.ndarray, error: np.ndarray, estimate: float
    ) -> tuple[float, float, str]:
        def weights(r: float) -> np.ndarray:
            return (1 - r) * shared - r * error

        squares = self._squares
        if squares is None:
            low, high = profile_interval(
                self._fit,
                lambda r: (weights(r), 0.0),
                estimate,
                confidence=self.ci_level,
                low=0.0,
                high=1.0,
            )
            return low, high, "REML; profile likelihood interval"
        low, high = ratio_interval(squares, shared, error, estimate, confidence=self.ci_level)
        return low, high, "REML; F interval with Satterthwaite df"


def measurement_error(
    readings: pd.DataFrame,
    *,
    confidence: float = 0.95,
    nested: Sequence[str] = (),
    trial_effects: bool = False,
    unit: str = "",
) -> MeasurementError:
    """Split the readings of a repeatability study into clients, raters, sessions and error.

    Use it on a study made for the purpose: nobody truly changes between its readings. Do not use
    it on visits of clients under treatment (`error_from_routine_visits`). Assumed: effects are
    independent, roughly normal and equally spread at all sizes; raters and sessions stand for
    others like them.

    Parameters
    ----------
    readings : DataFrame
        One row per reading of one measure: client, value; and rater, session, trial where there
        are any. Crossed or nested, balanced or not.
    confidence : float, default 0.95
        Level of the intervals.
    nested : sequence of str
        Factors whose labels are reused although their levels are each client's own. Labels that
        are never reused are taken as nested anyway.
    trial_effects : bool, default False
        Give the trial its own components (warming up, tiring) in place of making it a replicate.
    unit : str
        For the results.

    Returns
    -------
    MeasurementError
        `.components`; `.standard_error()`, `.detectable_change()`, `.reliability()`; tables of
        all comparisons by `error_table` and `averaging_table`.

    Raises
    ------
    DataError
        As in `read_design`: fewer than two clients, nothing repeated, nothing varies, bad cells.

    Notes
    -----
    REML, components held at zero; intervals and their coverage at the head of this module.

    References
    ----------
    Eliasziw, Young, Woodbury & Fryday-Field 1994, Phys Ther 74:777, doi:10.1093/ptj/74.8.777.
    Searle, Casella & McCulloch 1992, Variance Components. Brennan 2001, Generalizability Theory.

    Examples
    --------
    >>> readings = pd.DataFrame({
    ...     "client": list("aabbccdd") * 2, "rater": ["r"] * 8 + ["s"] * 8,
    ...     "value": [70, 72, 81, 80, 65, 65, 90, 93, 73, 74, 85, 83, 66, 69, 94, 95.0]})
    >>> found = measurement_error(readings, unit="deg")
    >>> round(found.standard_error().estimate, 3)
    1.175

    Checked against: Eliasziw et al. 1994, lme4 (tests/reference/repeatability).
    """
    level = check_between("confidence", confidence, 0, 1, remedy="Give 0.95 for 95%")
    study = read_design(readings, nested=nested, trial_effects=trial_effects)
    groups = [study.groups(term) for term in study.terms]
    centred = study.values - study.values.mean()
    _require_residual(centred, groups)
    fit = fit_components(study.values, np.ones((len(centred), 1)), groups)
    squares = _mean_squares(study)
    notes = list(study.notes)
    at_zero = [" x ".join(t) for t, v in zip(study.terms, fit.theta, strict=False) if v == 0]
    if at_zero:
        notes.append(f"Estimated at the bound of zero: {', '.join(at_zero)}.")
    result = MeasurementError(
        design=study.words,
        n=study.levels["client"],
        n_readings=len(study.values),
        ci_level=level,
        unit=unit,
        method="REML",
        components=pd.DataFrame(),
        notes=tuple(notes),
        _study=study,
        _fit=fit,
        _squares=squares,
    )
    object.__setattr__(result, "components", _components(result))
    return result


def _mean_squares(study: StudyDesign) -> MeanSquares | None:
    """Mean squares in the order of the terms, if the design is balanced."""
    if study.table is None:
        return None
    found = crossed_mean_squares(study.table, study.factors, nested=study.nested)
    return found if found.terms == (*study.terms, RESIDUAL) else None


def _require_residual(centred: np.ndarray, groups: list[np.ndarray]) -> None:
    """Refuse readings that leave no error: repeats that never differ, or nothing repeated."""
    dummies = np.hstack([np.equal.outer(g, np.unique(g)).astype(float) for g in groups])
    rest = centred - dummies @ np.linalg.lstsq(dummies, centred, rcond=None)[0]
    if float(rest @ rest) <= 1e-20 * float(centred @ centred):
        raise DataError(
            "repeated readings must differ somewhere; these never do, so no error can be seen. "
            "Read blind to the first value and on a finer scale, or repeat more readings."
        )


def _components(result: MeasurementError) -> pd.DataFrame:
    """One row per component, client first, residual last."""
    theta, terms = result._fit.theta, result._terms
    rows = []
    for i, term in enumerate(terms):
        low, high, method = result._interval(np.eye(len(terms))[i])
        rows.append(
            {
                "term": " x ".join(term),
                "estimate": float(theta[i]),
                "ci_low": low,
                "ci_high": high,
                "ci_level": result.ci_level,
                "share": float(theta[i] / theta.sum()),
                "n": result.n,
                "method": method,
            }
        )
    return pd.DataFrame(rows)
