"""How large a repeatability afternoon must be: precision of the detectable change.

Notation
--------
s, nu     standard error of measurement and its degrees of freedom; nu s^2 / sigma^2 is chi-square
within    relative distance that is good enough: 0.20 for "known to within 20%"
chance    that the study's estimate falls that close to the truth

The detectable change is a constant times s, so what holds for one holds for the other.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy.special import chdtr, chdtri

from outcomes.errors import ArgumentError, check_between, check_count, check_positive
from outcomes.statistics.repeatability.analysis_of_variance import RESIDUAL, crossed_mean_squares
from outcomes.statistics.repeatability.error_design import comparison
from outcomes.statistics.repeatability.mean_square_interval import mean_square_interval

__all__ = ["clients_needed", "simulate_precision", "study_precision"]


def study_precision(
    *,
    clients: int,
    raters: int = 1,
    trials: int = 2,
    within: float = 0.20,
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Say how well a study of this size will know the same-rater error and detectable change.

    Use it for one rater's own repeats, pooled over raters. For the error between raters use
    `simulate_precision`: with two or three raters that is another matter altogether.

    Parameters
    ----------
    clients, raters, trials : int
        Every client measured by every rater, `trials` times.
    within : float, default 0.20
    confidence : float, default 0.95
        Level of the interval that the study will give.

    Returns
    -------
    DataFrame
        One row: n, n_raters, trials_averaged (trials per rater), df, share (chance that the
        estimate lies within the distance), expected_low and expected_high (ends of the interval
        over the estimate), confidence, method.

    Raises
    ------
    ArgumentError

    Notes
    -----
    nu = clients * raters * (trials - 1); exact chi-square.

    References
    ----------
    Bland & Altman 1996, BMJ 313:744; 95% limits of a standard deviation by chi-square: any
    textbook of statistics.

    Examples
    --------
    >>> study_precision(clients=24, raters=2, trials=2)["share"].round(3).tolist()
    [0.951]
    """
    df = (
        check_count("clients", clients)
        * check_count("raters", raters)
        * (check_count("trials", trials, least=2, remedy="Repeat each reading once") - 1)
    )
    distance = check_between("within", within, 0, 1, remedy="Give 0.20 for 20%")
    level = check_between("confidence", confidence, 0, 1, remedy="Give 0.95 for 95%")
    return pd.DataFrame(
        [
            {
                "n": clients,
                "n_raters": raters,
                "trials_averaged": trials,
                "df": df,
                "share": _chance(df, distance),
                "expected_low": float(np.sqrt(df / chdtri(df, (1 - level) / 2))),
                "expected_high": float(np.sqrt(df / chdtri(df, (1 + level) / 2))),
                "confidence": level,
                "method": "exact chi-square, same rater",
            }
        ]
    )


