"""Reliable change, side by side in the variants that the literature uses.

Notation: ``x, y`` start and latest value turned so that higher is better; ``s_x, s_y`` their SDs in
a reference group, ``r`` reliability, ``m_x, m_y`` means of a retested reference group, ``n`` its
size; ``E = s_x sqrt(1 - r)``. Every index is a standard normal (or t) deviate of one client.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtri, stdtrit

from outcomes.errors import ArgumentError, check_between, check_count, check_positive
from outcomes.statistics.individual_change._rows import improvements, signs

__all__ = ["RELIABLE_CHANGE", "Reference", "clinical_cutoffs", "reliable_change"]

#: The variants: what each corrects, and its source.
RELIABLE_CHANGE: dict[str, tuple[str, str]] = {
    "classic": (
        "nothing",
        "Jacobson & Truax 1991, J Consult Clin Psychol 59:12, doi:10.1037/0022-006X.59.1.12",
    ),
    "true_score": (
        "regression of the start value to the mean",
        "Speer 1992, J Consult Clin Psychol 60:402, doi:10.1037/0022-006X.60.3.402",
    ),
    "practice": (
        "mean change on retest without treatment",
        "Chelune et al. 1993, Neuropsychology 7:41, doi:10.1037/0894-4105.7.1.41",
    ),
    "practice_both_errors": (
        "mean change on retest, and a different spread at retest",
        "Iverson 2001, Arch Clin Neuropsychol 16:183, doi:10.1016/S0887-6177(00)00060-6",
    ),
    "regression": (
        "mean change on retest, and regression to the mean",
        "McSweeny et al. 1993, Clin Neuropsychol 7:300, doi:10.1080/13854049308401901",
    ),
    "regression_small_group": (
        "as regression, with the error of the reference group's line",
        "Crawford & Howell 1998, J Clin Exp Neuropsychol 20:755, doi:10.1076/jcen.20.5.755.1132",
    ),
}


@dataclass(frozen=True, kw_only=True)
class Reference:
    """A group measured twice without treatment (or at least its start values).

    Attributes
    ----------
    sd : float
        SD of the start values, > 0.
    reliability : float
        Test-retest reliability, in [0, 1).
    mean : float or None
        Mean of the start values.
    retest_mean, retest_sd : float or None
        Mean and SD at retest.
    n : int or None
        Clients of the group.
    """

    sd: float
    reliability: float
    mean: float | None = None
    retest_mean: float | None = None
    retest_sd: float | None = None
    n: int | None = None

    def __post_init__(self) -> None:
        check_positive("sd", self.sd)
        if not 0 <= self.reliability < 1:
            raise ArgumentError(f"reliability must be in [0, 1), got {self.reliability!r}.")
        if self.retest_sd is not None:
            check_positive("retest_sd", self.retest_sd)
        if self.n is not None:
            check_count("n", self.n, least=4)


_NEEDS = {
    "classic": (),
    "true_score": ("mean",),
    "practice": ("mean", "retest_mean"),
    "practice_both_errors": ("mean", "retest_mean", "retest_sd"),
    "regression": ("mean", "retest_mean", "retest_sd"),
    "regression_small_group": ("mean", "retest_mean", "retest_sd", "n"),
}


def reliable_change(
    pairs: pd.DataFrame,
    *,
    reference: Reference,
    better: Any = None,
    confidence: float = 0.95,
    variants: tuple[str, ...] | None = None,
) -> pd.DataFrame:
    """Say for each client, in each variant, whether the change is reliable.

    Use to compare with published series, or where retest data without treatment exist. The gates of
    `judge_change` are the classic variant with the error given directly.

    Parameters
    ----------
    pairs : DataFrame
        One row a client with `start_value` and `latest_value`; `client` and `measure` are carried.
    reference : Reference
        The group behind SD, reliability and retest effects, in the measure's own direction.
    better : ``"higher"``, ``"lower"``, one per row, or None
        The good direction; None takes the column `better`, or ``"higher"`` without one.
    confidence : float
        Two-sided level, in (0, 1).
    variants : tuple of str or None
        Any of `RELIABLE_CHANGE`; None takes all that the reference group allows.

    Returns
    -------
    DataFrame
        One row per client and variant: `variant`, `corrects`, `index` (positive is better),
        `critical`, `reliable` (``"improved"``, ``"worsened"``, ``"unchanged"``), `source`.

    Raises
    ------
    DataError
        If values are missing.
    ArgumentError
        If a variant needs a number that the reference group lacks.

    Notes
    -----
    classic (y - x) / (sqrt(2) E). true_score (y - x') / (sqrt(2) E), x' = m_x + r (x - m_x).
    practice (y - x - (m_y - m_x)) / (sqrt(2) E). both errors: denominator
    sqrt((s_x^2 + s_y^2)(1 - r)). regression (y - y') / (s_y sqrt(1 - r^2)), y' = m_y + r s_y / s_x
    (x - m_x). small group: t on n - 2 df, S sqrt(1 + 1/n + (x - m_x)^2 / ((n - 1) s_x^2)),
    S = s_y sqrt((1 - r^2)(n - 1) / (n - 2)).

    References
    ----------
    As in `RELIABLE_CHANGE`.

    Examples
    --------
    >>> pairs = pd.DataFrame({"start_value": [32.5], "latest_value": [47.5]})
    >>> rows = reliable_change(pairs, reference=Reference(sd=7.5, reliability=0.80))
    >>> print(round(rows["index"][0], 2), rows["reliable"][0])
    3.16 improved

    Checked against: Jacobson & Truax 1991; each variant recomputed in the tests.
    """
    check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    allowed = [name for name in _NEEDS if not _missing(name, reference)]
    chosen = allowed if variants is None else list(variants)
    for name in chosen:
        if name not in _NEEDS:
            listed = ", ".join(repr(known) for known in _NEEDS)
            raise ArgumentError(f"variants must be among {listed}, got {name!r}.")
        if missing := _missing(name, reference):
            raise ArgumentError(
                f"variant {name!r} needs {', '.join(missing)} of the reference group. Add "
                f"{'it' if len(missing) == 1 else 'them'} to Reference."
            )
    start, change, _ = improvements(pairs, better=better)
    sign = signs(better, pairs)
    carried = [c for c in ("client", "episode", "measure") if c in pairs.columns]
    tail = 1 - (1 - confidence) / 2
    tables = []
    for name in chosen:
        index = sign * _index(name, reference, start, start + change)
        df = reference.n - 2 if name == "regression_small_group" and reference.n else None
        critical = float(ndtri(tail) if df is None else stdtrit(df, tail))
        words = np.select(
            [index >= critical, index <= -critical], ["improved", "worsened"], default="unchanged"
        )
        tables.append(
            pairs[carried].assign(
                variant=name,
                corrects=RELIABLE_CHANGE[name][0],
                index=index,
                critical=critical,
                reliable=pd.array(words, dtype="str"),
                source=RELIABLE_CHANGE[name][1],
            )
        )
    return pd.concat(tables, ignore_index=True)


def _missing(name: str, reference: Reference) -> list[str]:
    return [field for field in _NEEDS[name] if getattr(reference, field) is None]


def _index(name: str, ref: Reference, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    r, error = ref.reliability, ref.sd * np.sqrt(1 - ref.reliability)
    mean, retest = ref.mean or 0.0, ref.retest_mean or 0.0
    if name == "classic":
        return (y - x) / (np.sqrt(2) * error)
    if name == "true_score":
        return (y - (mean + r * (x - mean))) / (np.sqrt(2) * error)
    if name == "practice":
        return (y - x - (retest - mean)) / (np.sqrt(2) * error)
    retest_sd = ref.retest_sd or ref.sd
    if name == "practice_both_errors":
        return (y - x - (retest - mean)) / np.sqrt((ref.sd**2 + retest_sd**2) * (1 - r))
    expected = retest + r * retest_sd / ref.sd * (x - mean)
    spread = retest_sd * np.sqrt(1 - r**2)
    if name == "regression":
        return (y - expected) / spread
    n = ref.n or 4
    lever = 1 + 1 / n + (x - mean) ** 2 / ((n - 1) * ref.sd**2)
    return (y - expected) / (spread * np.sqrt((n - 1) / (n - 2) * lever))


def clinical_cutoffs(
    *,
    client_mean: float,
    client_sd: float,
    healthy_mean: float,
    healthy_sd: float,
) -> pd.DataFrame:
    """Give the cut-offs that separate the values of clients from those of healthy people.

    Use where a reference range exists; a client past the line and reliably changed is called
    recovered. Do not use for a measure whose healthy values overlap almost wholly with the
    clients'.

    Parameters
    ----------
    client_mean, client_sd : float
        Of clients before treatment; SD > 0.
    healthy_mean, healthy_sd : float
        Of healthy people, from the measure's reference range; SD > 0.

    Returns
    -------
    DataFrame
        `cutoff` (a, b, c), `meaning`, `value`, `source`.

    Raises
    ------
    ArgumentError
        If a standard deviation is not above zero, or the means are equal.

    Notes
    -----
    a: two client SDs beyond the clients' mean, towards health. b: two healthy SDs from the healthy
    mean, towards the clients. c: (s_h m_c + s_c m_h) / (s_c + s_h).

    References
    ----------
    Jacobson & Truax (1991) J Consult Clin Psychol 59:12-19, doi:10.1037/0022-006X.59.1.12.

    Examples
    --------
    >>> clinical_cutoffs(client_mean=40, client_sd=7.5, healthy_mean=60,
    ...                  healthy_sd=7.5)["value"].tolist()
    [55.0, 45.0, 50.0]
    """
    check_positive("client_sd", client_sd)
    source = RELIABLE_CHANGE["classic"][1]
    check_positive("healthy_sd", healthy_sd)
    if healthy_mean == client_mean:
        raise ArgumentError("healthy_mean must differ from client_mean. No cut-off separates them.")
    towards = np.sign(healthy_mean - client_mean)
    rows = [
        ("a", "beyond the range of clients", client_mean + 2 * towards * client_sd),
        ("b", "within the range of healthy people", healthy_mean - 2 * towards * healthy_sd),
        (
            "c",
            "nearer to healthy people than to clients",
            (healthy_sd * client_mean + client_sd * healthy_mean) / (client_sd + healthy_sd),
        ),
    ]
    frame = pd.DataFrame(rows, columns=pd.Index(["cutoff", "meaning", "value"]))
    return frame.assign(value=frame["value"].astype(float), source=source)
