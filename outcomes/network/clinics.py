"""Clinics side by side: a funnel adjusted for whom they treat, and clinics' own mean courses.

Notation: per clinic, O clients with a detectable gain among n, E and V expected from its clients,

    E = sum p,  V = sum p (1 - p)      p from a logistic model of all clinics on the case mix
    z = (O - E) / sqrt(V)              phi = mean of z^2, winsorised at 10%, where clearly above 1
    p-value of z / sqrt(phi), adjusted after Benjamini and Hochberg over clinics

The case mix is counted in bands (start value, age, weeks of symptoms, complaint), so that counts
per clinic and cell are all that is needed: they add up, and none describes a client. Spread among
clinics beyond chance is usual (what is not recorded differs too); the flags are for clinics beyond
that spread (Spiegelhalter 2005, Stat Med 24:1185, doi:10.1002/sim.1970).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import expit, ndtr

from outcomes.errors import DataError, ModelError, check_between
from outcomes.network.mean_course import read_sums
from outcomes.network.pooled_fit import fit_sums
from outcomes.network.results import NetworkReview
from outcomes.network.stages import read_part, write_part
from outcomes.network.tally import Tally
from outcomes.results import Claim
from outcomes.statistics.effect_size import benjamini_hochberg
from outcomes.statistics.service import age_bands
from outcomes.statistics.service.funnel import funnel_lines

__all__ = [
    "CASE_MIX",
    "ClinicComparison",
    "all_clinics",
    "clinic_cells",
    "clinic_courses",
    "compare_clinics",
    "count_cells",
]

#: What clients are told apart by.
CASE_MIX = ["start", "age", "onset", "complaint"]
#: Upper ends of the bands of start values, in standard deviations around the mean (fifths).
_START = np.array([-0.8416, -0.2533, 0.2533, 0.8416])
#: Upper ends of the bands of weeks of symptoms: acute, subacute, chronic; common practice.
_ONSET = np.array([6.0, 13.0, 52.0])
_ONSET_NAMES = np.array(["under 6 weeks", "6 to 12 weeks", "13 to 51 weeks", "a year and more"])
_CELL_COLUMNS = ["clinic", "start_date", "start_value", "improvement", "detectable", "in_quarter"]
_CELL_COLUMNS += ["birth_year", "onset_weeks", "complaint"]
#: Bands with fewer clients, or where all or none gained, join the commonest one.
_LEAST = 25


@dataclass(frozen=True, eq=False, kw_only=True)
class ClinicComparison(Claim):
    """The clinics of a network in one measure.

    Attributes
    ----------
    funnel : DataFrame
        clinic, n, count, share, expected_share, adjusted_share (overall share times O / E),
        statistic (z), p_value, p_adjusted, position, flagged.
    drawn : DataFrame
        The same with the columns of `share_funnel`, for its figure.
    effects : DataFrame
        clinic, term, estimate, conditional_sd: how a clinic's mean course differs from all, drawn
        towards them; empty where it could not be fitted.
    spread : DataFrame
        term, sd: standard deviation among clinics of mean starts and mean gains.
    dispersion : float
        phi; 1 where clinics differ no more than chance.
    false_share : float
        Share of false flags allowed among those shown.
    adjusted_for : str
        Case mix that was used.
    """

    funnel: pd.DataFrame
    drawn: pd.DataFrame
    effects: pd.DataFrame
    spread: pd.DataFrame
    dispersion: float
    false_share: float
    adjusted_for: str

    @property
    def words(self) -> str:
        """Say what was done, in a sentence."""
        wider = (
            f" Clinics spread {np.sqrt(self.dispersion):.1f} times as widely as chance makes them; "
            "limits are widened by that."
            if self.dispersion > 1
            else " Clinics spread no more widely than chance makes them."
        )
        return f"Adjusted for {self.adjusted_for or 'nothing: no case mix is recorded'}.{wider}"


def count_cells(task: tuple[str, float, float], prefix: str) -> Tally:
    """Count clients and detectable gains of a partition, by clinic and case mix.

    `task` is the file of verdicts by cut-off, and mean and SD of start values.
    Leaves ``cells``.
    """
    path, mean, sd = task
    rows = read_part(path, _CELL_COLUMNS, coded=["clinic", "complaint"])
    rows = rows[rows["in_quarter"] & rows["detectable"].notna()]
    cells = case_mix_cells(rows, mean=mean, sd=sd)
    write_part(prefix, "cells", cells)
    return {"n": int(cells["n"].sum())}


def case_mix_cells(rows: pd.DataFrame, *, mean: float, sd: float) -> pd.DataFrame:
    """Count n clients and the count with a detectable gain, by clinic and case mix."""
    unknown = "not recorded"
    born = rows["birth_year"].to_numpy(float, na_value=np.nan)
    age = age_bands(pd.Series(rows["start_date"].dt.year.to_numpy() - born))
    onset = rows["onset_weeks"].to_numpy(float, na_value=np.nan)
    band = _ONSET_NAMES[np.searchsorted(_ONSET, onset, side="right").clip(0, 3)]
    place = np.searchsorted(_START, (rows["start_value"].to_numpy(float) - mean) / max(sd, 1e-12))
    frame = pd.DataFrame(
        {
            "clinic": rows["clinic"].to_numpy(),
            "start": np.array([f"fifth {i}" for i in range(1, 6)])[place],
            "age": np.where(np.isfinite(born), age.fillna(unknown).to_numpy(), unknown),
            "onset": np.where(np.isfinite(onset), band, unknown),
            "complaint": rows["complaint"].fillna(unknown).to_numpy(),
            "n": 1,
            "count": (rows["detectable"].astype(bool) & (rows["improvement"] > 0)).to_numpy(int),
        }
    )
    return frame.groupby(["clinic", *CASE_MIX], sort=True)[["n", "count"]].sum().reset_index()


def compare_clinics(
    cells: pd.DataFrame,
    *,
    effects: pd.DataFrame | None = None,
    spread: pd.DataFrame | None = None,
    false_share: float = 0.05,
) -> ClinicComparison:
    """Set each clinic's share of clients with a detectable gain against what its clients lead to.

    Use for a network's clinics over a quarter or more. Do not use to rank.

    Parameters
    ----------
    cells : DataFrame
        clinic, the columns of `CASE_MIX`, n and count; cells of one clinic may repeat.
    effects, spread : DataFrame, optional
        From `clinic_courses`.
    false_share : float
        Share of false flags allowed among those shown, in (0, 1).

    Returns
    -------
    ClinicComparison

    Raises
    ------
    DataError
        If there are fewer than 5 clinics, or nobody (or everybody) gained.

    Examples
    --------
    >>> cells = pd.DataFrame({"clinic": list("abcdef"), "n": 100, "count": [40] * 5 + [75]})
    >>> same = dict.fromkeys(CASE_MIX, "all")
    >>> found = compare_clinics(cells.assign(**same)).funnel
    >>> found.loc[found["flagged"], "clinic"].tolist()
    ['f']
    """
    check_between("false_share", false_share, 0, 1, remedy="Give 0.05")
    counts = cells.groupby("clinic")[["n", "count"]].sum()
    total, gained = float(counts["n"].sum()), float(counts["count"].sum())
    if len(counts) < 5 or not 0 < gained < total:
        raise DataError(
            f"a comparison of clinics must have at least 5 of them, and clients with and without "
            f"a detectable gain; there are {len(counts)} clinics. Choose a longer period."
        )
    chance, terms = _expected(cells)
    each = cells.assign(e=cells["n"] * chance, v=cells["n"] * chance * (1 - chance))
    expected = each.groupby("clinic")[["e", "v"]].sum()
    z = ((counts["count"] - expected["e"]) / np.sqrt(expected["v"])).to_numpy()
    phi = _dispersion(z)
    p = 2 * ndtr(-np.abs(z) / np.sqrt(phi))
    target = gained / total
    ratio = (counts["count"] / expected["e"]).to_numpy()
    adjusted = benjamini_hochberg(p)
    funnel = pd.DataFrame(
        {
            "clinic": counts.index,
            "n": counts["n"].to_numpy(),
            "count": counts["count"].to_numpy(),
            "share": (counts["count"] / counts["n"]).to_numpy(),
            "expected_share": (expected["e"] / counts["n"]).to_numpy(),
            "adjusted_share": np.clip(target * ratio, 0, 1),
            "statistic": z,
            "p_value": p,
            "p_adjusted": adjusted,
            "position": np.select([p < 0.002, p < 0.05], ["beyond 99.8%", "beyond 95%"], "inside"),
            "flagged": adjusted <= false_share,
        }
    ).reset_index(drop=True)
    lines = funnel_lines(funnel["n"], theta=target, dispersion=phi).drop(columns="n")
    drawn = funnel.assign(
        group=funnel["clinic"], share=funnel["adjusted_share"], target=target, dispersion=phi
    )
    none = pd.DataFrame()
    return ClinicComparison(
        funnel=funnel,
        drawn=pd.concat([drawn, lines], axis=1),
        effects=none if effects is None else effects,
        spread=none if spread is None else spread,
        dispersion=phi,
        false_share=false_share,
        adjusted_for=", ".join(terms),
    )


def _expected(cells: pd.DataFrame) -> tuple[np.ndarray, list[str]]:
    """Give each cell's chance of a gain from a logistic model on the case mix, by Newton steps."""
    columns, terms = [np.ones(len(cells))], []
    n, count = cells["n"].to_numpy(float), cells["count"].to_numpy(float)
    for name in CASE_MIX:
        sums = cells.groupby(name)[["n", "count"]].sum().sort_values("n", ascending=False)
        usable = (sums["n"] >= _LEAST) & (sums["count"] > 0) & (sums["count"] < sums["n"])
        levels = sums.index[usable.to_numpy()][1:]
        columns += [(cells[name] == level).to_numpy(float) for level in levels]
        terms += [name] if len(levels) else []
    x = np.column_stack(columns)
    beta = np.zeros(x.shape[1])
    beta[0] = np.log(count.sum() / (n.sum() - count.sum()))
    for _ in range(50):
        p = expit(x @ beta)
        left = (x * (n * p * (1 - p))[:, None]).T @ x
        step = np.linalg.lstsq(left, x.T @ (count - n * p), rcond=1e-10)[0]
        beta += step
        if np.abs(step).max() < 1e-10:
            return expit(x @ beta), [_WORDS[name] for name in terms]
    raise ModelError(
        "the model of the case mix must reach its maximum; it did not. Compare more clients."
    )


