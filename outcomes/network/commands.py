"""What the commands on networks do; each gives a text to show."""

from __future__ import annotations

import json
import shutil
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from outcomes import __version__
from outcomes.network.attention import write_attention
from outcomes.network.clinics import all_clinics, clinic_cells
from outcomes.network.combined_report import write_combined_report
from outcomes.network.engines import open_engine
from outcomes.network.federated import combine, read_summary, summarise, write_summary
from outcomes.network.planning import most_rows
from outcomes.network.reports import quarter_page, write_network_report
from outcomes.network.results import NetworkReview
from outcomes.network.review import review_network
from outcomes.network.store import is_store, migrate, open_store, pack
from outcomes.records import read_caseload
from outcomes.records.settings import read_settings
from outcomes.records.write import write_atomically
from outcomes.reporting.wording import plural

__all__ = ["is_store", "run_combine", "run_network_review", "run_pack", "run_summarise"]

Progress = Callable[[int, int, str], None]
#: Episodes judged up to which a report lists clients.
LISTED = 60_000


def run_pack(
    data: str | Sequence[str],
    *,
    out: str,
    mapping: str = "",
    thresholds: str = "",
    quarter: str = "all",
    buckets: int = 0,
    replace: bool = False,
    check: bool = False,
    update: bool = False,
) -> str:
    """Pack sources into a store, add a quarter to one, check it, or bring it up to date.

    Parameters
    ----------
    data : str or sequence of str
        Sources as `read_caseload` takes them; not used with `check` and `update`.
    out : str
        The store.
    mapping, thresholds : str
        As `read_caseload`; empty where not given.
    quarter : str
        Keep rows of this quarter only; ``"all"`` packs everything.
    buckets : int
        Parts that each clinic's clients are spread over; 0 leaves it at one, or as the store has.
    replace : bool
        Replace what the store holds of that quarter.
    check : bool
        Only hold every file of the store to its hash.
    update : bool
        Only bring the store to the current version.
    """
    if update:
        store = migrate(out)
    elif check:
        store = open_store(out)
        store.check()
    else:
        sources = [data] if isinstance(data, str) else list(data)
        store = pack(
            sources,
            out,
            mapping=mapping or None,
            thresholds=thresholds or None,
            quarter=quarter,
            buckets=buckets or None,
            replace_quarter=replace,
        )
    clinics = len({p.clinic for p in store.partitions})
    size = sum(part.bytes for part in store.manifest.parts)
    what = "Checked, all whole" if check else "Up to date" if update else "Packed"
    return (
        f"{what}: {plural(clinics, 'clinic')}, {plural(len(store.partitions), 'partition')}, "
        f"{store.rows('visits'):,} visits, {store.rows('measurements'):,} readings, "
        f"{size / 1e6:,.1f} MB.\nStore: {store.folder.resolve()}"
    )


def run_network_review(
    *,
    data: str,
    quarter: str = "latest",
    out: str = "",
    settings: str = "",
    names: bool = False,
    workers: int = 0,
    scheduler: str = "",
    memory: str = "",
    keep: bool = False,
    progress: Progress | None = None,
) -> str:
    """Review a store: the clinic's own report where clients can be listed, else a network's.

    Parameters
    ----------
    data : str
        The store.
    quarter : str
        As 2026Q2, latest or all.
    out : str
        Folder for the results; ``outcomes_review`` in the current folder when empty.
    settings : str
        The clinic's settings file; empty for defaults.
    names : bool
        Show the codes of practitioners.
    workers, scheduler, memory
        As `open_engine`.
    keep : bool
        Keep finished stages after the run. A run that is stopped keeps them in any case, in
        ``.stages`` of the folder for results, and the next one goes on from there.
    progress : callable, optional
        Told rows done, rows in all, and the stage with its time left.
    """
    begun = time.monotonic()
    folder = Path(out or "outcomes_review").resolve()
    work = folder / ".stages"
    store = open_store(data)
    clinic = read_settings(settings)
    measures = clinic.measures or None
    with open_engine(workers=workers, scheduler=scheduler, memory=memory or None) as engine:
        listed = _lists_clients(store.rows("visits"))
        task_rows = most_rows(store, engine)
        review = review_network(
            store,
            quarter=quarter,
            measures=measures,
            engine=engine,
            work=work,
            every_column=listed,
            settings=clinic,
            task_rows=task_rows,
            progress=progress,
        )
        cells = {} if listed else clinic_cells(review)
    if listed:
        parameters = {"data": str(store.folder.resolve()), "quarter": review.quarter}
        parameters |= {"names": names, "out": str(folder)}
        if settings:
            parameters["settings"] = str(Path(settings).resolve())
        told = quarter_page(parameters, work=str(work), task_rows=task_rows, measures=measures)
        lines = [*told["lines"], f"Report:   {told['report']}"]
        lines.append(f"Workbook: {folder / told['workbook']}")
    else:
        source = (
            f"Store of {plural(len(store.partitions), 'partition')}, manifest hash "
            f"{store.fingerprint[:16]}, outcomes {__version__}."
        )
        clinics = all_clinics(review, cells)
        listed_for = folder / "attention"
        attention = write_attention(review, listed_for)
        report = write_network_report(review, clinics, folder, source=source, attention=attention)
        lines = [*_summary(review), f"Report:   {report}", f"Tables:   {folder / 'tables'}"]
        lines.append(f"Clients to speak about, a list for each clinic: {listed_for}")
    seconds = {name: round(value, 2) for name, value in review.seconds.items()}
    told_run = {"store": store.fingerprint, "quarter": review.quarter, "stages": seconds}
    told_run["seconds"] = round(time.monotonic() - begun, 2)
    write_atomically(folder / "stages.json", json.dumps(told_run, indent=1).encode())
    if not keep:
        shutil.rmtree(work, ignore_errors=True)
    return "\n".join(lines)


