"""From a caseload to the folder of a case series, ready to be read by a fussy reviewer."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from outcomes.carried import synthetic_caseload
from outcomes.records.caseload import Caseload
from outcomes.records.write import csv_bytes, write_atomically
from outcomes.reporting.case_series.analysis import CaseSeries, analyse_case_series
from outcomes.reporting.case_series.checklists import checklist_tables
from outcomes.reporting.case_series.data_package import data_tables, write_data_package
from outcomes.reporting.case_series.disclosure import DESCRIBED
from outcomes.reporting.case_series.export import export_figure
from outcomes.reporting.case_series.key_folder import keys_of, masked_seed, read_key, write_keys
from outcomes.reporting.case_series.manuscript import checklist_document, manuscript, read_first
from outcomes.reporting.case_series.masked import write_masked
from outcomes.reporting.case_series.references import bibliography, cited
from outcomes.reporting.case_series.result_tables import index_table
from outcomes.reporting.manifest import MANIFEST, Manifest, describe_carried, describe_files
from outcomes.statistics.single_case.recorded_design import RecordedDesign
from outcomes.statistics.single_case.summary import MeasureSeries

__all__ = ["Progress", "case_series"]

Progress = Callable[[int, int, str], None]


def case_series(
    caseload: Caseload,
    *,
    measures: Iterable[str],
    out: str | Path = "",
    clients: Iterable[str] | None = None,
    facts: Iterable[str] = tuple(DESCRIBED),
    design: RecordedDesign | None = None,
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
        (``NAME_keys``), never inside; with keys there, clients keep the labels of that draft.
    clients : iterable of str, optional
        Codes; all clients with consent where left out.
    facts : iterable of str
        What Table 1 and the data tell about a client, of age_band, sex, complaint,
        affected_side, onset_band, clinic: fewer facts, fewer people recognised.
    design : RecordedDesign, optional
        What was drawn at random before the series began (`read_design`); without it no
        randomisation test is made.
    seed : int
        For the bootstrap.
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
            design=design,
            seed=seed,
            confidence=confidence,
        )
    folder = Path(out).resolve()
    keys = keys_of(folder)
    show = progress or (lambda done, total, what: None)
    show(0, 4, "analysing")
    series = analyse_case_series(
        caseload,
        measures=measures,
        clients=clients,
        facts=facts,
        design=design,
        key=read_key(keys),
        seed=seed,
        confidence=confidence,
    )
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
    rng = np.random.default_rng(masked_seed(keys))
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
        inputs=_described(inputs, folder),
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
    write_keys(keys, client_key=series.selection.key, masked_key=masked_key)
    show(4, 4, "done")
    names = sorted(p.relative_to(folder).as_posix() for p in written)
    return replace(series, folder=folder, keys=keys, files=(*names, MANIFEST))


def _described(inputs: Iterable[Path], folder: Path) -> list[dict[str, Any]]:
    carried = synthetic_caseload().resolve()
    files = list(inputs)
    own = [path for path in files if path.resolve().parent == carried]
    others = [path for path in files if path.resolve().parent != carried]
    return describe_files(others, folder=folder) + describe_carried(own)


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
    forms = checklist_tables(series.selection, series.found, series.design)
    for name, table in forms.items():
        path = folder / "checklists" / f"{name}.html"
        written.append(write_atomically(path, table.to_html().encode()))
    path = folder / "checklists" / "checklists.docx"
    written.append(write_atomically(path, checklist_document(forms)))
    return written


def _write_texts(series: CaseSeries, folder: Path, pictures: dict[str, Path]) -> list[Path]:
    numbers = pd.concat([series.methods.numbers, series.results.numbers], ignore_index=True)
    thresholds = [t for one in series.found for t in (one.error, one.importance)]
    supplement = index_table(series.found)
    indices = supplement["index"] if len(supplement) else ()
    keys = cited(series.methods.text)
    texts = {
        "methods.txt": (series.methods.text + "\n").encode(),
        "results.txt": (series.results.text + "\n").encode(),
        "numbers.csv": csv_bytes(numbers),
        "references.bib": bibliography(keys, thresholds, indices=indices).encode(),
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
