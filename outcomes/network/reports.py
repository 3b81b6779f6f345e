"""Reports on a store: the clinic's own report where its clients can be listed, else a network's.

The clinic's report is its notebook, unchanged but for the cell that reads and reviews: there the
finished stages of the run are read instead.
"""

from __future__ import annotations

import json
import shutil
import tempfile
from html import escape
from pathlib import Path
from typing import Any

import nbformat
import pandas as pd

from outcomes.carried import notebook_path
from outcomes.errors import DataError
from outcomes.network.clinics import ClinicComparison
from outcomes.network.results import NetworkReview
from outcomes.records.write import write_atomically
from outcomes.reporting.archive import write_tables
from outcomes.reporting.document import frame_page, page
from outcomes.reporting.figures import share_funnel_figure, shares_by_measure
from outcomes.reporting.notebooks import read_notebook, run_notebook
from outcomes.reporting.picture import Html
from outcomes.reporting.sections import (
    completeness,
    events,
    flow_table,
    gain_charts,
    limits,
    measure_table,
    safety,
)
from outcomes.reporting.tables import table
from outcomes.reporting.wording import percent, plural
from outcomes.statistics.service.attention import REASONS

__all__ = ["network_page", "network_tables", "quarter_page", "write_network_report"]

#: Clinics up to which a table of them stands open.
_OPEN = 12
_READING = """\
from outcomes.network.assembling import finished_review

clinic = oc.read_settings(settings)
review = finished_review({given})
caseload = review.caseload
"""


def quarter_page(
    parameters: dict[str, Any], *, work: str, task_rows: int, measures: Any = None
) -> dict[str, Any]:
    """Run the quarter's notebook on a finished run; give what it told, the page among it."""
    notebook = read_notebook(notebook_path("quarterly_review"))
    cells = [c for c in notebook.cells if c.cell_type == "code" and "review_quarter(" in c.source]
    if len(cells) != 1:
        raise DataError(
            f"the quarter's notebook must have one cell that calls review_quarter, it has "
            f"{len(cells)}. Copy a fresh one with: outcomes start FOLDER."
        )
    given = {"work": work, "task_rows": task_rows, "measures": measures}
    words = ", ".join(f"{name}={value!r}" for name, value in given.items())
    cells[0].source = _READING.format(given=f"data, quarter=quarter, {words}")
    folder = Path(tempfile.mkdtemp(prefix="outcomes-"))
    try:
        path = folder / "quarterly_review.ipynb"
        path.write_text(nbformat.writes(notebook), encoding="utf-8")
        done = run_notebook(path, parameters)
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    out = Path(parameters["out"])
    told = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    report = out / f"review_{told['quarter']}.html"
    write_atomically(report, page(done, title=told["title"]).encode())
    return told | {"report": str(report)}


def write_network_report(
    review: NetworkReview,
    clinics: dict[str, ClinicComparison],
    folder: Path,
    *,
    source: str,
    attention: pd.DataFrame,
) -> Path:
    """Write the page and the tables of a network's quarter; give the path of the page."""
    title = f"Network review, {_period(review)}"
    tables = network_tables(review, clinics) | {"attention": attention}
    write_tables(tables, folder / "tables", title=title)
    text = network_page(review, clinics, source=source, attention=attention)
    return write_atomically(folder / f"network_{review.quarter}.html", text.encode())


def network_tables(
    review: NetworkReview, clinics: dict[str, ClinicComparison]
) -> dict[str, pd.DataFrame]:
    """Give every number of the report as tables."""
    each = {m.measure.code: m for m in review.measures}

    def joined(frames: dict[str, pd.DataFrame]) -> pd.DataFrame:
        return pd.concat([f.assign(measure=code) for code, f in frames.items()], ignore_index=True)

    tables = {
        "summary": review.summary,
        "shares": review.shares,
        "verdicts": joined({code: m.verdicts for code, m in each.items()}),
        "model_verdicts": joined({code: m.model_verdicts for code, m in each.items()}),
        "flow": joined({code: m.flow_by_clinic for code, m in each.items()}),
    }
    courses = {code: m.course for code, m in each.items() if m.course is not None}
    if courses:
        tables["course"] = joined({code: c.line for code, c in courses.items()})
        tables["course_model"] = joined({code: c.fit.fixed for code, c in courses.items()})
    if review.quarters is not None:
        charts = review.quarters.gain_charts
        tables["completeness"] = review.quarters.completeness
        tables |= {"gain_charts": joined(charts)} if charts else {}
        shifts = review.quarters.small_shifts
        tables |= {"small_shifts": shifts} if len(shifts) else {}
        for name in ("follow_up_chart", "event_chart"):
            chart = getattr(review.quarters, name)
            tables |= {} if chart is None else {name: chart}
    if clinics:
        tables["clinics"] = joined({code: c.funnel for code, c in clinics.items()})
        effects = {code: c.effects for code, c in clinics.items() if len(c.effects)}
        if effects:
            tables["clinic_courses"] = joined(effects)
    return tables


