"""What the notebook that rebuilds an analysis shows: source, rows, flow, verdicts, headline."""

from __future__ import annotations

from dataclasses import dataclass, replace
from html import escape
from pathlib import Path
from typing import cast

import pandas as pd

from outcomes.carried import notebook_path, synthetic_caseload, synthetic_settings
from outcomes.measures.catalogue import Measure
from outcomes.records import read_caseload
from outcomes.records.caseload import Caseload
from outcomes.records.settings import read_settings
from outcomes.records.write import write_atomically
from outcomes.reporting import sentences
from outcomes.reporting.figures import flow_diagram, start_against_latest
from outcomes.reporting.manifest import read_manifest
from outcomes.reporting.picture import Html
from outcomes.reporting.provenance import provenance
from outcomes.reporting.reproduce import what_differs
from outcomes.reporting.scripting import notebook_as_script
from outcomes.reporting.tables import table
from outcomes.reporting.wording import count_of, interval, number, plural, with_unit
from outcomes.results import Estimate
from outcomes.statistics.effect_size import verdict_shares
from outcomes.statistics.review import QuarterReview
from outcomes.statistics.service import eligible_episodes, flow_counts, quarter_dates

__all__ = [
    "Origin",
    "find_origin",
    "flow",
    "headline",
    "in_scope",
    "one_series",
    "opening",
    "origin_table",
    "rows",
    "save_script",
    "verdicts",
]

_SERIES = ["client", "episode", "side", "mode", "instrument"]
_STAGES = ("eligible", "measured_at_start", "measured_again", "analysed")


@dataclass(frozen=True)
class Origin:
    """Where an analysis starts: the arguments of a run, or those typed in."""

    data: str
    mapping: str
    thresholds: str
    quarter: str
    folder: Path | None = None
    differs: tuple[str, ...] = ()
    settings: str = ""

    @property
    def used(self) -> dict[str, str]:
        """Arguments in use: those of the run, where there is one."""
        return {
            "data": self.data,
            "mapping": self.mapping,
            "thresholds": self.thresholds,
            "settings": self.settings,
            "quarter": self.quarter,
        }

    def read(self) -> Caseload:
        """Read the caseload that it names, by the clinic's settings as the review does."""
        clinic = read_settings(self.settings or (None if self.data else synthetic_settings()))
        return read_caseload(
            self.data or synthetic_caseload(),
            mapping=self.mapping or None,
            thresholds=self.thresholds or clinic.thresholds or None,
        )


def find_origin(
    run: str = "", *, data: str = "", mapping: str = "", thresholds: str = "", quarter: str = ""
) -> Origin:
    """Take the arguments of a run from its manifest; without a run, those given.

    Parameters
    ----------
    run : str
        Folder of a run, with its manifest; empty: there is none.
    data : str
        Where the data are; with a run, only if they have moved.
    mapping, thresholds, quarter : str
        As the review takes them; with a run, its own are used.

    Returns
    -------
    Origin

    Raises
    ------
    DataError
        If the folder has no manifest.
    """
    if not run:
        return Origin(data, mapping, thresholds, quarter or "latest")
    folder = Path(run).resolve()
    manifest = read_manifest(folder)
    given = manifest.parameters

    def found(name: str) -> str:
        path = str(given.get(name, ""))
        return path if not path or "://" in path else str((folder / path).resolve())

    return Origin(
        data or found("data"),
        found("mapping"),
        found("thresholds"),
        str(given.get("quarter", "latest")),
        folder,
        tuple(what_differs(manifest, folder, data=data)),
        found("settings"),
    )


