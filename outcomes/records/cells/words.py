"""Words that stand for something: sides, moments, modes, yes and no."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

__all__ = ["SYNONYMS", "read_truths", "read_words", "spread"]

#: Spellings of the fixed words of the tables; the word itself is always understood.
SYNONYMS: dict[str, dict[str, str]] = {
    "side": {
        **dict.fromkeys(["l", "lt", "lt.", "lft", "left side", "left hand", "l."], "left"),
        **dict.fromkeys(["r", "rt", "rt.", "rgt", "right side", "right hand", "r."], "right"),
        **dict.fromkeys(["m", "mid", "middle", "central", "centre", "none", "n/a"], "midline"),
    },
    "moment": {
        **dict.fromkeys(
            ["pre", "pre-treatment", "pretreatment", "before treatment", "pre treatment", "b"],
            "before",
        ),
        **dict.fromkeys(
            ["post", "post-treatment", "posttreatment", "after treatment", "post treatment"],
            "after",
        ),
    },
    "mode": {
        **dict.fromkeys(["a", "act", "arom", "active movement"], "active"),
        **dict.fromkeys(["p", "pass", "prom", "passive movement"], "passive"),
    },
}
SYNONYMS["dominant_side"] = {
    word: side for word, side in SYNONYMS["side"].items() if side != "midline"
}
SYNONYMS["affected_side"] = {
    **SYNONYMS["side"],
    **dict.fromkeys(["b", "bilateral", "both sides", "bil", "l+r", "l/r"], "both"),
}
_YES = ("yes", "y", "true", "t", "1", "x", "ja", "oui", "si", "sí", "attended", "given")
_NO = ("no", "n", "false", "f", "0", "nein", "non", "dna", "did not attend", "not given")


def spread(texts: Iterable[str | None], codes: np.ndarray, index: pd.Index) -> pd.Series:
    """Give each row the text of its code (-1: missing) without touching every row in Python."""
    values = pd.array([*texts], dtype="str")
    if not len(values):
        values = pd.array([None], dtype="str")
    return pd.Series(values.take(codes, allow_fill=True), index=index)


def read_words(
    text: pd.Series, *, column: str, choices: tuple[str, ...]
) -> tuple[pd.Series, np.ndarray]:
    """Read words of a closed set; give the column and where a word is not understood.

    Examples
    --------
    >>> words, unknown = read_words(
    ...     pd.Series(["L", "right", "up"]), column="side", choices=("left", "right", "midline")
    ... )
    >>> words.tolist(), unknown.tolist()
    (['left', 'right', nan], [False, False, True])
    """
    known = {**{word: word for word in choices}, **SYNONYMS.get(column, {})}
    codes, uniques = pd.factorize(text)
    read = [known.get(" ".join(str(word).casefold().split())) for word in uniques]
    series = spread(read, codes, text.index)
    return series, (series.isna() & text.notna()).to_numpy()


def read_truths(text: pd.Series) -> tuple[pd.Series, np.ndarray]:
    """Read yes and no; give the column and where a word is neither."""
    known = {**dict.fromkeys(_YES, True), **dict.fromkeys(_NO, False)}
    codes, uniques = pd.factorize(text)
    read = [known.get(str(word).casefold().strip()) for word in uniques]
    taken = np.array([*read, None], dtype=object)[codes]
    series = pd.Series(taken, index=text.index, dtype="boolean")
    return series, (series.isna() & text.notna()).to_numpy()