_WORDS = {
    "start": "start value",
    "age": "age",
    "onset": "weeks of symptoms",
    "complaint": "complaint",
}


def _dispersion(z: np.ndarray, trim: float = 0.1) -> float:
    low, high = np.quantile(z, [trim, 1 - trim])
    phi = float(np.mean(np.clip(z, low, high) ** 2))
    return phi if phi > 1 + 2 * np.sqrt(2 / z.size) else 1.0


def clinic_courses(files: Sequence[str], *, centre: float) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Fit random starts and gains of clinics around the mean course, clients nested in them.

    Every series counts: some 3 seconds of processor and 0.5 GB a million of them.

    Parameters
    ----------
    files : sequence of str
        What the stage of the mean course left.
    centre : float
        What was taken off the values there.

    Returns
    -------
    effects : DataFrame
        clinic, term (Intercept: start; time: gain to come in the end), estimate, conditional_sd.
    spread : DataFrame
        term, sd, as `effects`.
    """
    data, names = read_sums(files, centre)
    fit = fit_sums(data, outer_random="1 + time", degrees_of_freedom="normal")
    effects = fit.client_effects(level="clinic")
    effects["clinic"] = np.asarray(names, dtype=object)[effects["clinic"].to_numpy(int)]
    g = fit.random_covariances["clinic"]
    spread = pd.DataFrame({"term": g.index, "sd": np.sqrt(np.diagonal(g.to_numpy()))})
    return effects, spread


def clinic_cells(review: NetworkReview) -> dict[str, pd.DataFrame]:
    """Count the clients of a reviewed network by clinic and case mix, measure by measure."""
    found: dict[str, pd.DataFrame] = {}
    for m in review.measures:
        code = m.measure.code
        tasks = [(path, *m.start) for path in review.rows.left("judged", code)]
        review.rows.over(f"cells-{code}", count_cells, tasks)
        files = review.rows.stages.files(f"cells-{code}", "cells")
        found[code] = pd.concat([read_part(path) for path in files], ignore_index=True)
    return found


def all_clinics(
    review: NetworkReview, cells: Mapping[str, pd.DataFrame]
) -> dict[str, ClinicComparison]:
    """Compare the clinics of a reviewed network by their `clinic_cells`; skip what cannot be.

    No worker is needed: close the engine first, and their memory is free for the fits.
    """
    found: dict[str, ClinicComparison] = {}
    stages = review.rows.stages
    for m in review.measures:
        code = m.measure.code
        effects = spread = None
        files = stages.files(f"sums-{code}", "course")
        try:
            if files:
                centre = review.rows.models[code].centre
                effects, spread = clinic_courses(files, centre=centre)
        except (DataError, ModelError):
            effects = spread = None
        try:
            found[code] = compare_clinics(cells[code], effects=effects, spread=spread)
        except (DataError, ModelError):
            continue
    return found