def opening(origin: Origin, report: QuarterReview) -> Html:
    """Say what is analysed, and what is not as it was when the run was made."""
    where = (
        f"The run in {origin.folder.name}" if origin.folder is not None
        else "The data given" if origin.data else "The synthetic caseload"
    )  # fmt: skip
    m = report.measures[0]
    text = (
        f"{where}, {sentences.period(report)}: {m.measure.name}. The report says: "
        f"{sentences.measure_sentence(m)}"
    )
    parts = [f'<p class="sentence">{escape(text)}</p>']
    if origin.folder is not None:
        if origin.differs:
            items = "".join(f"<li>{escape(x)}</li>" for x in origin.differs)
            parts.append(f"<p>Not as it was when the run was made:</p><ul>{items}</ul>")
        else:
            parts.append("<p>Inputs, versions, code and platform are those of the run.</p>")
    return Html("".join(parts))


def rows(caseload: Caseload, measure: str) -> Html:
    """Count rows in, used and set aside, and the rules that touched this measure's clients."""
    balance = table(
        caseload.balance,
        {c: c.replace("_", " ").capitalize() for c in caseload.balance.columns},
        caption="Rows: in = used + set aside",
    )
    ledger = caseload.ledger
    counts = ledger.groupby(["table", "rule", "action"], as_index=False, observed=True).size()
    touched = table(
        pd.DataFrame(counts),
        {"table": "Table", "rule": "Rule", "action": "What was done", "size": "Entries"},
        caption="The ledger, all measures",
        empty="every row was used as it stands.",
        most=12,
    )
    own = caseload.measurements[caseload.measurements["measure"] == measure]
    moments = own.groupby("moment", observed=True).size()
    told = "; ".join(f"{name} treatment {int(n):,}" for name, n in moments.items())
    note = (
        f"Readings of this measure: {len(own):,} ({told}). Change between visits uses readings "
        "before treatment only."
    )
    return balance + touched + Html(f"<p>{escape(note)}</p>")


def in_scope(values: pd.DataFrame, caseload: Caseload, quarter: str) -> pd.DataFrame:
    """Keep episodes with a visit attended in the quarter, and readings up to its end.

    Parameters
    ----------
    values : DataFrame
        Values at visits, from `visit_values`.
    caseload : Caseload
        For its visits.
    quarter : str
        As 2026Q2, or all.

    Returns
    -------
    DataFrame
        The rows kept, of the same columns.
    """
    end = quarter_dates(quarter)[1] + pd.Timedelta(days=1)
    seen = eligible_episodes(caseload.visits, quarter=quarter)
    return values[values["date"] < end].merge(seen, on=["client", "episode"])


def flow(values: pd.DataFrame, caseload: Caseload, report: QuarterReview) -> Html:
    """Draw who was seen, measured, measured again and analysed, and count readings a client."""
    m = report.measures[0].measure
    counts = flow_counts(
        values, visits=caseload.visits, quarter=report.quarter, measures=[m.code]
    ).iloc[0]
    picture = flow_diagram(
        {stage: int(counts[stage]) for stage in _STAGES},
        title=f"From the door to the analysis: {m.name}",
    )
    each = values.groupby(["client", "episode"]).size()
    kinds = (values["mode"] + " " + values["instrument"]).str.strip().value_counts()
    told = ", ".join(f"{kind or 'not recorded'} {int(n):,}" for kind, n in kinds.items())
    text = (
        f"{plural(len(values), 'value')} at visits, {number(float(each.median()), 0)} an episode "
        f"in the middle ({int(each.min())} to {int(each.max())}). By kind of reading: {told}."
    )
    return Html(picture._repr_html_() + f"<p>{escape(text)}</p>")


def one_series(values: pd.DataFrame, pairs: pd.DataFrame) -> pd.DataFrame:
    """Keep, of each episode, the series that is judged, with one name an episode in `care`.

    Parameters
    ----------
    values : DataFrame
        Values at visits.
    pairs : DataFrame
        From `start_and_latest`: which side, mode and instrument.

    Returns
    -------
    DataFrame
        Rows of `values` with `care` (client and episode), in order of care and week.
    """
    kept = values.merge(pairs[_SERIES], on=_SERIES)
    care = kept["client"].astype(str) + "/" + kept["episode"].astype(str)
    return kept.assign(care=care).sort_values(["care", "week"], ignore_index=True)


