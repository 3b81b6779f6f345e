"""From a caseload to the folder of a case series, ready to be read by a fussy reviewer."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import ArgumentError, DataError, check_between, check_choice
from outcomes.records.caseload import Caseload
from outcomes.records.lookup import error_of, importance_of, measure_of
from outcomes.records.readings import judged_side, visit_values
from outcomes.records.safe_text import write_owner_only
from outcomes.records.write import csv_bytes, write_atomically
from outcomes.reporting.case_series.change_figures import forest_figure, start_end_figure
from outcomes.reporting.case_series.checklists import checklist_tables
from outcomes.reporting.case_series.course_figure import course_figure
from outcomes.reporting.case_series.data_package import data_tables, write_data_package
from outcomes.reporting.case_series.disclosure import DESCRIBED, identifying_combinations
from outcomes.reporting.case_series.drafting import Paragraph
from outcomes.reporting.case_series.export import export_figure
from outcomes.reporting.case_series.figure_style import PaperFigure
from outcomes.reporting.case_series.manuscript import checklist_document, manuscript, read_first
from outcomes.reporting.case_series.masked import write_masked
from outcomes.reporting.case_series.measure_table import measure_table
from outcomes.reporting.case_series.paper_table import PaperTable
from outcomes.reporting.case_series.paragraphs import methods_paragraph, results_paragraph
from outcomes.reporting.case_series.people_table import people_table
from outcomes.reporting.case_series.references import bibliography, cited
from outcomes.reporting.case_series.result_tables import (
    across_table,
    client_table,
    index_table,
)
from outcomes.reporting.case_series.selection import Selection, select_clients
from outcomes.reporting.case_series.treatment_table import treatment_table
from outcomes.reporting.manifest import MANIFEST, Manifest, describe_files
from outcomes.statistics.single_case.phases import add_phases
from outcomes.statistics.single_case.summary import MeasureSeries, summarise_measure

__all__ = ["CaseSeries", "analyse_case_series", "case_series"]

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True, eq=False)
class CaseSeries:
    """A case series: what was found, its tables, figures and paragraphs.

    Attributes
    ----------
    selection : Selection
    found : list of MeasureSeries
    tables : dict of str to PaperTable
        ``clients``, ``measures``, ``change``, ``across``, ``treatment``.
    figures : list of PaperFigure
    methods, results : Paragraph
    combinations : DataFrame
        Facts that together may let a reader recognise a client.
    facts : tuple of str
        Facts that Table 1 prints.
    left_out : DataFrame
        measure and reason, of measures asked for without readings.
    folder, keys : Path or None
        Where it was written; where the keys were.
    files : tuple of str
        Files written, relative to `folder`.
    """

    selection: Selection
    found: list[MeasureSeries]
    tables: dict[str, PaperTable]
    figures: list[PaperFigure]
    methods: Paragraph
    results: Paragraph
    combinations: pd.DataFrame
    left_out: pd.DataFrame
    facts: tuple[str, ...] = tuple(DESCRIBED)
    folder: Path | None = None
    keys: Path | None = None
    files: tuple[str, ...] = ()

    @property
    def summary(self) -> list[str]:
        """What to tell at once."""
        flow = self.selection.flow
        lines = [
            "; ".join(f"{r} {n}" for r, n in zip(flow["reason"], flow["count"], strict=True)) + "."
        ]
        phased = {one.measure.short: one.n_phased for one in self.found}
        lines.append(
            "Clients whose phases are compared: "
            + "; ".join(f"{name} {n}" for name, n in phased.items())
            + "."
        )
        whole = self.combinations["facts"].str.startswith("all facts")
        few = self.combinations.loc[~whole, "label"].nunique()
        n = len(self.selection.key)
        if len(self.combinations):
            lines.append(
                f"Might be recognised, sharing printed facts with fewer than 3 clients of the "
                f"caseload: {few} of {n} by up to three facts, {int(whole.sum())} more by their "
                f"whole line of Table 1. See read_first.txt; print fewer facts (facts=...)."
            )
        for row in self.left_out.to_dict("records"):
            lines.append(f"Left out: {row['measure']} ({row['reason']}).")
        if self.folder is not None:
            lines.append(f"Paper: {self.folder}")
            lines.append(f"Keys (keep apart): {self.keys}")
        return lines


def case_series(
    caseload: Caseload,
    *,
    measures: Iterable[str],
    out: str | Path = "",
    clients: Iterable[str] | None = None,
    facts: Iterable[str] = tuple(DESCRIBED),
    seed: int = 1,
    confidence: float = 0.95,
    command: str = "",
    parameters: Mapping[str, Any] | None = None,
    inputs: Iterable[Path] = (),
    progress: Progress | None = None,
) -> CaseSeries:
    """Write everything that a case series needs into one folder, with nobody named.

    Use for 3 to 20 clients with consent to a case report. Do not use it to show that treatment
    works: without randomised starts or a comparison the numbers are changes.

    Parameters
    ----------
    caseload : Caseload
        The clinic's records.
    measures : iterable of str
        Codes, the main one first.
    out : path
        Folder for the paper; nothing is written where empty. The keys go to a folder beside it
        (``NAME_keys``), never inside.
    clients : iterable of str, optional
        Codes; all clients with consent where left out.
    facts : iterable of str
        What Table 1 and the data tell about a client, of age_band, sex, complaint,
        affected_side, onset_band, clinic: fewer facts, fewer people recognised.
    seed : int
        For labels, masked order and bootstrap.
    confidence : float
        Level of intervals and of the detectable change, in (0, 1).
    command : str
        Command line, for the manifest.
    parameters : mapping, optional
        What else the manifest should say of how it was made: paths of data and lists.
    inputs : iterable of Path
        Files read, for the manifest.
    progress : callable, optional
        Called with (done, total, what).

    Returns
    -------
    CaseSeries

    Raises
    ------
    ArgumentError
        Unknown clients or measures, none given.
    DataError
        No client with consent; no reading of any measure; a folder that cannot be written.
    MissingExtraError
        python-docx is not installed.
    """
    begun = time.monotonic()
    if not str(out):
        return analyse_case_series(
            caseload,
            measures=measures,
            clients=clients,
            facts=facts,
            seed=seed,
            confidence=confidence,
        )
    show = progress or (lambda done, total, what: None)
    show(0, 4, "analysing")
    series = analyse_case_series(
        caseload,
        measures=measures,
        clients=clients,
        facts=facts,
        seed=seed,
        confidence=confidence,
    )
    folder = Path(out).resolve()
    keys = folder.with_name(f"{folder.name}_keys")
    written: list[Path] = []
    show(1, 4, "figures")
    pictures: dict[str, Path] = {}
    for figure in series.figures:
        files = export_figure(figure, folder / "figures")
        pictures[figure.name] = next(f for f in files if f.name.endswith("double.png"))
        written += files
    alt = pd.DataFrame(
        [{"figure": f.number, "file": f.name, "caption": f.caption, "alternative_text": f.alt}
         for f in series.figures]
    )  # fmt: skip
    written.append(write_atomically(folder / "figures" / "captions.csv", csv_bytes(alt)))
    rng = np.random.default_rng([seed, 7])
    masked, masked_key = write_masked(series.found[0], folder / "masked", rng=rng)
    written += masked
    show(2, 4, "tables")
    written += _write_tables(series, folder)
    show(3, 4, "documents")
    written += _write_texts(series, folder, pictures)
    manifest = Manifest(
        command="case-series",
        parameters={
            "measures": [one.measure.code for one in series.found],
            "n_clients": len(series.selection.key),
            "confidence": confidence,
            "command_line": command,
            **(parameters or {}),
        },
        inputs=describe_files(inputs, folder=folder),
        outputs=describe_files(sorted(written), folder=folder),
        thresholds=_thresholds(series.found),
        rows=caseload.balance.to_dict("records"),
        seeds={"case_series": seed},
        seconds=round(time.monotonic() - begun, 2),
    )
    made = manifest.made
    data = write_data_package(
        data_tables(series.selection, series.found, facts=series.facts),
        folder / "data",
        title="Case series: anonymised data",
        made=made,
    )
    manifest.outputs.extend(describe_files(data, folder=folder))
    written += data
    write_atomically(folder / MANIFEST, manifest.to_json().encode())
    _write_keys(keys, series.selection.key, masked_key)
    show(4, 4, "done")
    names = sorted(p.relative_to(folder).as_posix() for p in written)
    return _with(series, folder=folder, keys=keys, files=(*names, MANIFEST))


def analyse_case_series(
    caseload: Caseload,
    *,
    measures: Iterable[str],
    clients: Iterable[str] | None = None,
    facts: Iterable[str] = tuple(DESCRIBED),
    seed: int = 1,
    confidence: float = 0.95,
) -> CaseSeries:
    """Compute a case series without writing anything; see `case_series`."""
    check_between("confidence", confidence, 0, 1, remedy="Give 0.95")
    codes = list(dict.fromkeys(measures))
    facts = tuple(check_choice("facts", fact, DESCRIBED) for fact in facts)
    if not codes:
        raise ArgumentError("measures must name at least one measure, got none. Give its code.")
    known = {code: measure_of(caseload, code) for code in codes}
    rng = np.random.default_rng(seed)
    selection = select_clients(caseload, clients=clients, rng=rng)
    chosen = selection.caseload
    values = judged_side(visit_values(chosen, measures=codes), chosen.clients)
    values = add_phases(values, chosen.visits, treatments=chosen.treatments)
    found, left_out = [], []
    for code, measure in known.items():
        rows = values[values["measure"] == code]
        if rows["value"].notna().sum() == 0:
            left_out.append({"measure": measure.name, "reason": "no reading of these clients"})
            continue
        kinds = {c: _most(rows[c]) for c in ("instrument", "mode")}
        found.append(
            summarise_measure(
                rows,
                measure,
                error=error_of(caseload, code, **kinds),
                importance=importance_of(caseload, code),
                rng=rng,
                confidence=confidence,
            )
        )
    if not found:
        raise DataError(
            "at least one measure must have readings before treatment of the clients chosen; none "
            "has. Check the codes of measures and the list of clients."
        )
    tables = {
        "clients": people_table(selection, facts=facts),
        "measures": measure_table(found, confidence=confidence),
        "change": client_table(found, confidence=confidence),
        "across": across_table(found, confidence=confidence),
        "treatment": treatment_table(chosen),
    }
    return CaseSeries(
        selection=selection,
        found=found,
        tables=tables,
        figures=_figures(found, f"{confidence * 100:g}%"),
        methods=methods_paragraph(
            selection,
            found,
            confidence=confidence,
            seed=seed,
            rules={str(r) for one in found for r in one.values["phase_rule"]},
        ),
        results=results_paragraph(
            selection,
            found,
            people=tables["clients"],
            clients=tables["change"],
            across=tables["across"],
            level=f"{confidence * 100:g}%",
        ),
        combinations=identifying_combinations(selection.everyone, selection.key, facts=facts),
        left_out=pd.DataFrame(left_out, columns=["measure", "reason"]),
        facts=facts,
    )


def _figures(found: list[MeasureSeries], level: str) -> list[PaperFigure]:
    several = len(found) > 1
    figures = []
    for place, one in enumerate(found):
        letter = chr(ord("A") + place) if several else ""
        figures.append(course_figure(one, figure_number=f"1{letter}"))
        if len(one.judged) or len(one.levels):
            figures.append(forest_figure(one, figure_number=f"2{letter}", level=level))
        if len(one.judged):
            figures.append(start_end_figure(one, figure_number=f"3{letter}", level=level))
    return sorted(figures, key=lambda figure: figure.number)


def _write_tables(series: CaseSeries, folder: Path) -> list[Path]:
    written = []
    for table in series.tables.values():
        stem = folder / "tables" / f"table_{table.number}"
        written += [
            write_atomically(stem.with_suffix(".csv"), table.to_csv()),
            write_atomically(stem.with_suffix(".html"), table.to_html().encode()),
            write_atomically(stem.with_suffix(".tex"), table.to_latex().encode()),
        ]
    supplement = index_table(series.found)
    if len(supplement):
        path = folder / "tables" / "single_case_indices.csv"
        written.append(write_atomically(path, csv_bytes(supplement)))
    forms = checklist_tables(series.selection, series.found)
    for name, table in forms.items():
        path = folder / "checklists" / f"{name}.html"
        written.append(write_atomically(path, table.to_html().encode()))
    path = folder / "checklists" / "checklists.docx"
    written.append(write_atomically(path, checklist_document(forms)))
    return written


def _write_texts(series: CaseSeries, folder: Path, pictures: dict[str, Path]) -> list[Path]:
    numbers = pd.concat([series.methods.numbers, series.results.numbers], ignore_index=True)
    phased = any(one.n_phased for one in series.found)
    thresholds = [t for one in series.found for t in (one.error, one.importance)]
    keys = cited(phased=phased)
    texts = {
        "methods.txt": (series.methods.text + "\n").encode(),
        "results.txt": (series.results.text + "\n").encode(),
        "numbers.csv": csv_bytes(numbers),
        "references.bib": bibliography(keys, thresholds).encode(),
        "read_first.txt": read_first(series.selection, series.combinations).encode(),
        "manuscript.docx": manuscript(
            series.tables,
            [(figure, pictures[figure.name].read_bytes()) for figure in series.figures],
            methods=series.methods,
            results=series.results,
            keys=keys,
        ),
    }
    return [write_atomically(folder / name, data) for name, data in texts.items()]


def _write_keys(folder: Path, key: pd.DataFrame, masked: pd.DataFrame) -> None:
    """Write both keys so that only their owner can read them; a run again replaces them."""
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    os.chmod(folder, 0o700)
    for name, frame in (("client_key.csv", key), ("masked_key.csv", masked)):
        (folder / name).unlink(missing_ok=True)
        write_owner_only(folder / name, csv_bytes(frame).decode())


def _thresholds(found: list[MeasureSeries]) -> list[dict[str, object]]:
    return [
        {
            "measure": t.measure,
            "kind": t.kind,
            "value": t.value,
            "unit": t.unit,
            "source": t.source,
            "citation": t.citation,
            "status": t.status,
        }
        for one in found
        for t in (one.error, one.importance)
        if t is not None
    ]


def _most(values: pd.Series) -> str:
    kinds = values.dropna().astype("str")
    return "" if kinds.empty else str(kinds.mode().iloc[0])


def _with(series: CaseSeries, **changes: object) -> CaseSeries:
    from dataclasses import replace

    return replace(series, **changes)  # type: ignore[arg-type]
