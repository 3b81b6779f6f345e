"""What a grid of analyses says as a whole: do they agree, and which choice moves them most."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.errors import ModelError
from outcomes.results import Claim
from outcomes.statistics.sensitivity.choices import CHOICES

__all__ = ["Agreement", "agreement", "choices_that_move"]


@dataclass(frozen=True, eq=False, kw_only=True)
class Agreement(Claim):
    """How far the analyses agree.

    Attributes
    ----------
    n_analyses, n_failed : int
        Analyses declared; and those that could not be run.
    main_estimate, main_low, main_high : float
        Mean improvement in the main analysis (the first option of every choice).
    main_verdict : str
        Its verdict.
    lowest, median, highest : float
        Of the mean improvement over the analyses.
    share_same_sign : float
        Share of analyses whose improvement has the sign of the main one.
    share_same_verdict : float
        Share with the main verdict.
    share_excluding_zero : float
        Share whose interval excludes zero on the side of the main one.
    moves_most : str
        The choice that moves the improvement most.
    moves_verdict_most : str
        The choice that changes the verdict most often.
    """

    n_analyses: int
    n_failed: int
    main_estimate: float
    main_low: float
    main_high: float
    main_verdict: str
    lowest: float
    median: float
    highest: float
    share_same_sign: float
    share_same_verdict: float
    share_excluding_zero: float
    moves_most: str
    moves_verdict_most: str


def agreement(grid: pd.DataFrame) -> Agreement:
    """Sum up how far the analyses agree in sign and in verdict.

    Parameters
    ----------
    grid : DataFrame
        From `run_grid`.

    Returns
    -------
    Agreement

    Raises
    ------
    ModelError
        If the main analysis could not be run.

    Examples
    --------
    >>> from outcomes.statistics.sensitivity import VERDICTS
    >>> grid = pd.DataFrame({name: ["x", "x"] for name in CHOICES})
    >>> grid["course"] = ["a", "b"]
    >>> grid = grid.assign(estimate=[5.0, 3.0], ci_low=[2.0, -1.0], ci_high=[8.0, 7.0])
    >>> grid["verdict"] = [VERDICTS[1], VERDICTS[3]]
    >>> found = agreement(grid)
    >>> found.share_same_sign, found.share_same_verdict, found.moves_most
    (1.0, 0.5, 'course')
    """
    main = grid.iloc[0]
    if not np.isfinite(main["estimate"]):
        raise ModelError(
            "the main analysis must be possible, and it is not. "
            "Put another option first, or choose a measure with more clients."
        )
    run = grid[grid["estimate"].notna()]
    side = np.sign(main["estimate"])
    clear = run["ci_low"] > 0 if side > 0 else run["ci_high"] < 0
    moves = choices_that_move(grid)
    return Agreement(
        n_analyses=len(grid),
        n_failed=len(grid) - len(run),
        main_estimate=float(main["estimate"]),
        main_low=float(main["ci_low"]),
        main_high=float(main["ci_high"]),
        main_verdict=str(main["verdict"]),
        lowest=float(run["estimate"].min()),
        median=float(run["estimate"].median()),
        highest=float(run["estimate"].max()),
        share_same_sign=float((np.sign(run["estimate"]) == side).mean()),
        share_same_verdict=float((run["verdict"] == main["verdict"]).mean()),
        share_excluding_zero=float(clear.mean()),
        moves_most=_top(moves, "shift"),
        moves_verdict_most=_top(moves, "verdicts_changed"),
    )


def choices_that_move(grid: pd.DataFrame) -> pd.DataFrame:
    """Say which choice moves the headline most.

    Parameters
    ----------
    grid : DataFrame
        From `run_grid`.

    Returns
    -------
    DataFrame
        Choices with at least two options, the one that moves most first: choice, n_options,
        shift (largest less smallest mean of the improvement over the options), share_of_variance
        (of the improvement, explained by this choice alone), verdicts_changed (share of pairs of
        analyses that differ in this choice only and disagree in verdict).

    Examples
    --------
    >>> grid = pd.DataFrame({"course": [*"aabb"], "missing": [*"cdcd"]})
    >>> grid = grid.assign(estimate=[1.0, 2.0, 5.0, 6.0], verdict=["x", "x", "y", "y"])
    >>> choices_that_move(grid)["choice"].tolist()
    ['course', 'missing']
    """
    run = grid[grid["estimate"].notna()]
    names = [name for name in CHOICES if name in run and run[name].nunique() > 1]
    total = float(run["estimate"].var(ddof=0)) if len(run) else 0.0
    found = []
    for name in names:
        means = run.groupby(name)["estimate"].transform("mean")
        others = [other for other in names if other != name]
        found.append(
            {
                "choice": name,
                "n_options": int(run[name].nunique()),
                "shift": float(np.ptp(means)),
                "share_of_variance": float(means.var(ddof=0) / total) if total > 0 else 0.0,
                "verdicts_changed": _disagreeing(run, others),
            }
        )
    columns = ["choice", "n_options", "shift", "share_of_variance", "verdicts_changed"]
    table = pd.DataFrame(found, columns=columns)
    return table.sort_values(
        ["shift", "verdicts_changed"], ascending=False, kind="stable"
    ).reset_index(drop=True)


def _top(moves: pd.DataFrame, by: str) -> str:
    """Name the choice with the largest entry; none where no choice moves anything."""
    if moves.empty or moves[by].max() <= 0:
        return ""
    return str(moves.loc[moves[by].idxmax(), "choice"])


def _disagreeing(run: pd.DataFrame, others: list[str]) -> float:
    """Give the share of pairs with equal other choices whose verdicts differ."""
    alike = run[others].assign(verdict=run["verdict"], n=1.0)
    sizes = alike.groupby([*others, "verdict"], sort=False, as_index=False)["n"].sum()
    whole = sizes.groupby(others, sort=False)["n"].sum() if others else sizes["n"].sum()
    pairs = float(np.sum(np.asarray(whole) * (np.asarray(whole) - 1))) / 2
    differing = float(np.sum(np.asarray(whole) ** 2) - np.sum(sizes["n"] ** 2)) / 2
    return differing / pairs if pairs else 0.0
