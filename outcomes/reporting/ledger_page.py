"""The ledger as a page to work through at the desk: worst first, with file and row."""

from __future__ import annotations

from html import escape

import pandas as pd

from outcomes.records.caseload import Caseload
from outcomes.reporting.document import frame_page
from outcomes.reporting.tables import table
from outcomes.reporting.wording import join_words, plural

__all__ = ["ledger_page", "ledger_summary_lines"]

_ACTIONS = {
    "set aside": (
        "Set aside",
        "These rows are not used. Correct them in your own file, then read it again.",
    ),
    "asked": (
        "To look at",
        "These rows are used as they stand. Somebody who knows the client should look.",
    ),
    "changed": (
        "Changed",
        "These rows are used, with the cell changed as shown. Your file was not written to.",
    ),
}


def ledger_page(caseload: Caseload) -> str:
    """Write the ledger as a self-contained page.

    Parameters
    ----------
    caseload : Caseload
        As read.

    Returns
    -------
    str
        An HTML document: what was read, then every entry, those that cost most rows first.
    """
    ledger = caseload.ledger
    body = [
        "<h1>What was done to the rows</h1>",
        "<p>Every row that is not used as it stands in your files, with its file and row number as "
        "a spreadsheet shows it. Rows in = rows used + rows set aside, always.</p>",
        _balance(caseload),
    ]
    for action, (heading, words) in _ACTIONS.items():
        mine = ledger[ledger["action"] == action]
        if mine.empty:
            continue
        body.append(f"<h2>{heading}: {plural(_rows(mine), 'row')}</h2><p>{words}</p>")
        order = mine.groupby("rule").size().sort_values(ascending=False).index
        body += [_rule(mine[mine["rule"] == rule], str(rule)) for rule in order]
    if ledger.empty:
        body.append("<p><strong>Nothing was set aside, changed or questioned.</strong></p>")
    return frame_page("".join(body), title="Ledger")


def ledger_summary_lines(caseload: Caseload) -> list[str]:
    """Sum up a ledger in at most ten lines of text."""
    balance = caseload.balance
    balance = balance[balance["rows_in"] > 0]
    lines = [
        f"{int(balance['rows_in'].sum()):,} rows read, {int(balance['rows_used'].sum()):,} used, "
        f"{int(balance['rows_set_aside'].sum()):,} set aside, "
        f"{int(balance['rows_changed'].sum()):,} changed, "
        f"{int(balance['rows_asked'].sum()):,} to look at."
    ]
    rules = caseload.ledger.groupby(["action", "rule"]).size().sort_values(ascending=False)
    lines += [f"{count:>8,}  {rule} ({action})" for (action, rule), count in rules.head(7).items()]
    if len(rules) > 7:
        lines.append(f"          and {len(rules) - 7} more kinds of entry")
    return lines


def _balance(caseload: Caseload) -> str:
    balance = caseload.balance
    return table(
        balance[balance["rows_in"] > 0],
        {
            "table": "Table",
            "rows_in": "Rows in",
            "rows_used": "Used",
            "rows_set_aside": "Set aside",
            "rows_changed": "Changed",
            "rows_asked": "To look at",
        },
        caption="What was read",
    ).text


def _rule(entries: pd.DataFrame, rule: str) -> str:
    files = join_words(sorted(entries["source_file"].dropna().unique())[:3])
    clients = entries["client"].replace("", pd.NA).nunique()
    shown = table(
        entries.sort_values(["source_file", "source_row"]),
        {
            "source_file": "File",
            "source_row": ("Row", lambda v: "" if v is pd.NA else f"{v:,}"),
            "client": "Client",
            "column": "Column",
            "old_value": "Was",
            "new_value": "Is",
            "reason": "Reason",
        },
        caption=f"{rule}: {plural(len(entries), 'entry', 'entries')} in {files}",
        most=12,
    )
    return (
        f"<h3>{escape(rule.capitalize())}</h3>"
        f'<p class="quiet">{plural(len(entries), "entry", "entries")}'
        f"{', ' + plural(clients, 'client') if clients else ''}</p>"
        f"{shown.text}"
    )


def _rows(entries: pd.DataFrame) -> int:
    return len(entries[["source_file", "source_row"]].drop_duplicates())
