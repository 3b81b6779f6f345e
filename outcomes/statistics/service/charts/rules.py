"""Run rules: patterns inside the limits that are rare by chance, and how rare.

z is a point's distance from the centre in sigma. The rules, by name:

    beyond_3       1 point beyond 3 sigma
    two_of_three   2 of 3 points in a row beyond 2 sigma, same side
    four_of_five   4 of 5 points in a row beyond 1 sigma, same side
    eight_one_side 8 points in a row on one side
    six_trend      6 points in a row, each above (or each below) the one before

The first four are the Western Electric rules (1956), the last is from Nelson 1984 (J Qual Technol
16:237). Every rule added finds more and cries wolf more often: see `false_alarms`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from outcomes.errors import ArgumentError, check_choice, check_columns, check_count

__all__ = ["RULES", "apply_run_rules", "false_alarms"]

RULES = ("beyond_3", "two_of_three", "four_of_five", "eight_one_side", "six_trend")


def apply_run_rules(
    chart: pd.DataFrame, *, rules: Sequence[str] = ("beyond_3", "two_of_three", "eight_one_side")
) -> pd.DataFrame:
    """Mark the points at which a pattern is complete that chance rarely makes.

    Parameters
    ----------
    chart : DataFrame
        From `individuals_chart`, `share_chart` or `rate_chart`: value, centre, sigma, phase.
    rules : sequence of str
        Names from `RULES`. On charts of shares and rates ``beyond_3`` is the chart's own
        beyond_limits.

    Returns
    -------
    DataFrame
        The chart with one truth column per rule and `signal`, true where any rule speaks.

    Raises
    ------
    ArgumentError
        An unknown rule, or none.

    Examples
    --------
    >>> from outcomes.statistics.service import individuals_chart
    >>> chart = individuals_chart([5, 4, 5, 4, 9, 10, 9, 10, 9, 10, 9, 10], baseline=4)
    >>> marked = apply_run_rules(chart, rules=["eight_one_side"])
    >>> marked["signal"].tolist().index(True)
    11
    """
    names = _names(rules)
    check_columns(chart, ["value", "centre", "sigma", "phase"], thing="the chart")
    out = chart.copy()
    for name in names:
        out[name] = False
    for _, own in chart.groupby("phase"):
        gap = (own["value"] - own["centre"]).to_numpy(float)
        sigma = own["sigma"].to_numpy(float)
        # without any spread in the baseline, whatever differs from its centre is far from it
        far = np.where(gap == 0, 0.0, np.copysign(np.inf, gap))
        z = np.divide(gap, sigma, out=far, where=sigma > 0)
        for name in names:
            out.loc[own.index, name] = rule_hits(z[None, :], name)[0]
    if "beyond_3" in names and "beyond_limits" in chart:
        out["beyond_3"] = chart["beyond_limits"]
    out["signal"] = out[names].any(axis=1)
    return out


def rule_hits(z: np.ndarray, rule: str) -> np.ndarray:
    """Apply one rule to many standardised series at once (series x points)."""
    if rule == "beyond_3":
        return np.abs(z) > 3
    if rule == "six_trend":
        steps = np.diff(z, axis=1, prepend=np.nan)
        return _at_least(steps > 0, 5, 5) | _at_least(steps < 0, 5, 5)
    beyond, needed, window = {
        "two_of_three": (2.0, 2, 3),
        "four_of_five": (1.0, 4, 5),
        "eight_one_side": (0.0, 8, 8),
    }[rule]
    hits = np.zeros(z.shape, dtype=bool)
    for side in (z, -z):
        far = side > beyond
        # the newest point takes part in the pattern, or an old one would be reported again
        hits |= _at_least(far, needed, window) & far
    return hits


def false_alarms(
    *,
    points: int,
    rng: np.random.Generator,
    rules: Sequence[str] = ("beyond_3",),
    baseline: int | None = None,
    estimated: bool = True,
    series: int = 10_000,
) -> pd.DataFrame:
    """Say how often an individuals chart raises an alarm when nothing has changed.

    Parameters
    ----------
    points : int
        Length of the series, at least 4.
    rng : numpy Generator
        Source of the simulated series (normal, independent).
    rules : sequence of str
        Names from `RULES`, used together.
    baseline : int, optional
        As for `individuals_chart`: the first so many points set the limits, and alarms are
        counted among the later ones only. Default all points do both.
    estimated : bool
        True: limits are estimated from the points, as in a clinic. False: they are known.
    series : int
        Series simulated.

    Returns
    -------
    DataFrame
        One row: points (judged), baseline, rules, estimated, series, share_of_points (points
        with an alarm), share_of_series (series with at least one).

    Notes
    -----
    By ``beyond_3``, known limits: 0.27% of points. Limits from the same 6 to 24 points: 0.2 to
    0.26%. Limits frozen from 8 earlier points: about 3%, since the spread is then hardly known;
    from 24 points about 1%.

    Examples
    --------
    >>> known = false_alarms(points=24, rng=np.random.default_rng(1), estimated=False)
    >>> bool(abs(known["share_of_points"].item() - 0.0027) < 0.0004)
    True
    """
    names = _names(rules)
    points = check_count("points", points, least=4)
    series = check_count("series", series, least=1)
    used = points if baseline is None else check_count("baseline", baseline, least=4)
    if baseline is not None and used >= points:
        raise ArgumentError(f"baseline must be less than points, got {used} and {points}.")
    z = rng.standard_normal((series, points))
    if estimated:
        known = z[:, :used]
        spread = np.abs(np.diff(known, axis=1)).mean(axis=1, keepdims=True) * np.sqrt(np.pi) / 2
        z = (z - known.mean(axis=1, keepdims=True)) / spread
    hits = np.zeros(z.shape, dtype=bool)
    for name in names:
        hits |= rule_hits(z, name)
    if baseline is not None:
        hits = hits[:, used:]
    return pd.DataFrame(
        {
            "points": [points if baseline is None else points - used],
            "baseline": pd.array([baseline], dtype="Int64"),
            "rules": [", ".join(names)],
            "estimated": [bool(estimated)],
            "series": [series],
            "share_of_points": [float(hits.mean())],
            "share_of_series": [float(hits.any(axis=1).mean())],
        }
    )


def _names(rules: Sequence[str]) -> list[str]:
    names = [rules] if isinstance(rules, str) else list(rules)
    if not names:
        raise ArgumentError("rules must name at least one rule.")
    for name in names:
        check_choice("rules", name, RULES)
    return names


def _at_least(flags: np.ndarray, needed: int, window: int) -> np.ndarray:
    """Mark positions where at least `needed` of the last `window` flags are set."""
    sums = np.cumsum(np.pad(flags.astype(np.int32), ((0, 0), (window, 0))), axis=1)
    return sums[:, window:] - sums[:, :-window] >= needed
