"""From the items of a questionnaire to its score, by the published rule of that questionnaire.

The rules stand in `catalogue.toml`, never here. A questionnaire has one or more variants, which
are kept apart: two published totals of one form (percent or points, mean of subscales or sum) are
different numbers. Each variant is a sum over groups of items,

    score = sum over groups of  to_low + (to_high - to_low) * (m - low) / (high - low)

where m is the mean of the group's answers (or the largest), low and high are the ends of an item,
and to_low, to_high what the group gives at these ends: falling for items that are scored
backwards. The mean of the answered items is what "prorating" and "the mean of the others stands
for a blank" both come to. With fewer answers than the rule asks for there is no score, and the
reason is given; nothing is imputed beyond the published rule.

No wording of any item is kept here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import ArgumentError, Faults, check_columns
from outcomes.measures.catalogue import get, measures

__all__ = ["answer_faults", "scored_codes", "score", "score_forms", "variants"]

_FORM = ["client", "episode", "visit"]


def scored_codes() -> list[str]:
    """Codes of the questionnaires whose items can be scored.

    Examples
    --------
    >>> "quickdash" in scored_codes(), "promis_pf" in scored_codes()
    (True, False)
    """
    return [code for code, measure in measures().items() if measure.rules]


def variants(code: str) -> list[str]:
    """Names of the published variants of a questionnaire's score, the default first.

    Examples
    --------
    >>> variants("sst")
    ['count', 'percent']
    """
    return [str(rule["variant"]) for rule in get(code).rules]


def score(code: str, answers: pd.DataFrame, *, variant: str | None = None) -> pd.DataFrame:
    """Score every form of one questionnaire from its items.

    Use for item answers as recorded. Do not use it for totals that were typed in.

    Parameters
    ----------
    code : str
        Code of the questionnaire.
    answers : DataFrame
        One row per item: client, episode, visit, item (from 1, as on the form), answer (a
        number; missing where left blank).
    variant : str, optional
        One of `variants`; the first when left out.

    Returns
    -------
    DataFrame
        One row per form, sorted: client, episode, visit, measure, variant, value (missing where
        the rule gives no score), unit, n_answered, n_items, complete, reason (empty where there
        is a score).

    Raises
    ------
    ArgumentError
        If the questionnaire has no item scoring or no such variant.
    DataError
        If an item or answer is not one of the form's, or an item is answered twice.

    Notes
    -----
    The formula is at the top of this module. Where the activities are the client's own, those
    answered at the first form of the episode are the list, and later forms are scored over it.

    References
    ----------
    By questionnaire, under ``scoring_sources`` in the catalogue.

    Examples
    --------
    >>> answers = pd.DataFrame({"client": "C1", "episode": 1, "visit": 1,
    ...                         "item": range(1, 12), "answer": [3.0] * 10 + [None]})
    >>> score("quickdash", answers)[["value", "n_answered", "complete"]].values.tolist()
    [[50.0, 10, False]]

    Checked against: scoring rules worked by hand, tests/measures/test_questionnaires.py.
    """
    measure = get(code)
    if not measure.rules:
        raise ArgumentError(
            f"code must be a questionnaire that is scored from items, got {code!r}: "
            f"{measure.scoring} Record the total instead."
        )
    names = variants(code)
    if variant is not None and variant not in names:
        listed = ", ".join(repr(name) for name in names)
        raise ArgumentError(f"variant must be one of {listed}, got {variant!r}.")
    rule = measure.rules[0 if variant is None else names.index(variant)]
    check_columns(answers, [*_FORM, "item", "answer"], thing="answers")
    _refuse_faults(code, answers)
    forms, matrix = _spread(answers, rule)
    return _scored(code, forms, matrix, rule)


def score_forms(answers: pd.DataFrame) -> pd.DataFrame:
    """Score every form of every questionnaire by its default variant.

    Parameters
    ----------
    answers : DataFrame
        As for `score`, with the column questionnaire. Codes without item scoring are left out.

    Returns
    -------
    DataFrame
        As from `score`, in the order of the catalogue.
    """
    check_columns(answers, ["questionnaire"], thing="answers")
    codes = answers["questionnaire"]
    present = set(codes.dropna().unique())
    parts = [score(code, answers.loc[codes == code]) for code in scored_codes() if code in present]
    if not parts:
        forms = answers.loc[:, _FORM].head(0)
        return _scored("ndi", forms, np.empty((0, 10)), get("ndi").rules[0])
    return pd.concat(parts, ignore_index=True)


def answer_faults(code: str, item: np.ndarray, answer: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Tell which items the form does not have, and which answers its items do not allow.

    Parameters
    ----------
    code : str
        Code of a questionnaire with item scoring.
    item, answer : array of float
        Item numbers and answers; a missing answer is a blank and is allowed.

    Returns
    -------
    tuple of two bool arrays
        Unknown item; answer out of range or between the steps of its item.

    Examples
    --------
    >>> unknown, wrong = answer_faults("ndi", np.array([1, 2, 11]), np.array([5, 6, 0]))
    >>> unknown.tolist(), wrong.tolist()
    ([False, False, True], [False, True, False])
    """
    item, answer = np.asarray(item, dtype=float), np.asarray(answer, dtype=float)
    known = np.zeros(item.shape, dtype=bool)
    allowed = np.zeros(item.shape, dtype=bool)
    blank = np.isnan(answer)
    for rule in get(code).rules:
        step = float(rule.get("step", 1))
        for group in rule["groups"]:
            first, last = group["items"]
            low, high = group["range"]
            here = (item >= first) & (item <= last) & (item == np.floor(item))
            known |= here
            on_step = np.ones(item.shape, dtype=bool)
            if step:
                steps = np.where(blank, 0.0, answer) / step
                on_step = np.abs(steps - np.round(steps)) < 1e-9
            allowed |= here & (blank | ((answer >= low) & (answer <= high) & on_step))
    return ~known, known & ~allowed


