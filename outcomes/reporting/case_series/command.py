"""What the command does: read the records, write the paper, say where everything is."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from outcomes.carried import synthetic_caseload
from outcomes.records import read_caseload
from outcomes.reporting.case_series.analysis import CaseSeries
from outcomes.reporting.case_series.design_file import read_design
from outcomes.reporting.case_series.disclosure import DESCRIBED
from outcomes.reporting.case_series.key_folder import keys_of
from outcomes.reporting.case_series.run import Progress, case_series
from outcomes.reporting.case_series.sections import client_list
from outcomes.reporting.input_rows import INPUT_ROWS, write_input_rows
from outcomes.reporting.manifest import input_files, nearest_path

__all__ = ["run_case_series"]


def run_case_series(
    *,
    data: str,
    measures: Iterable[str],
    out: str,
    clients: str = "",
    mapping: str = "",
    thresholds: str = "",
    facts: Iterable[str] = tuple(DESCRIBED),
    design: str = "",
    seed: int = 1,
    confidence: float = 0.95,
    progress: Progress | None = None,
) -> CaseSeries:
    """Read a caseload and write the folder of a case series.

    Parameters
    ----------
    data, mapping, thresholds : str
        As `outcomes.records.read_caseload` takes them; empty where not given.
    measures : iterable of str
        Codes, the main one first.
    out : str
        Folder for the paper.
    clients : str
        Text file with one client code a line; empty: those with phases recorded, or else all.
    facts : iterable of str
        What Table 1 tells, as in `case_series`.
    design : str
        TOML file that says what was drawn at random (see `design_file`); empty: nothing was.
    seed : int
        For the bootstrap.
    confidence : float
        Level of intervals and of the detectable change, in (0, 1).
    progress : callable, optional
        Called with (done, total, what).

    Returns
    -------
    CaseSeries
        `.summary` holds the lines to tell.
    """
    caseload = read_caseload(data, mapping=mapping or None, thresholds=thresholds or None)
    folder = Path(out).resolve()
    paths = {
        "data": data,
        "clients": clients,
        "mapping": mapping,
        "thresholds": thresholds,
        "design": design,
    }
    shown = {**paths, "data": "" if data == str(synthetic_caseload()) else data}
    given = {
        name: path if "://" in path else nearest_path(Path(path), folder)
        for name, path in shown.items()
        if path
    }
    codes, wanted = list(measures), list(facts)
    words = [f"--{name} {path}" for name, path in given.items()]
    series = case_series(
        caseload,
        measures=codes,
        out=folder,
        clients=client_list(clients, caseload),
        facts=wanted,
        design=read_design(design),
        seed=seed,
        confidence=confidence,
        command=" ".join(
            [
                "outcomes case-series",
                *words,
                f"--facts {','.join(wanted)}",
                f"--measures {','.join(codes)}",
                f"--seed {seed}",
            ]
        ),
        parameters={**given, "facts": wanted, "seed": seed},
        inputs=[file for path in paths.values() for file in input_files(path)],
        progress=progress,
    )
    write_input_rows(keys_of(folder) / INPUT_ROWS, data=data, mapping=mapping)
    return series
