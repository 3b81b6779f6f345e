"""Plans under doubt: power averaged over inputs that are not known, and power over sizes.

Power at one guessed difference and standard deviation promises too much. Assurance draws the
inputs from what is plausible and averages the power: the chance, seen from today, that the study
will show something.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import stats

from outcomes.errors import ArgumentError, check_between, check_count
from outcomes.results import Claim

__all__ = ["Assurance", "assurance", "draw_inputs", "power_curve"]


@dataclass(frozen=True, eq=False, kw_only=True)
class Assurance(Claim):
    """Power under uncertain inputs.

    Attributes
    ----------
    assurance : float
        Mean power over the draws.
    power_low, power_median, power_high : float
        10%, 50% and 90% of the power over the draws.
    chance_of_80 : float
        Share of the draws with a power of at least 80%.
    draws : DataFrame
        The inputs drawn, with their power.
    """

    assurance: float
    power_low: float
    power_median: float
    power_high: float
    chance_of_80: float
    draws: pd.DataFrame = field(repr=False)


def draw_inputs(
    *,
    rng: np.random.Generator,
    draws: int = 1000,
    between: Mapping[str, tuple[float, float]],
    central: float = 0.8,
) -> pd.DataFrame:
    """Draw uncertain inputs from the range that one believes in.

    Parameters
    ----------
    rng : numpy Generator
        Source of the draws.
    draws : int
        Number of draws.
    between : mapping of str to (low, high)
        For each input the two values between which it lies with chance `central`. Names ending
        in ``sd`` are drawn log-normal (and must be above 0), names ending in ``icc``,
        ``correlation`` or ``share`` normal on the logit scale (and must lie in (0, 1)), others
        normal.
    central : float
        Chance to lie between low and high, in (0, 1).

    Returns
    -------
    DataFrame
        One column per input, one row per draw, independent of each other.

    Raises
    ------
    ArgumentError
        If low is not below high, or a value lies outside its scale.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> inputs = draw_inputs(rng=rng, draws=4000, between={"difference": (3, 7), "sd": (8, 14)})
    >>> share = ((inputs["sd"] > 8) & (inputs["sd"] < 14)).mean()
    >>> bool(abs(share - 0.8) < 0.03)
    True
    """
    draws = check_count("draws", draws)
    central = check_between("central", central, 0, 1, remedy="Give 0.8")
    reach = float(stats.norm.ppf(0.5 + central / 2))
    columns = {}
    for name, (low, high) in between.items():
        if not (np.isfinite([low, high]).all() and low < high):
            raise ArgumentError(f"{name} must have a low value below its high one.")
        if name.endswith("sd"):
            into, back, inside = np.log, np.exp, low > 0
        elif name.endswith(("icc", "correlation", "share")):
            into, back, inside = _logit, _expit, 0 < low and high < 1
        else:
            into, back, inside = np.asarray, np.asarray, True
        if not inside:
            raise ArgumentError(f"{name} must lie inside its scale, got {low!r} and {high!r}.")
        a, b = float(into(low)), float(into(high))
        columns[name] = back(rng.normal((a + b) / 2, (b - a) / 2 / reach, draws))
    return pd.DataFrame(columns)


def assurance(power: Callable[..., float], inputs: pd.DataFrame) -> Assurance:
    """Average the power of a design over uncertain inputs.

    Parameters
    ----------
    power : callable
        Takes the columns of `inputs` as keywords and gives the power, as
        ``partial(power_two_groups, 64)``.
    inputs : DataFrame
        From `draw_inputs`, or draws of one's own.

    Returns
    -------
    Assurance

    Raises
    ------
    ArgumentError
        If `inputs` has no rows.

    References
    ----------
    O'Hagan, Stevens & Campbell 2005, Pharm Stat 4:187, doi:10.1002/pst.175.

    Examples
    --------
    >>> from functools import partial
    >>> from outcomes.statistics.planning import power_two_groups
    >>> rng = np.random.default_rng(1)
    >>> inputs = draw_inputs(rng=rng, draws=200, between={"difference": (2, 8), "sd": (8, 12)})
    >>> found = assurance(partial(power_two_groups, 64), inputs)
    >>> found.assurance < power_two_groups(64, difference=5, sd=10)
    True

    Checked against: the closed form for a normal prior (test_planning_assurance).
    """
    if len(inputs) == 0:
        raise ArgumentError("inputs must have at least one row. Draw them with draw_inputs.")
    names = [str(name) for name in inputs.columns]
    values = np.array(
        [power(**dict(zip(names, row, strict=True))) for row in inputs.to_numpy(float)]
    )
    low, middle, high = np.quantile(values, [0.1, 0.5, 0.9])
    return Assurance(
        assurance=float(values.mean()),
        power_low=float(low),
        power_median=float(middle),
        power_high=float(high),
        chance_of_80=float((values >= 0.8).mean()),
        draws=inputs.assign(power=values),
    )


def power_curve(power: Callable[[int], float], *, sizes: Sequence[int]) -> pd.DataFrame:
    """Give the power over a range of sizes, for a figure.

    Parameters
    ----------
    power : callable
        Takes n and gives the power, as ``partial(power_paired, difference=5, sd=12)``.
    sizes : sequence of int
        Values of n.

    Returns
    -------
    DataFrame
        n, power.

    Examples
    --------
    >>> from functools import partial
    >>> from outcomes.statistics.planning import power_paired
    >>> curve = power_curve(partial(power_paired, difference=0.5, sd=1), sizes=[20, 34])
    >>> curve["power"].round(2).tolist()
    [0.56, 0.81]
    """
    return pd.DataFrame({"n": list(sizes), "power": [float(power(int(n))) for n in sizes]})


def _logit(value: float) -> float:
    return float(np.log(value / (1 - value)))


def _expit(value: np.ndarray) -> np.ndarray:
    return 1 / (1 + np.exp(-value))
