"""Whether practitioners or sites differ, once their clients are taken into account.

Nobody is ranked. Three protections keep chance from shaming anyone: each mean is drawn towards the
whole (see `shrinkage`), the result says how likely it is that there is any difference at all, and
a practitioner stands out only where an exact test of all practitioners together speaks first. If
there is no difference, that test lets anyone stand out in at most 5% of looks, whatever the number
of practitioners.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import stats

from outcomes.errors import DataError, check_between, check_columns, check_count, rows_must
from outcomes.results import Claim
from outcomes.statistics.service.casemix import DEFAULT_ADJUSTMENT, case_mix
from outcomes.statistics.service.shrinkage import Shrinkage, shrink

__all__ = ["PractitionerDifferences", "practitioner_differences"]


@dataclass(frozen=True, eq=False, kw_only=True)
class PractitionerDifferences(Claim):
    """Differences between practitioners (within their site) and between sites.

    Attributes
    ----------
    n, n_practitioners : int
        Episodes and practitioners in the model.
    p_value : float
        Chance of differences at least as large, were all practitioners of a site equal (exact F).
    chance_real, chance_real_sites : float
        Chance that practitioners (sites) differ at all; equal odds beforehand. Empty for sites
        where there is one.
    typical_difference, typical_low, typical_high : float
        Standard deviation of practitioners' true means, in the measure's unit, with its interval.
    unit : str
        Unit of the measure.
    anyone_stands_out : bool
        Whether any row of `groups` stands out.
    groups : DataFrame
        level, group, n, observed (plain mean), estimate, ci_low, ci_high, ci_level (adjusted and
        shrunken mean), deviation, deviation_low, deviation_high (from the average practitioner of
        the site; a site's from the average site), chance_above (that average), adjusted_deviation
        and its funnel lower_95, upper_95, lower_998, upper_998 (before shrinking; limits around
        zero), stands_out.
    notes : tuple of str
        What was left out, and how to read it.
    """

    n: int
    n_practitioners: int
    p_value: float
    chance_real: float
    chance_real_sites: float
    typical_difference: float
    typical_low: float
    typical_high: float
    unit: str = ""
    anyone_stands_out: bool
    groups: pd.DataFrame = field(repr=False)
    notes: tuple[str, ...] = ()


def practitioner_differences(
    rows: pd.DataFrame,
    *,
    rng: np.random.Generator,
    adjust_for: Sequence[str] = DEFAULT_ADJUSTMENT,
    names_shown: bool = False,
    measures_looked_at: int = 1,
    level: float = 0.95,
    unit: str = "",
) -> PractitionerDifferences:
    """Say whether practitioners' clients fare differently beyond who they are and chance.

    Use for one measure over a long enough time (a year rather than a quarter). Do not use to rank
    or to reward: what is adjusted for is never all that differs between clients.

    Parameters
    ----------
    rows : DataFrame
        One row per episode: client, practitioner, improvement, clinic where there are sites, and
        the columns to adjust for. A practitioner at two sites counts as two. Rows without a
        practitioner are left out and counted.
    rng : numpy Generator
        Draws the order in which unnamed practitioners are numbered.
    adjust_for : sequence of str
        Columns; those of the usual set that are not recorded are left out and named in notes.
    names_shown : bool
        Show practitioner codes. Otherwise they are numbered in random order; in a small clinic
        colleagues may still recognise each other by their number of clients.
    measures_looked_at : int
        Measures for which this is asked at the same time; the 5% is shared among them.
    level : float
        Level of intervals, in (0, 1).
    unit : str
        Unit of the measure, passed through.

    Returns
    -------
    PractitionerDifferences

    Raises
    ------
    DataError
        If there are fewer than 2 practitioners with 2 clients, or too few clients in all.
    ModelError
        If all clients improved equally.

    Notes
    -----
    Stands out: p_value < 0.05 / measures_looked_at, and the interval of the shrunken deviation
    excludes zero. p_value: F test of practitioners within sites in the analysis of covariance.

    References
    ----------
    Goldstein & Spiegelhalter 1996, J R Stat Soc A 159:385, doi:10.2307/2983325.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> rows = pd.DataFrame({"client": range(90), "practitioner": [*"abc"] * 30})
    >>> rows["improvement"] = rng.normal(8, 5, 90)
    >>> found = practitioner_differences(rows, rng=rng)
    >>> found.anyone_stands_out, found.chance_real < 0.5
    (False, True)

    Checked against: dense formulas, the mixed model, statsmodels' F test
    (test_service_practitioners), and simulated clinics (tests/evidence/service_false_alarms.py).
    """
    check_columns(rows, ["client", "practitioner", "improvement"], thing="the rows")
    level = check_between("level", level, 0, 1, remedy="Give 0.95")
    looked = check_count("measures_looked_at", measures_looked_at)
    wrong = ~np.isfinite(rows["improvement"].to_numpy(float))
    if wrong.any():
        raise rows_must("improvement", "be a finite number", wrong, "Leave these rows out")
    used, mix_design, notes = _usable(rows, adjust_for)
    practitioner, labels, site, sites = _nested(used)
    outcome = used["improvement"].to_numpy(float)
    design = np.column_stack([np.ones(len(used)), mix_design])
    p_value, deviations = _fixed_effects(design, outcome, practitioner, site)

    memberships = [practitioner] if len(sites) < 2 else [practitioner, site]
    fit = shrink(design, outcome, memberships)
    groups = _group_rows(fit, used, practitioner, labels, site, sites, level)
    groups = groups.merge(deviations, on=["level", "code"], how="left")
    beyond = (groups["deviation_low"] > 0) | (groups["deviation_high"] < 0)
    groups["stands_out"] = beyond & (p_value < 0.05 / looked) & (groups["level"] == "practitioner")
    if not names_shown:
        groups = _hide_names(groups, rng)
    typical = _typical(fit, level)
    return PractitionerDifferences(
        n=len(used),
        n_practitioners=len(labels),
        p_value=p_value,
        chance_real=float(fit.chance_real[0]),
        chance_real_sites=float(fit.chance_real[1]) if len(sites) > 1 else float("nan"),
        typical_difference=typical[0],
        typical_low=typical[1],
        typical_high=typical[2],
        unit=unit,
        anyone_stands_out=bool(groups["stands_out"].any()),
        groups=groups.drop(columns="code"),
        notes=tuple(notes),
    )


def _usable(
    rows: pd.DataFrame, adjust_for: Sequence[str]
) -> tuple[pd.DataFrame, np.ndarray, list[str]]:
    notes = []
    known = rows["practitioner"].notna() & (rows["practitioner"].astype("str") != "")
    if not known.all():
        notes.append(f"{(~known).sum()} episodes left out: no practitioner recorded.")
    mix = case_mix(rows[known], adjust_for=adjust_for)
    used = rows[known][mix.kept]
    sizes = used["practitioner"].value_counts()
    if (sizes >= 2).sum() < 2 or len(used) < mix.design.shape[1] + len(sizes) + 3:
        raise DataError(
            "a comparison of practitioners must have at least two of them with two clients each, "
            f"and more clients than terms; got {len(sizes)} practitioners and {len(used)} clients. "
            "Choose a longer period or adjust for less."
        )
    return used, mix.design, [*mix.notes, *notes]


def _nested(
    used: pd.DataFrame,
) -> tuple[np.ndarray, pd.DataFrame, np.ndarray, list[str]]:
    """Count practitioners within sites; without a recorded site everyone is at one."""
    clinic = used["clinic"] if "clinic" in used else pd.Series("", index=used.index)
    clinic = clinic.astype("object").where(clinic.notna(), "").astype("str")
    site, sites = pd.factorize(clinic, sort=True)
    pairs = pd.DataFrame({"site": site, "group": used["practitioner"].astype("str").to_numpy()})
    labels = pairs.drop_duplicates().sort_values(["site", "group"]).reset_index(drop=True)
    labels["code"] = np.arange(len(labels))
    practitioner = pairs.merge(labels, on=["site", "group"], how="left")["code"].to_numpy()
    return practitioner, labels, site, list(sites)


def _fixed_effects(
    design: np.ndarray, outcome: np.ndarray, practitioner: np.ndarray, site: np.ndarray
) -> tuple[float, pd.DataFrame]:
    """Test practitioners within sites, and give each one's deviation with funnel limits."""
    sites = np.eye(site.max() + 1)[site][:, 1:]
    base = np.column_stack([design, sites])
    members = np.eye(practitioner.max() + 1)[practitioner]
    q, rank = _orthogonal(base)
    rest = outcome - q @ (q.T @ outcome)
    free = members - q @ (q.T @ members)
    steps, extra = _orthogonal(free)
    explained = float(((steps.T @ rest) ** 2).sum())
    df = outcome.size - rank - extra
    total = float(rest @ rest)
    if extra == 0 or df < 1:
        p_value, sigma = float("nan"), np.sqrt(total / max(outcome.size - rank, 1))
    else:
        within = max((total - explained) / df, 1e-300)
        p_value = float(stats.f.sf(explained / extra / within, extra, df))
        sigma = np.sqrt(within)
    n = members.sum(axis=0)
    spread = sigma * np.sqrt((free**2).sum(axis=0)) / n
    frame = pd.DataFrame({"level": "practitioner", "code": np.arange(n.size)})
    frame["adjusted_deviation"] = members.T @ rest / n
    for chance, name in ((0.95, "95"), (0.998, "998")):
        reach = float(stats.t.ppf(0.5 + chance / 2, max(df, 1))) * spread
        frame[f"lower_{name}"], frame[f"upper_{name}"] = -reach, reach
    return p_value, frame


def _orthogonal(columns: np.ndarray) -> tuple[np.ndarray, int]:
    u, s, _ = np.linalg.svd(columns, full_matrices=False)
    rank = int((s > 1e-9 * max(s.max(initial=0.0), 1e-300)).sum()) if s.size else 0
    if s.size and s.max() < 1e-9 * np.sqrt(columns.shape[0]):
        rank = 0
    return u[:, :rank], rank


def _group_rows(
    fit: Shrinkage,
    used: pd.DataFrame,
    practitioner: np.ndarray,
    labels: pd.DataFrame,
    site: np.ndarray,
    sites: list[str],
    level: float,
) -> pd.DataFrame:
    size = fit.means.shape[1]
    outcome = used["improvement"].to_numpy(float)
    parts = []
    plans = [("practitioner", practitioner, labels["group"].tolist(), fit.slices[0])]
    if len(sites) > 1:
        plans.append(("clinic", site, sites, fit.slices[1]))
    for name, codes, words, place in plans:
        own = np.zeros((len(words), size))
        own[:, place] = np.eye(len(words))
        whole = own.copy()
        whole[:, 0] = 1
        if name == "practitioner" and len(sites) > 1:
            whole[:, fit.slices[1]] = np.eye(len(sites))[labels["site"].to_numpy()]
        circle = labels["site"].to_numpy() if name == "practitioner" else np.zeros(len(words), int)
        deviation, low, high, above = fit.summarise(_from_average(own, circle), level=level)
        estimate, ci_low, ci_high, _ = fit.summarise(whole, level=level)
        n = np.bincount(codes, minlength=len(words))
        parts.append(
            pd.DataFrame(
                {
                    "level": name,
                    "code": np.arange(len(words)),
                    "group": words,
                    "n": n,
                    "observed": np.bincount(codes, outcome, minlength=len(words)) / n,
                    "estimate": estimate,
                    "ci_low": ci_low,
                    "ci_high": ci_high,
                    "ci_level": level,
                    "deviation": deviation,
                    "deviation_low": low,
                    "deviation_high": high,
                    "chance_above": above,
                }
            )
        )
    return pd.concat(parts, ignore_index=True)


def _from_average(own: np.ndarray, circle: np.ndarray) -> np.ndarray:
    """Set each group against the average group of its circle (practitioners of the same site).

    A practitioner's own effect alone cannot be told from that of the site; the difference from
    colleagues can.
    """
    out = own.copy()
    for one in np.unique(circle):
        out[circle == one] -= own[circle == one].mean(axis=0)
    return out


def _hide_names(groups: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    hidden = groups["level"] == "practitioner"
    order = rng.permutation(int(hidden.sum()))
    shuffled = groups[hidden].iloc[order].copy()
    shuffled["group"] = [f"practitioner {i}" for i in range(1, len(order) + 1)]
    return pd.concat([shuffled, groups[~hidden]], ignore_index=True)


def _typical(fit: Shrinkage, level: float) -> tuple[float, float, float]:
    """Give the spread of practitioners' true means: posterior median and interval."""
    spread = fit.ratios[:, 0] * fit.sigma
    order = np.argsort(spread, kind="stable")
    reached = np.cumsum(fit.weights[order])
    half = (1 - level) / 2
    picks = [
        spread[order][min(np.searchsorted(reached, q), spread.size - 1)]
        for q in (0.5, half, 1 - half)
    ]
    return float(picks[0]), float(picks[1]), float(picks[2])