def _refuse_faults(code: str, answers: pd.DataFrame) -> None:
    item = answers["item"].to_numpy(dtype=float, na_value=np.nan)
    answer = answers["answer"].to_numpy(dtype=float, na_value=np.nan)
    unknown, wrong = answer_faults(code, item, answer)
    twice = answers.duplicated([*_FORM, "item"], keep=False).to_numpy()
    faults = Faults()
    faults.add_if(unknown, f"item of {code}", "be one of the form's", "Set it aside")
    faults.add_if(wrong, f"answer of {code}", "be one that its item allows", "Set it aside")
    faults.add_if(twice, f"item of {code}", "be answered once a form", "Set the others aside")
    faults.raise_if_any()


def _items(rule: Mapping[str, Any]) -> list[int]:
    """Item numbers that a variant uses, in order."""
    return [
        item for group in rule["groups"] for item in range(group["items"][0], group["items"][1] + 1)
    ]


def _spread(answers: pd.DataFrame, rule: Mapping[str, Any]) -> tuple[pd.DataFrame, np.ndarray]:
    """Lay the answers out: one row per form, one column per item, missing where blank."""
    items = pd.Index(_items(rule))
    place = items.get_indexer(pd.Index(answers["item"].to_numpy(dtype=float)))
    used = answers.loc[place >= 0]
    grouped = used.groupby(_FORM, sort=True, dropna=False)
    number = grouped.ngroup().to_numpy()
    forms = grouped.size().reset_index()[_FORM]
    matrix = np.full((len(forms), len(items)), np.nan)
    matrix[number, place[place >= 0]] = used["answer"].to_numpy(dtype=float, na_value=np.nan)
    return forms, matrix


def _scored(
    code: str, forms: pd.DataFrame, matrix: np.ndarray, rule: Mapping[str, Any]
) -> pd.DataFrame:
    asked = np.full(len(forms), matrix.shape[1])
    if rule.get("fixed_at_start"):
        matrix, asked = _keep_first_list(forms, matrix)
    answered = (~np.isnan(matrix)).sum(axis=1)
    value, enough = _formula(matrix, rule)
    value = np.where(enough, value, np.nan)
    return pd.DataFrame(
        {
            **{name: forms[name].array for name in _FORM},
            "measure": pd.array([code] * len(forms), dtype="str"),
            "variant": pd.array([str(rule["variant"])] * len(forms), dtype="str"),
            "value": value,
            "unit": pd.array([str(rule["unit"])] * len(forms), dtype="str"),
            "n_answered": answered,
            "n_items": asked,
            "complete": answered == asked,
            "reason": _reasons(matrix, rule, enough),
        }
    )


def _keep_first_list(forms: pd.DataFrame, matrix: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Keep the items that were answered at the first form of the episode."""
    episode = forms.groupby(["client", "episode"], sort=False, dropna=False).ngroup().to_numpy()
    starts = np.r_[True, episode[1:] != episode[:-1]] if len(forms) else np.zeros(0, dtype=bool)
    listed = ~np.isnan(matrix[starts][episode])
    return np.where(listed, matrix, np.nan), listed.sum(axis=1)


def _formula(matrix: np.ndarray, rule: Mapping[str, Any]) -> tuple[np.ndarray, np.ndarray]:
    """Give the score of each form, and whether enough items were answered."""
    total = np.zeros(len(matrix))
    enough = (~np.isnan(matrix)).sum(axis=1) >= rule["least"]
    if "blank" in rule:
        matrix = np.where(np.isnan(matrix), float(rule["blank"]), matrix)
    for group, part in zip(rule["groups"], _parts(matrix, rule), strict=True):
        n = (~np.isnan(part)).sum(axis=1)
        enough &= n >= group.get("least", 1)
        low, high = (float(end) for end in group["range"])
        to_low, to_high = (float(end) for end in group["to"])
        if group.get("take") == "largest":
            middle = np.where(np.isnan(part), -np.inf, part).max(axis=1, initial=-np.inf)
            middle = np.where(n > 0, middle, low)
        else:
            middle = np.nansum(part, axis=1) / np.maximum(n, 1)
        total += to_low + (to_high - to_low) * (middle - low) / (high - low)
    return total, enough


def _parts(matrix: np.ndarray, rule: Mapping[str, Any]) -> Sequence[np.ndarray]:
    """Cut the columns into the groups of the rule."""
    sizes = [group["items"][1] - group["items"][0] + 1 for group in rule["groups"]]
    return np.split(matrix, np.cumsum(sizes)[:-1], axis=1)


def _reasons(matrix: np.ndarray, rule: Mapping[str, Any], enough: np.ndarray) -> pd.Series:
    """Say why there is no score, form by form."""
    reasons = np.full(len(matrix), "", dtype=object)
    if enough.all():
        return pd.Series(reasons, dtype="str")
    n = (~np.isnan(matrix)).sum(axis=1)
    few = n < rule["least"]
    for i in np.flatnonzero(few):
        reasons[i] = f"{n[i]} of {matrix.shape[1]} items answered, {rule['least']} needed"
    for group, part in zip(rule["groups"], _parts(matrix, rule), strict=True):
        first, last = group["items"]
        least = group.get("least", 1)
        count = (~np.isnan(part)).sum(axis=1)
        for i in np.flatnonzero(~few & (count < least)):
            reasons[i] = f"{count[i]} of items {first} to {last} answered, {least} needed"
    return pd.Series(reasons, dtype="str")