def clients_needed(
    *,
    within: float = 0.20,
    chance: float = 0.95,
    raters: Sequence[int] = (1, 2, 3),
    trials: Sequence[int] = (2, 3),
) -> pd.DataFrame:
    """Say how many clients make the detectable change known to within, say, 20%.

    Use it to plan the same-rater part of a study. Fewer clients with more trials reach the same
    degrees of freedom, but say less about clients in general: keep ten or more.

    Parameters
    ----------
    within : float, default 0.20
    chance : float, default 0.95
        Wanted chance that the estimate falls that close.
    raters, trials : sequence of int
        Combinations to list.

    Returns
    -------
    DataFrame
        n_raters, trials_averaged (trials per rater), n (clients), n_readings, df, share (chance
        reached), method; fewest readings first.

    Raises
    ------
    ArgumentError

    Examples
    --------
    >>> clients_needed(raters=[1], trials=[2, 3])[["trials_averaged", "n"]].values.tolist()
    [[3, 24], [2, 48]]
    """
    distance = check_between("within", within, 0, 1, remedy="Give 0.20 for 20%")
    wanted = check_between("chance", chance, 0, 1, remedy="Give 0.95 for 95%")
    df = 1
    while _chance(df, distance) < wanted:
        df = df + 1 if df < 2000 else int(df * 1.01)
        if df > 10_000_000:
            raise ArgumentError("within must be wider than this. Give 0.05 or more.")
    rows = []
    for m in raters:
        for k in trials:
            per_client = check_count("raters", m) * (check_count("trials", k, least=2) - 1)
            n = -(-df // per_client)
            rows.append(
                {
                    "n_raters": m,
                    "trials_averaged": k,
                    "n": n,
                    "n_readings": n * m * k,
                    "df": n * per_client,
                    "share": _chance(n * per_client, distance),
                    "method": "exact chi-square, same rater",
                }
            )
    return pd.DataFrame(rows).sort_values(["n_readings", "n"], ignore_index=True)


def simulate_precision(
    rng: np.random.Generator,
    *,
    clients: int,
    raters: int,
    trials: int,
    rater_sd: float,
    client_rater_sd: float,
    trial_sd: float,
    within: float = 0.20,
    confidence: float = 0.95,
    repeats: int = 4000,
) -> pd.DataFrame:
    """Say by simulation how well a study will know the same-rater and the other-rater error.

    Use it with the spreads that you expect; try several. The chance for the other-rater error
    depends above all on the number of raters.

    Parameters
    ----------
    rng : numpy Generator
    clients, raters, trials : int
        Crossed; two raters or more, two trials or more.
    rater_sd, client_rater_sd, trial_sd : float
        Standard deviations of raters' shifts, of a rater's habit with one client, and of trials.
    within, confidence : float
    repeats : int, default 4000
        Simulated studies.

    Returns
    -------
    DataFrame
        Rows same rater and another rater: question, standard_error_of_measurement (true), share
        (of studies within the distance), ci_low, ci_high (of that share, simulation error, 95%),
        expected_low, expected_high (median ends of the study's interval over its estimate),
        n, n_raters, trials_averaged, method.

    Raises
    ------
    ArgumentError

    Notes
    -----
    Normal effects; analysis-of-variance estimates (never below the residual's) and the intervals
    of `measurement_error`.

    Examples
    --------
    >>> rng = np.random.default_rng(4)
    >>> table = simulate_precision(rng, clients=20, raters=3, trials=2, rater_sd=1.5,
    ...     client_rater_sd=1.0, trial_sd=3.0, repeats=400)
    >>> bool(table["share"].iloc[0] > table["share"].iloc[1])
    True

    Checked against: `study_precision`, which is exact for the same rater.
    """
    n = check_count("clients", clients, least=2)
    m = check_count("raters", raters, least=2, remedy="Use study_precision for one rater")
    k = check_count("trials", trials, least=2)
    count = check_count("repeats", repeats, least=100)
    distance = check_between("within", within, 0, 1, remedy="Give 0.20 for 20%")
    level = check_between("confidence", confidence, 0, 1, remedy="Give 0.95 for 95%")
    check_positive("trial_sd", trial_sd)
    check_positive("rater_sd", rater_sd, zero=True)
    check_positive("client_rater_sd", client_rater_sd, zero=True)
    table = (
        rater_sd * rng.standard_normal((count, 1, m, 1))
        + client_rater_sd * rng.standard_normal((count, n, m, 1))
        + trial_sd * rng.standard_normal((count, n, m, k))
    )
    squares = crossed_mean_squares(table, ("client", "rater"))
    truth = {"rater": rater_sd**2, "client, rater": client_rater_sd**2, "residual": trial_sd**2}
    true_theta = np.array([truth.get(", ".join(t), 0.0) for t in squares.terms])
    residual = squares.mean_squares[:, squares.terms.index(RESIDUAL)]
    rows = []
    for rater, question in (("same", "same rater"), ("other", "another rater")):
        weights = comparison(rater=rater).weights(squares.terms)
        true = float(np.sqrt(weights @ true_theta))
        found = np.sqrt(np.maximum(squares.components @ weights, residual))
        low, high = mean_square_interval(
            squares.mean_squares, squares.df, weights @ squares.solve, confidence=level
        )
        close = np.abs(found / true - 1) <= distance
        share = float(close.mean())
        error = 1.96 * float(np.sqrt(share * (1 - share) / count))
        rows.append(
            {
                "question": question,
                "standard_error_of_measurement": true,
                "share": share,
                "ci_low": max(share - error, 0.0),
                "ci_high": min(share + error, 1.0),
                "expected_low": float(np.median(np.sqrt(np.maximum(low, 0.0)) / found)),
                "expected_high": float(np.median(np.sqrt(np.maximum(high, 0.0)) / found)),
                "n": n,
                "n_raters": m,
                "trials_averaged": k,
                "method": f"simulation, {count:,} studies",
            }
        )
    return pd.DataFrame(rows)


def _chance(df: int, within: float) -> float:
    """Chance that s lies within a share of sigma."""
    return float(chdtr(df, df * (1 + within) ** 2) - chdtr(df, df * (1 - within) ** 2))
