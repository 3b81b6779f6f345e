"""The report on clinics' summaries: what can be said from sums alone."""

from __future__ import annotations

from html import escape
from pathlib import Path

import pandas as pd

from outcomes.measures import catalogue
from outcomes.network.federated import Combined
from outcomes.network.federated.combining import CombinedMeasure
from outcomes.records.write import write_atomically
from outcomes.reporting.archive import write_tables
from outcomes.reporting.document import frame_page
from outcomes.reporting.figures import share_funnel_figure
from outcomes.reporting.picture import Html
from outcomes.reporting.sections import limits, safety
from outcomes.reporting.tables import table
from outcomes.reporting.wording import interval, number, percent, plural, with_unit

__all__ = ["combined_page", "combined_tables", "write_combined_report"]


def write_combined_report(combined: Combined, folder: Path) -> Path:
    """Write page and tables; give the path of the page."""
    title = f"Network review from summaries, {combined.quarter}"
    write_tables(combined_tables(combined), folder / "tables", title=title)
    text = combined_page(combined, title=title)
    return write_atomically(folder / f"network_{combined.quarter}.html", text.encode())


def combined_tables(combined: Combined) -> dict[str, pd.DataFrame]:
    """Give every number of the report as tables."""

    def joined(frames: dict[str, pd.DataFrame]) -> pd.DataFrame:
        kept = [f.assign(measure=code) for code, f in frames.items() if len(f)]
        return pd.concat(kept, ignore_index=True) if kept else pd.DataFrame()

    each = combined.measures
    tables = {
        "summary": combined.summary,
        "shares": joined({code: m.shares for code, m in each.items()}),
        "standardised": joined({code: m.standardised for code, m in each.items()}),
        "course": joined({code: m.course.line for code, m in each.items()}),
        "course_model": joined({code: m.course.fit.fixed for code, m in each.items()}),
        "clinics": joined({code: m.funnel for code, m in each.items()}),
        "clinic_spread": joined({code: m.clinic_spread for code, m in each.items()}),
    }
    return {name: frame for name, frame in tables.items() if len(frame)}


def combined_page(combined: Combined, *, title: str) -> str:
    """Write the page."""
    names = {code: catalogue.get(code).name for code in combined.measures}
    parts = [
        f"<h1>{escape(title)}</h1>",
        f"<p>{plural(len(combined.clinics), 'clinic')} sent sums, no rows. Small groups are left "
        f"out and small counts hidden, so that shares are given with the range that this leaves "
        f"open. Clinics are not adjusted for whom they treat.</p>",
        "<h2>All measures</h2>",
        _summary(combined, names).text,
    ]
    for code, m in combined.measures.items():
        parts += [f"<h3>{escape(names[code])}</h3>", _measure(m, names[code])]
    parts += ["<h2>What this report cannot say</h2>", limits().text]
    parts += ["<h2>Safety</h2>", safety().text, "<h2>Where the numbers come from</h2>"]
    parts.append(f"<p>Clinics: {escape(', '.join(combined.clinics))}.</p>")
    return frame_page("".join(parts), title=title)


def _summary(combined: Combined, names: dict[str, str]) -> Html:
    rows = [
        {
            "name": names[m.code],
            "clinics": m.clinics,
            "n": m.improvement.n,
            "mean": with_unit(m.improvement.estimate, m.unit, sign=True),
            "interval": interval(m.improvement.ci_low, m.improvement.ci_high),
            "detectable": _range(m.shares, "improved detectably"),
            "important": _range(m.shares, "improved importantly"),
            "worse": _range(m.shares, "worsened detectably"),
        }
        for m in combined.measures.values()
    ]
    return table(
        pd.DataFrame(rows),
        {
            "name": "Measure",
            "clinics": "Clinics",
            "n": "Clients",
            "mean": ("Mean improvement", str),
            "interval": ("95% interval", str),
            "detectable": ("Detectable gain", str),
            "important": ("Gain that matters in size", str),
            "worse": ("Detectable decline", str),
        },
        caption="Improvement is positive when clients are better, whatever the scale's direction",
    )


def _range(shares: pd.DataFrame, quantity: str) -> str:
    rows = shares[shares["quantity"] == quantity]
    if rows.empty:
        return "\N{EN DASH}"
    low, high = float(rows["share"].iloc[0]), float(rows["share_high"].iloc[0])
    return percent(low) if percent(low) == percent(high) else f"{percent(low)} to {percent(high)}"


def _measure(m: CombinedMeasure, name: str) -> str:
    first, last = m.course.line.iloc[0], m.course.line.iloc[-1]
    text = (
        f"Mean course: {with_unit(first['estimate'], m.unit)} at the start, "
        f"{with_unit(last['estimate'], m.unit)} ({interval(last['ci_low'], last['ci_high'])}) "
        f"after {number(last['week'])} weeks, from readings near weeks 0, 3, 6 and 12 of "
        f"{m.course.n:,} episodes."
    )
    if len(m.clinic_spread):
        sd = m.clinic_spread.set_index("term")["sd"]
        text += (
            f" Clinics differ by {with_unit(sd.iloc[0], m.unit)} in mean start and "
            f"{with_unit(sd.iloc[1], m.unit)} in mean gain (standard deviations)."
        )
    picture = ""
    if len(m.funnel):
        picture = share_funnel_figure(
            m.funnel, title=name, label="detectable gain", named=False
        )._repr_html_()
    return f"<p>{escape(text)}</p>{picture}"
