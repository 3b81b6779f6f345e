"""What the case-series notebook shows, one cell each."""

from __future__ import annotations

from html import escape
from pathlib import Path

from outcomes.errors import DataError
from outcomes.records.caseload import Caseload
from outcomes.reporting.case_series.analysis import CaseSeries
from outcomes.reporting.case_series.export import to_svg
from outcomes.reporting.case_series.figure_style import WIDTHS, paper_style
from outcomes.reporting.case_series.manuscript import CAUTION
from outcomes.reporting.picture import Gallery, Html, Picture

__all__ = [
    "client_list",
    "figures",
    "overview",
    "safety",
    "table",
    "text",
    "who_might_be_recognised",
    "words",
]


def words(text: str) -> list[str]:
    """Split a list written with commas.

    Examples
    --------
    >>> words("nprs, ndi,")
    ['nprs', 'ndi']
    """
    return [word.strip() for word in text.split(",") if word.strip()]


def client_list(path: str, caseload: Caseload) -> list[str] | None:
    """Read client codes, one a line; without a file, those with phases recorded, or all.

    Raises
    ------
    DataError
        If the file cannot be read.
    """
    if path:
        try:
            lines = Path(path).read_text(encoding="utf-8-sig").splitlines()
        except (OSError, UnicodeDecodeError):
            raise DataError(
                f"{Path(path).name} must be a text file with one client code a line; it cannot be "
                f"read. Check its name and save it as plain text (UTF-8)."
            ) from None
        return [line.strip() for line in lines if line.strip() and not line.startswith("#")]
    phased = caseload.visits.loc[caseload.visits["phase"].notna(), "client"]
    return sorted(set(phased.astype(str))) or None


def overview(series: CaseSeries) -> Html:
    """Say who was included, and where the paper is."""
    return Html("".join(f"<p>{escape(line)}</p>" for line in series.summary))


def table(series: CaseSeries, name: str) -> Html:
    """Show one of the paper's tables: clients, measures, change, across, treatment."""
    return Html(series.tables[name].to_fragment())


def who_might_be_recognised(series: CaseSeries) -> Html:
    """List the facts that few clients of the caseload share."""
    if series.combinations.empty:
        return Html("<p>No combination of the facts of Table 1 is shared by fewer than 3.</p>")
    lines = "".join(
        f"<li>{escape(row['label'])}: {escape(row['facts'])}, shared by {row['n_sharing']}</li>"
        for row in series.combinations.to_dict("records")
    )
    return Html(f"<ul>{lines}</ul>")


def figures(series: CaseSeries, kind: str) -> Html | Gallery:
    """Show the figures of one kind: course one below the other, forest and start_end side by side.

    Parameters
    ----------
    series : CaseSeries
    kind : {"course", "forest", "start_end"}
    """
    width = "double" if kind == "course" else "single"
    pictures = []
    for figure in series.figures:
        if f"_{kind}_" not in figure.name:
            continue
        with paper_style():
            drawn = figure.draw(WIDTHS[width])
            svg = to_svg(drawn, title=figure.caption, alt=figure.alt).decode()
        pictures.append(Picture(svg[svg.index("<svg") :], figure.alt, figure.caption))
    if kind == "course":
        return Html("".join(picture._repr_html_() for picture in pictures))
    return Gallery(tuple(pictures))


def text(series: CaseSeries) -> Html:
    """Show the drafted methods and results."""
    parts = [("Methods", series.methods), ("Results", series.results)]
    return Html(
        "".join(
            f"<h3>{heading}</h3>" + "".join(f"<p>{escape(part)}</p>" for part in paragraph.parts)
            for heading, paragraph in parts
        )
    )


def safety(series: CaseSeries) -> Html:
    """Say what the numbers are not, and what needs a doctor."""
    lines = (series.results.sentences[-1], CAUTION)
    return Html("".join(f"<p>{escape(line)}</p>" for line in lines))
