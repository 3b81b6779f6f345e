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
from outcomes.reporting.sections import flow_table, limits, measure_table, safety
from outcomes.reporting.tables import table
from outcomes.reporting.wording import percent, plural

__all__ = ["network_page", "network_tables", "quarter_page", "write_network_report"]

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
    review: NetworkReview, clinics: dict[str, ClinicComparison], folder: Path, *, source: str
) -> Path:
    """Write the page and the tables of a network's quarter; give the path of the page."""
    title = f"Network review, {_period(review)}"
    write_tables(network_tables(review, clinics), folder / "tables", title=title)
    text = network_page(review, clinics, source=source)
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
    if clinics:
        tables["clinics"] = joined({code: c.funnel for code, c in clinics.items()})
        effects = {code: c.effects for code, c in clinics.items() if len(c.effects)}
        if effects:
            tables["clinic_courses"] = joined(effects)
    return tables


def network_page(
    review: NetworkReview, clinics: dict[str, ClinicComparison], *, source: str
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
    parts += [
        "<h2>Who is missing</h2>",
        flow_table(review.measures).text,
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
