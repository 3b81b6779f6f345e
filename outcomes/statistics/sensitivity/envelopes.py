"""Whether the mixed model fits: the frames behind its diagnostic figures.

Every check compares what was seen with what the fitted model itself would bring forth, so that a
reader sees how odd is odd: envelopes and bands are quantiles of data simulated from the fit. The
bands take the fitted parameters as true; with few clients they are a little too narrow.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from outcomes.errors import ArgumentError, ModelError, check_between, check_count

if TYPE_CHECKING:
    from outcomes.statistics.mixed_model import MixedModelFit

__all__ = [
    "caseload_simulation",
    "quantile_envelopes",
    "residual_variogram",
]


def quantile_envelopes(
    fit: MixedModelFit, *, rng: np.random.Generator, simulations: int = 200, level: float = 0.95
) -> pd.DataFrame:
    """Set residuals and clients' own deviations against normal quantiles, with envelopes.

    Parameters
    ----------
    fit : MixedModelFit
        A fit with rows and random terms.
    rng : numpy Generator
        Source of the simulated data.
    simulations : int
        Simulated data sets, at least 20.
    level : float
        Level of the envelope at each point, in (0, 1).

    Returns
    -------
    DataFrame
        quantity (``"residual"``, or the random term), normal_quantile, observed (standardised:
        divided by its standard deviation), lower_limit, upper_limit, beyond_limits. Points in
        rising order; more than 200 points are thinned to 200 quantiles.

    Notes
    -----
    Deviations (BLUPs) are drawn in towards zero, and so are those of the simulated data: the
    envelope allows for it. The simulated data are not refitted; residuals and deviations are those
    under the fitted parameters.

    Examples
    --------
    >>> from outcomes.statistics.mixed_model import fit_mixed_model
    >>> from outcomes.statistics.planning import Course
    >>> from outcomes.statistics.planning.simulation import study
    >>> rng = np.random.default_rng(1)
    >>> course = Course(weeks=(0, 1, 2, 3), intercept_sd=8, slope_sd=2, error_sd=4)
    >>> fit = fit_mixed_model(study(30, 1.0, course, rng), "value ~ week", random="1 + week")
    >>> table = quantile_envelopes(fit, rng=rng, simulations=40)
    >>> bool(table["beyond_limits"].mean() < 0.2)
    True
    """
    simulations = check_count("simulations", simulations, least=20)
    level = check_between("level", level, 0, 1, remedy="Give 0.95")
    known = _Dense.of(fit)
    seen = known.parts(known.outcome)
    drawn = [known.parts(known.draw(rng)) for _ in range(simulations)]
    half, tables = (1 - level) / 2, []
    for name, values in seen.items():
        places = (np.arange(min(values.size, 200)) + 0.5) / min(values.size, 200)
        own = _standardised_quantiles(values, places)
        others = np.array([_standardised_quantiles(one[name], places) for one in drawn])
        low, high = np.quantile(others, [half, 1 - half], axis=0)
        tables.append(
            pd.DataFrame(
                {
                    "quantity": name,
                    "normal_quantile": stats.norm.ppf(places),
                    "observed": own,
                    "lower_limit": low,
                    "upper_limit": high,
                    "beyond_limits": (own < low) | (own > high),
                }
            )
        )
    return pd.concat(tables, ignore_index=True)


def residual_variogram(
    fit: MixedModelFit,
    *,
    week: pd.Series | np.ndarray,
    rng: np.random.Generator,
    simulations: int = 100,
    bins: int = 8,
    level: float = 0.95,
) -> pd.DataFrame:
    """Show whether residuals of one client at nearby visits are more alike than distant ones.

    Parameters
    ----------
    fit : MixedModelFit
        A fit with rows and random terms.
    week : array of float
        Time of each row of the fit, in the order of the rows used.
    rng, simulations, level
        As for `quantile_envelopes`.
    bins : int
        Classes of the time between visits, of about equal numbers of pairs.

    Returns
    -------
    DataFrame
        lag (mean weeks between the visits), n_pairs, observed (half the mean squared difference of
        the client's residuals), lower_limit, upper_limit (from simulated data), beyond_limits.
        Rising from below the limits at short lags: serial correlation.

    References
    ----------
    Diggle, Heagerty, Liang & Zeger 2002, Analysis of Longitudinal Data, section 3.4.

    Examples
    --------
    >>> from outcomes.statistics.mixed_model import fit_mixed_model
    >>> from outcomes.statistics.planning import Course
    >>> from outcomes.statistics.planning.simulation import study
    >>> rng = np.random.default_rng(1)
    >>> course = Course(weeks=(0, 1, 2, 3), intercept_sd=8, slope_sd=2, error_sd=4)
    >>> data = study(30, 1.0, course, rng)
    >>> fit = fit_mixed_model(data, "value ~ week", random="1 + week")
    >>> table = residual_variogram(fit, week=data["week"], rng=rng, simulations=20, bins=3)
    >>> len(table), int(table["n_pairs"].sum()) == 30 * 6
    (3, True)
    """
    simulations = check_count("simulations", simulations, least=20)
    level = check_between("level", level, 0, 1, remedy="Give 0.95")
    bins = check_count("bins", bins)
    known = _Dense.of(fit)
    times = np.asarray(week, dtype=float)
    if times.size != known.outcome.size:
        raise ArgumentError(
            f"week must have one entry per row of the fit, got {times.size} for "
            f"{known.outcome.size}. Take the rows that the fit used."
        )
    times = times[known.order]
    first, second = _pairs(known.codes)
    if first.size < bins:
        raise ModelError("a variogram must have clients with at least two visits. There are none.")
    lag = np.abs(times[first] - times[second])
    edges = np.unique(np.quantile(lag, np.linspace(0, 1, bins + 1)))
    place = np.clip(np.searchsorted(edges, lag, side="right") - 1, 0, max(edges.size - 2, 0))
    count = np.bincount(place)

    def curve(values: np.ndarray) -> np.ndarray:
        residual = known.parts(values)["residual"]
        return np.bincount(place, (residual[first] - residual[second]) ** 2 / 2) / count

    observed = curve(known.outcome)
    drawn = np.array([curve(known.draw(rng)) for _ in range(simulations)])
    half = (1 - level) / 2
    low, high = np.quantile(drawn, [half, 1 - half], axis=0)
    return pd.DataFrame(
        {
            "lag": np.bincount(place, lag) / count,
            "n_pairs": count,
            "observed": observed,
            "lower_limit": low,
            "upper_limit": high,
            "beyond_limits": (observed < low) | (observed > high),
        }
    )


def caseload_simulation(
    fit: MixedModelFit, *, rng: np.random.Generator, simulations: int = 500, level: float = 0.95
) -> pd.DataFrame:
    """Ask whether caseloads drawn from the model look like the one that was seen.

    Parameters
    ----------
    fit, rng, simulations, level
        As for `quantile_envelopes`.

    Returns
    -------
    DataFrame
        quantity, observed, lower_limit, median, upper_limit (of the simulated caseloads),
        p_value (two-sided share of simulated values at least as far out), beyond_limits. The
        quantities: mean and SD of first readings, mean and SD of the change from first to last
        reading, share of clients who moved up, smallest and largest reading, skewness of the
        changes, and the mean size of the step between successive readings of a client.

    References
    ----------
    Gelman, Meng & Stern 1996, Stat Sinica 6:733 (here with the estimates in place of a posterior).

    Examples
    --------
    >>> from outcomes.statistics.mixed_model import fit_mixed_model
    >>> from outcomes.statistics.planning import Course
    >>> from outcomes.statistics.planning.simulation import study
    >>> rng = np.random.default_rng(1)
    >>> course = Course(weeks=(0, 1, 2, 3), intercept_sd=8, slope_sd=2, error_sd=4)
    >>> data = study(30, 1.0, course, rng)
    >>> fit = fit_mixed_model(data, "value ~ week", random="1 + week")
    >>> table = caseload_simulation(fit, rng=rng, simulations=40)
    >>> bool(table["beyond_limits"].sum() <= 2)
    True
    """
    simulations = check_count("simulations", simulations, least=20)
    level = check_between("level", level, 0, 1, remedy="Give 0.95")
    known = _Dense.of(fit)
    first = np.r_[True, known.codes[1:] != known.codes[:-1]]
    last = np.r_[known.codes[1:] != known.codes[:-1], True]
    twice = ~(first & last)
    if (first & twice).sum() < 3:
        raise ModelError("a caseload must have 3 clients with at least two visits. Fit more rows.")

    def look(y: np.ndarray) -> dict[str, float]:
        change = y[last & twice] - y[first & twice]
        steps = np.diff(y)[~first[1:]]
        centred = change - change.mean()
        spread = np.sqrt((centred**2).mean())
        return {
            "mean of first readings": float(y[first].mean()),
            "SD of first readings": float(y[first].std()),
            "mean change, first to last": float(change.mean()),
            "SD of the change": float(spread),
            "share of clients who moved up": float((change > 0).mean()),
            "skewness of the changes": float((centred**3).mean() / spread**3),
            "mean step between readings": float(np.abs(steps).mean()),
            "smallest reading": float(y.min()),
            "largest reading": float(y.max()),
        }

    observed = look(known.outcome)
    drawn = pd.DataFrame([look(known.draw(rng)) for _ in range(simulations)])
    half, rows = (1 - level) / 2, []
    for name, value in observed.items():
        values = drawn[name].to_numpy()
        low, middle, high = np.quantile(values, [half, 0.5, 1 - half])
        tail = min((values <= value).sum(), (values >= value).sum())
        rows.append(
            {
                "quantity": name,
                "observed": value,
                "lower_limit": low,
                "median": middle,
                "upper_limit": high,
                "p_value": min(1.0, 2 * (1 + tail) / (1 + simulations)),
                "beyond_limits": bool(value < low or value > high),
            }
        )
    return pd.DataFrame(rows)


@dataclass(frozen=True, eq=False)
class _Dense:
    """Per-client matrices that turn an outcome into residuals and deviations at once."""

    fit: MixedModelFit
    outcome: np.ndarray
    order: np.ndarray
    codes: np.ndarray
    terms: tuple[str, ...]
    design: np.ndarray
    random: np.ndarray
    coefficients: np.ndarray
    gains: list[tuple[np.ndarray, np.ndarray]]

    @classmethod
    def of(cls, fit: MixedModelFit) -> _Dense:
        """Prepare a fit with one level and independent errors."""
        if len(fit.design.levels) != 1 or fit.choices.residual != "independent":
            raise ModelError(
                "model checks must have one level of groups and independent errors. "
                "Refit without the outer levels."
            )
        level = fit.design.levels[0]
        order = np.argsort(level.codes, kind="stable")
        codes = np.asarray(level.codes)[order]
        z = np.column_stack(level.z)[order]
        g = fit.random_covariances[level.name].to_numpy(float)
        gains = []
        for rows in np.split(np.arange(codes.size), np.flatnonzero(np.diff(codes)) + 1):
            own = z[rows]
            v = own @ g @ own.T + fit.residual_variance * np.eye(rows.size)
            gains.append((rows, g @ own.T @ np.linalg.inv(v)))
        return cls(
            fit=fit,
            outcome=np.asarray(fit.design.y, dtype=float)[order],
            order=order,
            codes=codes,
            terms=tuple(level.terms),
            design=np.column_stack(fit.design.x)[order],
            random=z,
            coefficients=np.asarray(fit.coefficients),
            gains=gains,
        )

    def draw(self, rng: np.random.Generator) -> np.ndarray:
        """Draw a new outcome from the fit, in this object's order of rows."""
        return self.fit.simulate(rng)[self.order]

    def parts(self, outcome: np.ndarray) -> dict[str, np.ndarray]:
        """Split an outcome into clients' deviations, per term, and what is left."""
        rest = outcome - self.design @ self.coefficients
        own = np.empty((len(self.gains), len(self.terms)))
        residual = np.empty(rest.size)
        for i, (rows, gain) in enumerate(self.gains):
            own[i] = gain @ rest[rows]
            residual[rows] = rest[rows] - self.random[rows] @ own[i]
        return {"residual": residual, **dict(zip(self.terms, own.T, strict=True))}


def _standardised_quantiles(values: np.ndarray, places: np.ndarray) -> np.ndarray:
    spread = values.std()
    return np.quantile(values / spread if spread > 0 else values, places)


def _pairs(codes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """List all pairs of rows of the same client; the rows of a client are neighbours."""
    first, second = [], []
    for rows in np.split(np.arange(codes.size), np.flatnonzero(np.diff(codes)) + 1):
        i, j = np.triu_indices(rows.size, k=1)
        first.append(rows[i])
        second.append(rows[j])
    return np.concatenate(first), np.concatenate(second)
