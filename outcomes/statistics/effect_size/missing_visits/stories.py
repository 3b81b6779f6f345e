"""Several stories of those who left, over the whole course of visits. Notation: the package.

With ``l`` the last visit a client was seen at, ``dev_k`` the drawn deviation of a missing reading
from its own mean given the client's readings, and ``r_k`` what untreated people would have gained
by visit k, a missing reading after leaving is drawn around

    at random                 mu_k
    worse by delta            mu_k - delta, or mu_k - delta (k - l) where it grows
    copy increments           mu_l + r_k - r_l      the gain so far is kept, no more is added
    jump to reference         mu_1 + r_k            the gain is lost at once

A gap before the last visit is always at random.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from outcomes.errors import ArgumentError, check_between, check_choice, check_count
from outcomes.results import Claim
from outcomes.statistics.effect_size.imputation import Pooled, pool_imputations
from outcomes.statistics.effect_size.missing_visits._grid import Grid, grid_of
from outcomes.statistics.effect_size.missing_visits._model import (
    Drawn,
    JointNormal,
    draw_deviations,
    fit_joint_normal,
)

__all__ = ["STORIES", "CourseImputations", "course_sensitivity", "impute_course"]

#: Stories by name, and what each says of those who left.
STORIES: dict[str, str] = {
    "at random": "leavers went on like those who had fared alike",
    "copy increments": "leavers kept their gain and gained no more",
    "jump to reference": "leavers lost their gain on leaving",
}


@dataclass(frozen=True, eq=False, kw_only=True)
class CourseImputations(Claim):
    """A caseload's course with its missing readings drawn many times.

    Attributes
    ----------
    n, n_visits, n_imputations : int
        Clients with a first reading, planned visits, completed sets.
    n_without_start : int
        Clients left out because they have no first reading.
    visits : ndarray
        Planned visit numbers.
    likely_means, likely_covariance : ndarray
        Visit means by likelihood (higher is better), missing at random, and their covariance.
    share_left : ndarray
        Share of clients who had left by each visit.
    """

    n: int
    n_visits: int
    n_imputations: int
    n_without_start: int
    visits: np.ndarray = field(repr=False)
    likely_means: np.ndarray = field(repr=False)
    likely_covariance: np.ndarray = field(repr=False)
    share_left: np.ndarray = field(repr=False)
    _grid: Grid = field(repr=False)
    _drawn: Drawn = field(repr=False)

    def complete(self, story: str = "at random", *, untreated_gain: Any = 0.0) -> np.ndarray:
        """Give the completed readings (set x client x visit), higher is better.

        Parameters
        ----------
        story : str
            One of `STORIES`.
        untreated_gain : float or one per planned visit
            Mean improvement of untreated people since the first visit; one number is reached in
            even steps at the last.
        """
        check_choice("story", story, STORIES)
        grid, drawn = self._grid, self._drawn
        mu = np.broadcast_to(drawn.means[:, None, :], drawn.deviations.shape)
        if story != "at random":
            gain = _untreated(untreated_gain, self.n_visits)
            if story == "jump to reference":
                after = drawn.means[:, :1, None] + gain
            else:
                after = drawn.means[:, grid.last, None] + gain - gain[grid.last, None]
            mu = np.where(grid.after_leaving, after, mu)
        return np.where(grid.seen, grid.y, mu + drawn.deviations)

    def leaving_weight(self, *, grows: bool = False) -> np.ndarray:
        """Give how often delta counts (client x visit): 1, or visits since leaving."""
        since = np.arange(self.n_visits) - self._grid.last[:, None]
        return np.where(self._grid.after_leaving, since if grows else 1.0, 0.0)

    def pooled(self, completed: np.ndarray, at: int) -> Pooled:
        """Pool the mean improvement from the first to a planned visit (by its place)."""
        gain = completed[..., at] - completed[..., 0]
        return pool_imputations(
            gain.mean(axis=1), gain.var(axis=1, ddof=1) / self.n, complete_df=self.n - 1
        )


def impute_course(
    values: pd.DataFrame,
    *,
    rng: np.random.Generator,
    better: str = "higher",
    visits: Sequence[int] | None = None,
    least_share: float = 0.5,
    n_imputations: int = 100,
) -> CourseImputations:
    """Draw the missing visits of every client many times, given the client's own visits.

    Use for analyses of your own on completed sets; `course_sensitivity` does the usual one.

    Parameters
    ----------
    values, visits, least_share
        As `missing_patterns`; at least 3 planned visits.
    rng : numpy.random.Generator
        Where the draws come from.
    better : ``"higher"`` or ``"lower"``
        The good direction.
    n_imputations : int
        At least 20.

    Returns
    -------
    CourseImputations

    Raises
    ------
    DataError
        As `missing_patterns`, or with fewer than 3 planned visits.

    Notes
    -----
    Proper: variances are drawn from their posterior (flat on SDs and log scatter; importance
    resampling), then visit means, then each client's start and slope given its readings, then the
    missing readings. A missing visit has the median time of its number.

    References
    ----------
    Schafer & Yucel (2002) J Comput Graph Stat 11:437-457, doi:10.1198/106186002760180608.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> client, visit = np.repeat(np.arange(40), 4), np.tile(np.arange(1, 5), 40)
    >>> values = pd.DataFrame({"client": client, "visit": visit, "week": visit - 1.0,
    ...     "value": rng.normal(50, 8, 40)[client] + 2 * visit + rng.normal(0, 2, 160)})
    >>> sets = impute_course(values[(client > 9) | (visit < 3)], rng=rng, n_imputations=20)
    >>> sets.complete("jump to reference").shape
    (20, 40, 4)

    Checked against: `fit_mixed_model` with a mean per visit, and conditional normal moments.
    """
    n_imputations = check_count("n_imputations", n_imputations, least=20)
    grid = grid_of(values, visits=visits, least_share=least_share, better=better)
    fit = fit_joint_normal(grid)
    drawn = draw_deviations(fit, grid, rng, n_imputations=n_imputations)
    return _bundle(grid, fit, drawn)


def _bundle(grid: Grid, fit: JointNormal, drawn: Drawn) -> CourseImputations:
    return CourseImputations(
        n=len(grid.y),
        n_visits=grid.visits.size,
        n_imputations=len(drawn.means),
        n_without_start=grid.n_without_start,
        visits=grid.visits,
        likely_means=fit.means,
        likely_covariance=fit.covariance,
        share_left=grid.after_leaving.mean(axis=0),
        _grid=grid,
        _drawn=drawn,
    )


def course_sensitivity(
    sets: CourseImputations,
    *,
    deltas: tuple[float, ...] = (),
    grows: bool = False,
    untreated_gain: Any = 0.0,
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Show the mean improvement at every planned visit under several stories of the leavers.

    Use beside the main answer; choose the stories before the result is seen. Without a comparison
    group the reference is what `untreated_gain` says, not something that these data show.

    Parameters
    ----------
    sets : CourseImputations
        From `impute_course`.
    deltas : tuple of float
        How much worse than those who had fared alike leavers are, in the measure's unit.
    grows : bool
        Whether delta is added again at every visit after leaving.
    untreated_gain : float or one per planned visit
        Mean improvement of untreated people since the first visit, for the reference-based rows.
    confidence : float
        Level in (0, 1).

    Returns
    -------
    DataFrame
        Rows per story and visit after the first: ``by likelihood``, then `STORIES`, then deltas.
        Columns `visit`, `quantity`, `delta`, `estimate`, `standard_error`, interval, `df`,
        `share_missing_information`, `n`, `method`.

    Raises
    ------
    ArgumentError
        If an argument is outside its range.

    Notes
    -----
    Means: head of this module. Carpenter, Roger & Kenward take the reference arm's means; here the
    reference is the starting level plus `untreated_gain`. Rubin's rules with Barnard and Rubin's
    df; for reference-based rows Rubin's variance keeps the share of information that missing at
    random loses (information-anchored), and is wider than repeated sampling would be.

    References
    ----------
    Carpenter, Roger & Kenward (2013) J Biopharm Stat 23:1352-1371,
    doi:10.1080/10543406.2013.834911. Cro, Carpenter & Kenward (2019) J R Stat Soc A 182:623-645,
    doi:10.1111/rssa.12423.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> client, visit = np.repeat(np.arange(40), 4), np.tile(np.arange(1, 5), 40)
    >>> values = pd.DataFrame({"client": client, "visit": visit, "week": visit - 1.0,
    ...     "value": rng.normal(50, 8, 40)[client] + 2 * visit + rng.normal(0, 2, 160)})
    >>> sets = impute_course(values[(client > 9) | (visit < 3)], rng=rng)
    >>> rows = course_sensitivity(sets).query("visit == 4").set_index("quantity")["estimate"]
    >>> rows.iloc[1:].is_monotonic_decreasing
    True

    Checked against: the likelihood's own visit means within Monte Carlo error; the closed form of
    the reference means; coverage in tests/evidence.
    """
    check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    for delta in deltas:
        if not np.isfinite(delta):
            raise ArgumentError(f"deltas must be numbers, got {delta!r}.")
    upper = 1 - (1 - confidence) / 2
    rows = []
    for k in range(1, sets.n_visits):
        estimate = float(sets.likely_means[k] - sets.likely_means[0])
        v = sets.likely_covariance
        error = float(np.sqrt(v[k, k] + v[0, 0] - 2 * v[0, k]))
        df = float(max(np.sum(sets._grid.seen[:, k]) - 1, 1))
        half = float(stdtrit(df, upper)) * error
        rows.append((sets.visits[k], "by likelihood, missing at random", 0.0, estimate, error,
                     estimate - half, estimate + half, df, np.nan,
                     "REML, a mean per visit and a start and slope per client"))  # fmt: skip
    method = f"multiple imputation of the course, {sets.n_imputations} sets, Rubin's rules"
    random = sets.complete()
    weight = sets.leaving_weight(grows=grows)
    stories = [(words, 0.0, random) for name, words in STORIES.items() if name == "at random"]
    stories += [
        (words, 0.0, sets.complete(name, untreated_gain=untreated_gain))
        for name, words in STORIES.items()
        if name != "at random"
    ]
    more = " more at every visit" if grows else ""
    stories += [(f"leavers worse by {d:g}{more}", d, random - d * weight) for d in deltas]
    for words, delta, completed in stories:
        for k in range(1, sets.n_visits):
            p = sets.pooled(completed, k)
            half = float(stdtrit(p.df, upper)) * p.standard_error
            rows.append((sets.visits[k], words, delta, p.estimate, p.standard_error,
                         p.estimate - half, p.estimate + half, p.df,
                         p.share_missing_information, method))  # fmt: skip
    columns = ["visit", "quantity", "delta", "estimate", "standard_error", "ci_low", "ci_high",
               "df", "share_missing_information", "method"]  # fmt: skip
    return pd.DataFrame(rows, columns=pd.Index(columns)).assign(ci_level=confidence, n=sets.n)


def _untreated(gain: Any, n_visits: int) -> np.ndarray:
    """Give the untreated gain per planned visit, none at the first."""
    found = np.asarray(gain, float)
    if found.ndim == 0:
        found = float(found) * np.arange(n_visits) / (n_visits - 1)
    if found.shape != (n_visits,) or not np.isfinite(found).all() or found[0] != 0:
        raise ArgumentError(
            f"untreated_gain must be one number, or one per planned visit ({n_visits}) with 0 at "
            "the first."
        )
    return found