def network_page(
    review: NetworkReview,
    clinics: dict[str, ClinicComparison],
    *,
    source: str,
    attention: pd.DataFrame,
) -> str:
    """Write the page of a network: what can be said without listing clients."""
    title = f"Network review, {_period(review)}"
    parts = [
        f"<h1>{escape(title)}</h1>",
        f"<p>{plural(review.n_clinics, 'clinic')}, {plural(review.n_eligible, 'episode')} of care "
        f"seen, {review.n_visits:,} visits on record. It cannot say that treatment caused a "
        f"change: there is no comparison group.</p>",
        "<h2>All measures</h2>",
        measure_table(review.measures).text,
        shares_by_measure(review.shares, review.names)._repr_html_(),
        "<h2>Clinics</h2>",
        "<p>No ranking. Adjusted for whom each clinic treats; the bands show how far apart "
        "clinics that are all alike would lie.</p>",
    ]
    for code, found in clinics.items():
        parts += [f"<h3>{escape(review.names[code])}</h3>", _clinics(found, review.names[code])]
    if not clinics:
        parts.append('<p class="quiet">Not shown: too few clinics or clients to compare.</p>')
    here: Any = review  # sections look at what both kinds of review have
    quarters: Any = review.quarters
    parts += [
        "<h2>Over the quarters</h2>",
        gain_charts(here, quarters).text,
        "<h2>Unwanted events</h2>",
        events(here, quarters).text,
        "<h2>Clients to speak about</h2>",
        _attention(attention).text,
        "<h2>Who is missing</h2>",
        flow_table(review.measures).text,
        _folded(completeness(here, quarters).text, review.n_clinics),
        "<h2>What this report cannot say</h2>",
        limits().text,
        "<h2>Safety</h2>",
        safety().text,
        "<h2>Where the numbers come from</h2>",
        f"<p>{escape(source)}</p>",
    ]
    return frame_page("".join(parts), title=title)


def _period(review: NetworkReview) -> str:
    return "all quarters" if review.quarter == "all" else review.quarter


def _clinics(found: ClinicComparison, name: str) -> str:
    picture = share_funnel_figure(
        found.drawn, title=name, label="detectable gain, adjusted", named=False
    )
    beyond = found.funnel[found.funnel["flagged"]]
    shown = table(
        beyond.assign(
            share_text=[percent(x) for x in beyond["adjusted_share"]],
            expected_text=[percent(x) for x in beyond["expected_share"]],
        ),
        {
            "clinic": "Clinic",
            "n": "Clients",
            "share_text": ("Share, adjusted", str),
            "expected_text": ("Expected for its clients", str),
        },
        caption="Clinics that differ by more than chance and the usual spread of clinics",
        empty=f"none, with {percent(found.false_share)} of false flags allowed among those shown.",
    )
    return picture._repr_html_() + shown.text + f'<p class="quiet">{escape(found.words)}</p>'


def _attention(counts: pd.DataFrame) -> Html:
    """Count the clients to speak about; the lists lie beside the page."""
    total = counts.groupby("reason", sort=False).agg(count=("count", "sum"), n=("clinic", "size"))
    total = total.reindex([reason for reason in REASONS if reason in total.index]).reset_index()
    shown = table(
        total.assign(reason=total["reason"].str.capitalize()),
        {"reason": "Reason", "count": "Entries", "n": "Clinics"},
        caption="Clients to speak about, all clinics",
        empty="nobody.",
    )
    note = (
        "Codes are not on this page. They lie beside it, in the folder attention, one file a "
        "clinic: give each clinic its own. Clients who have levelled off are listed in a clinic's "
        "own report only."
    )
    return Html(shown.text + f'<p class="quiet">{note}</p>')


def _folded(text: str, clinics: int) -> str:
    """Fold a table with a row a clinic where it would be long."""
    if clinics <= _OPEN:
        return text
    return f"<details><summary>Completeness, clinic by clinic</summary>{text}</details>"