def _lists_clients(visits: int) -> bool:
    return visits <= 10 * LISTED


def _summary(review: NetworkReview) -> list[str]:
    lines = [
        f"Network review, {review.quarter}: {plural(review.n_clinics, 'clinic')}, "
        f"{plural(review.n_eligible, 'episode')} seen, {plural(len(review.measures), 'measure')}."
    ]
    for row in review.summary.head(6).itertuples():
        lines.append(
            f"{review.names[str(row.measure)]}: mean improvement {row.estimate:.2f} {row.unit} "
            f"({row.ci_low:.2f} to {row.ci_high:.2f}), {row.analysed:,} clients."
        )
    return lines


def run_summarise(
    data: str,
    *,
    clinic: str,
    out: str = "",
    mapping: str = "",
    thresholds: str = "",
    quarter: str = "latest",
    minimum: int = 10,
) -> str:
    """Write a clinic's summary for its network, to be read before it is sent.

    Parameters
    ----------
    data, mapping, thresholds : str
        As `read_caseload`; a store is read as one clinic.
    clinic : str
        Code that the network knows the clinic by.
    out : str
        File to write; ``summary_CLINIC_QUARTER.json`` in the current folder when empty.
    quarter : str
        As 2026Q2, latest or all.
    minimum : int
        Fewest clients in any group that is summed.
    """
    if is_store(data):
        caseload = open_store(data).caseload()
    else:
        caseload = read_caseload(data, mapping=mapping or None, thresholds=thresholds or None)
    summary = summarise(caseload, clinic=clinic, quarter=quarter, minimum=minimum)
    name = "".join(c if c.isalnum() else "_" for c in summary["clinic"])
    path = write_summary(summary, out or f"summary_{name}_{summary['quarter']}.json")
    left = summary["left_out"]
    lines = [
        f"Summary of {plural(len(summary['measures']), 'measure')}, {summary['quarter']}; no group "
        f"has fewer than {minimum} clients.",
        *(
            [f"Left out, too few clients or a measure of your own: {', '.join(left)}."]
            if left
            else []
        ),
        "Read it before you send it. What it reveals:",
        *(f"- {sentence}" for sentence in summary["reveals"]),
        f"File: {path.resolve()}",
    ]
    return "\n".join(lines)


def run_combine(files: Sequence[str], *, out: str = "") -> str:
    """Combine clinics' summaries into a report and tables.

    Parameters
    ----------
    files : sequence of str
        Summary files, one per clinic.
    out : str
        Folder for the results; ``outcomes_network`` in the current folder when empty.
    """
    combined = combine([read_summary(path) for path in files])
    folder = Path(out or "outcomes_network").resolve()
    report = write_combined_report(combined, folder)
    lines = [
        f"Network of {plural(len(combined.clinics), 'clinic')}, {combined.quarter}: "
        f"{plural(len(combined.measures), 'measure')}, from sums that the clinics sent."
    ]
    lines += [
        f"{row.measure}: mean improvement {row.estimate:.2f} {row.unit} "
        f"({row.ci_low:.2f} to {row.ci_high:.2f}), {row.n:,} clients."
        for row in combined.summary.head(6).itertuples()
    ]
    return "\n".join([*lines, f"Report:   {report}", f"Tables:   {folder / 'tables'}"])
