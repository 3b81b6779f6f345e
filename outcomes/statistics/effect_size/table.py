"""One table of every size of change of one group: what it asks, divides by, and rests on."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import check_between
from outcomes.statistics.effect_size.bootstrap import bootstrap_interval
from outcomes.statistics.effect_size.location import typical_change
from outcomes.statistics.effect_size.ordinal import chance_of_improving
from outcomes.statistics.effect_size.standardised import standardised_change

__all__ = ["effect_table"]

_COLUMNS = (
    "quantity question denominator estimate ci_low ci_high ci_level n unit method source".split()
)


def effect_table(
    pairs: pd.DataFrame,
    *,
    better: Any = None,
    confidence: float = 0.95,
    unit: str = "",
    rng: np.random.Generator | None = None,
    n_resamples: int = 10_000,
) -> pd.DataFrame:
    """Give every size of change of one group with the question that it answers.

    Use as an appendix: the raw mean change leads, the others are for comparison with other work. Do
    not pick the largest.

    Parameters
    ----------
    pairs : DataFrame
        One row a client with `start_value` and `latest_value`; at least 6 rows.
    better : ``"higher"``, ``"lower"``, one per row, or None
        The good direction; None takes the column `better`, or ``"higher"`` without one.
    confidence : float
        Level in (0, 1).
    unit : str
        Unit of the measure.
    rng : numpy.random.Generator or None
        With it, bootstrap rows are added (at least 10 clients).
    n_resamples : int
        Resamples of each bootstrap row.

    Returns
    -------
    DataFrame
        `quantity`, `question`, `denominator` (``"none"`` for raw sizes), `estimate`, interval,
        `n`, `unit`, `method`, `source`; the raw mean change first.

    Raises
    ------
    DataError
        If values are missing, fewer than 6 clients, or the changes are all the same.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> pairs = pd.DataFrame({"start_value": rng.normal(50, 9, 30)})
    >>> pairs["latest_value"] = pairs["start_value"] + rng.normal(6, 5, 30)
    >>> table = effect_table(pairs, unit="deg")
    >>> table["quantity"].tolist()[:3]
    ['mean', 'trimmed mean', 'Hodges-Lehmann']

    Checked against: the functions that it gathers.
    """
    check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    typical = typical_change(pairs, better=better, confidence=confidence)
    typical = typical.assign(denominator="none", unit=unit)
    sizes = standardised_change(pairs, better=better, confidence=confidence).assign(unit="")
    chances = chance_of_improving(pairs, better=better, confidence=confidence)
    chances = chances.assign(denominator="none", unit="share")
    chances.loc[chances["quantity"] == "rank-biserial correlation", "unit"] = ""
    tables = [typical, sizes, chances]
    if rng is not None:
        tables.append(_bootstrapped(pairs, sizes, better, confidence, unit, rng, n_resamples))
    return pd.concat(tables, ignore_index=True).loc[:, _COLUMNS]


def _bootstrapped(
    pairs: pd.DataFrame,
    sizes: pd.DataFrame,
    better: Any,
    confidence: float,
    unit: str,
    rng: np.random.Generator,
    n_resamples: int,
) -> pd.DataFrame:
    about = sizes.set_index("quantity")
    rows = []
    for name in ("mean", "d_z", "d_av", "d_rm", "becker", "robust_d"):
        found = bootstrap_interval(
            pairs, name, rng=rng, better=better, confidence=confidence, n_resamples=n_resamples
        )
        known = name in about.index
        rows.append(
            {
                "quantity": f"{name}, bootstrap",
                "question": about.loc[name, "question"]
                if known
                else "How much did the clients improve on average?"
                if name == "mean"
                else "How consistent was the improvement of the middle of the clients?",
                "denominator": about.loc[name, "denominator"]
                if known
                else "none"
                if name == "mean"
                else "winsorised SD of the improvements / 0.642",
                "estimate": found.estimate,
                "ci_low": found.ci_low,
                "ci_high": found.ci_high,
                "ci_level": confidence,
                "n": found.n,
                "unit": unit if name == "mean" else "",
                "method": found.method,
                "source": "Efron 1987, J Am Stat Assoc 82:171",
            }
        )
    return pd.DataFrame(rows)