def verdicts(judged: pd.DataFrame, measure: Measure) -> Html:
    """Draw start against latest, and count the verdicts of the two gates with their intervals."""
    shares = verdict_shares(judged)
    shares = shares.assign(
        clients=[count_of(int(c), int(n)) for c, n in zip(shares["count"], shares["n"],
                                                          strict=True)],
        range=[interval(a * 100, b * 100, "percent") for a, b in
               zip(shares["ci_low"], shares["ci_high"], strict=True)],
    )  # fmt: skip
    shown = table(
        shares,
        {"quantity": "Verdict by cut-off", "clients": ("Clients", str),
         "range": ("95% interval", str)},
        caption="Shares of clients, first against latest reading",
    )  # fmt: skip
    picture = start_against_latest(
        judged.assign(worse=judged["worsened"].fillna(False).astype(bool)), measure
    )
    picture = replace(picture, caption=_BY_TWO_READINGS)
    return Html(picture._repr_html_()) + shown


_BY_TWO_READINGS = (
    "Each point is one client, a larger one several; how it is filled says how sure one can be "
    "from these two readings alone. Thin line: no change; grey band: what measurement error can do "
    "to two readings; dashed: the smallest change that clients call important, where one is known."
)


def headline(found: Estimate, *, report: QuarterReview, origin: Origin, measure: Measure) -> Html:
    """Say the mean improvement, and hold it against what the report or the run says."""
    m = report.measures[0]
    better = found.estimate >= 0
    text = (
        f"{plural(found.n, 'client')} {'improved' if better else 'got worse'} by "
        f"{with_unit(abs(found.estimate), measure.unit)} on average (improvement "
        f"{with_unit(found.estimate, measure.unit, sign=True)}, 95% interval "
        f"{interval(found.ci_low, found.ci_high, measure.unit)}; {found.method})."
    )
    others = [("the review", m.improvement.estimate)]
    written = _of_run(origin, measure.code)
    if written is not None:
        others.append(("the run's table of measures", written))
    told = []
    for name, value in others:
        gap = abs(found.estimate - value)
        scale = max(abs(value), 1e-300)
        same = "the same number" if gap / scale < 1e-12 else f"a difference of {gap:.2g}"
        told.append(f"Against {name}: {same}.")
    return Html(f'<p class="sentence">{escape(text)}</p><p>{escape(" ".join(told))}</p>')


def _of_run(origin: Origin, code: str) -> float | None:
    """Read the mean improvement of a measure from the tables of a run, where there is one."""
    if origin.folder is None:
        return None
    path = origin.folder / "tables" / "measures.csv"
    if not path.exists():
        return None
    written = pd.read_csv(path).set_index("measure")
    return float(written.loc[code, "estimate"]) if code in written.index else None  # type: ignore[arg-type]


def origin_table(caseload: Caseload, **parameters: object) -> Html:
    """List the files with their hashes, the settings, and the versions."""
    parts = provenance(caseload, cast("dict[str, object]", parameters))
    files = parts["files"].assign(sha256=parts["files"]["sha256"].str[:16])
    return (
        table(files, {"file": "File", "table": "Table", "rows_in": "Rows",
                      "sha256": "SHA-256 (first 16)"}, caption="Files read")
        + table(parts["settings"], {"name": "Setting", "value": "Value"}, caption="Settings")
        + table(parts["versions"], {"library": "Library", "version": "Version"},
                caption="Versions")
    )  # fmt: skip


def save_script(name: str, save_as: str, **parameters: object) -> Html:
    """Write a ready-made notebook as a script with these parameters, if a file is named."""
    if not save_as:
        return Html('<p class="quiet">Name a file in <code>script_file</code> to save it.</p>')
    text = notebook_as_script(notebook_path(name), parameters)
    target = write_atomically(Path(save_as), text.encode())
    return Html(f"<p>Saved as {escape(Path(target).name)}.</p>")
