"""Tables for people: captions, headings, units and rounding on top of the plain frames."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from html import escape
from typing import Any

import pandas as pd

from outcomes.reporting.picture import Html

__all__ = ["table"]

Format = Callable[[Any], str]


def table(
    frame: pd.DataFrame,
    columns: Mapping[str, str | tuple[str, Format]],
    *,
    caption: str,
    empty: str = "Nothing to show.",
    most: int | None = None,
) -> Html:
    """Write a frame as an accessible table.

    Parameters
    ----------
    frame : DataFrame
        One row per line.
    columns : mapping of str to str or (str, callable)
        Which columns, in order: heading, or heading and how to write a value. Text columns align
        left, formatted ones right; the first column is the heading of its row.
    caption : str
        What the table shows.
    empty : str
        The sentence shown in place of a table without rows.
    most : int, optional
        Show so many rows openly; the rest can be unfolded.

    Returns
    -------
    Html
        Cells are escaped; no scripts, no ids.

    Examples
    --------
    >>> t = table(pd.DataFrame({"a": [1]}), {"a": "A"}, caption="One")
    >>> "<caption>One</caption>" in t.text
    True
    """
    if frame.empty:
        return Html(f'<p class="quiet">{escape(caption)}: {escape(empty)}</p>')
    shown = frame if most is None else frame.head(most)
    text = _one_table(shown, columns, caption)
    if len(frame) > len(shown):
        rest = _one_table(frame.iloc[len(shown) :], columns, f"{caption} (continued)")
        text += f"<details><summary>{len(frame) - len(shown):,} more</summary>{rest}</details>"
    return Html(text)


def _one_table(
    frame: pd.DataFrame, columns: Mapping[str, str | tuple[str, Format]], caption: str
) -> str:
    heads, cells, numeric = [], [], []
    for name, spec in columns.items():
        heading, form = spec if isinstance(spec, tuple) else (spec, None)
        right = bool(heads) and (form is not None or pd.api.types.is_numeric_dtype(frame[name]))
        heads.append(f'<th scope="col"{_align(right)}>{escape(heading)}</th>')
        values = frame[name].tolist()
        cells.append([form(v) if form else _plain(v) for v in values])
        numeric.append(right)
    lines = []
    for row in zip(*cells, strict=True):
        first = f'<th scope="row">{escape(row[0])}</th>'
        rest = "".join(
            f"<td{_align(right)}>{escape(text)}</td>"
            for text, right in zip(row[1:], numeric[1:], strict=True)
        )
        lines.append(f"<tr>{first}{rest}</tr>")
    return (
        f'<div class="wide"><table><caption>{escape(caption)}</caption>'
        f"<thead><tr>{''.join(heads)}</tr></thead><tbody>{''.join(lines)}</tbody></table></div>"
    )


def _align(right: bool) -> str:
    return ' class="right"' if right else ""


def _plain(value: Any) -> str:
    if value is None or value is pd.NA or value is pd.NaT or value != value:
        return "\N{EN DASH}"
    if isinstance(value, pd.Timestamp):
        return value.date().isoformat()
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:,}" if isinstance(value, int) else str(value)
