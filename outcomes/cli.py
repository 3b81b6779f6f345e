"""The commands. Each one reads its arguments, calls one function, and says where the result is."""

from __future__ import annotations

import shutil
import sys
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import typer

from outcomes import __version__
from outcomes.carried import carried_folder, synthetic_caseload
from outcomes.errors import DataError, OutcomesError
from outcomes.records.settings import EXAMPLE

__all__ = ["app", "main"]

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Outcome statistics across a caseload: did clients get better, by how much, how sure.",
)

Data = Annotated[
    str,
    typer.Option("--data", help="Folder, workbook, file or database; the synthetic caseload "
                 "when left out.", show_default=False),
]  # fmt: skip
Mapping = Annotated[
    str,
    typer.Option("--mapping", help="TOML file that says what each column is.", show_default=False),
]
Thresholds = Annotated[
    str,
    typer.Option("--thresholds", help="TOML file of the clinic's own thresholds.",
                 show_default=False),
]  # fmt: skip
Out = Annotated[
    str,
    typer.Option("--out", help="Folder for the results.", show_default=False),
]
Debug = Annotated[bool, typer.Option("--debug", help="Show where an error arose.")]


class Language(StrEnum):
    """Languages that the sentences exist in."""

    en = "en"


@app.callback()
def _root() -> None:
    """Hold the commands together."""


@app.command()
def review(
    data: Data = "",
    mapping: Mapping = "",
    quarter: Annotated[
        str, typer.Option(help="Quarter such as 2026Q2, or latest.", show_default=True)
    ] = "latest",
    out: Out = "",
    thresholds: Thresholds = "",
    settings: Annotated[
        str, typer.Option("--settings", help="TOML file of the clinic.", show_default=False)
    ] = "",
    names: Annotated[
        bool, typer.Option("--names", help="Show the codes of practitioners.")
    ] = False,
    pdf: Annotated[bool, typer.Option("--pdf", help="Also print the report to PDF.")] = False,
    compare: Annotated[
        str,
        typer.Option(
            "--compare", help="Folder of an earlier run: show what moved.", show_default=False
        ),
    ] = "",
    language: Annotated[
        Language, typer.Option("--language", help="Language of the sentences.")
    ] = Language.en,
    workers: Annotated[
        int, typer.Option("--workers", min=0, help="Of a store: worker processes to start.")
    ] = 0,
    scheduler: Annotated[
        str,
        typer.Option(
            "--scheduler",
            help="Of a store: running scheduler, tcp://HOST:8786.",
            show_default=False,
        ),
    ] = "",
    memory: Annotated[
        str,
        typer.Option("--memory", help="Of a store: limit such as 4GB.", show_default=False),
    ] = "",
    debug: Debug = False,
) -> None:
    """Write the quarter's report and workbook."""
    if workers or scheduler or memory or (data and (Path(data) / "manifest.json").is_file()):
        from outcomes.network.commands import run_network_review

        typer.echo(
            run_network_review(
                data=data, quarter=quarter, out=out, settings=settings, names=names,
                workers=workers, scheduler=scheduler, memory=memory,
                progress=_progress("review"),
            )
        )  # fmt: skip
        return
    from outcomes.reporting.runs import run_review

    result = run_review(
        data=data or str(synthetic_caseload()),
        mapping=mapping,
        quarter=quarter,
        out=out,
        thresholds=thresholds,
        settings=settings,
        names=names,
        pdf=pdf,
        compare=compare,
        progress=_progress("review"),
    )
    typer.echo(result.summary)


@app.command()
def check(
    data: Data = "",
    mapping: Mapping = "",
    out: Out = "",
    strict: Annotated[
        bool, typer.Option("--strict", help="Stop at the first table with a refusal.")
    ] = False,
    debug: Debug = False,
) -> None:
    """Read a caseload, compute nothing, and show what was set aside and why."""
    from outcomes.reporting.runs import run_check

    result = run_check(
        data=data or str(synthetic_caseload()), mapping=mapping, out=out, strict=strict
    )
    typer.echo(result.summary)


@app.command(name="map")
def map_file(
    file: Annotated[str, typer.Argument(help="The clinic's own spreadsheet.")],
    sheet: Annotated[str, typer.Option(help="Sheet to look at.", show_default=False)] = "",
    out: Annotated[str, typer.Option(help="Mapping file to write.", show_default=False)] = "",
    debug: Debug = False,
) -> None:
    """Propose what each column of a spreadsheet is, as a mapping file to edit."""
    from outcomes.reporting.runs import run_map

    typer.echo(run_map(file, sheet=sheet, out=out).summary)


@app.command()
def start(
    folder: Annotated[Path, typer.Argument(help="New folder to work in.")],
    debug: Debug = False,
) -> None:
    """Copy the notebooks and the synthetic caseload into a folder of your own."""
    if folder.exists() and any(folder.iterdir()):
        raise DataError(f"{folder.name} must be new or empty; it holds files. Give another name.")
    for name in ("notebooks", "data_synthetic"):
        shutil.copytree(
            carried_folder(name),
            folder / name,
            ignore=shutil.ignore_patterns(".*", "__pycache__", "*.py"),
        )
    (folder / "clinic.toml").write_text(EXAMPLE, encoding="utf-8")
    typer.echo(f"Notebooks, synthetic data and a settings file are in {folder}.")
    typer.echo(f"Open them with: jupyter lab {folder / 'notebooks'}")


@app.command()
def reproduce(
    run: Annotated[Path, typer.Argument(help="Folder that a run wrote.")],
    data: Data = "",
    locked: Annotated[
        bool, typer.Option("--locked", help="In a new environment with the versions tested.")
    ] = False,
    debug: Debug = False,
) -> None:
    """Run again from a manifest and compare every number; exit status 1 if any differs."""
    from outcomes.reporting.fresh_environment import reproduce_in_fresh_environment
    from outcomes.reporting.reproduce import reproduce as again

    if locked:
        typer.echo("Building an environment of pinned versions; this takes minutes.", err=True)
        status, said = reproduce_in_fresh_environment(run, data=data)
        typer.echo(said)
        raise typer.Exit(status)
    result = again(run, data=data, progress=_progress("reproduce"))
    typer.echo(result.summary)
    if not result.same:
        raise typer.Exit(1)


@app.command(name="case-series")
def case_series(
    measures: Annotated[
        str, typer.Option("--measures", help="Codes with commas between, the main one first.")
    ],
    data: Data = "",
    clients: Annotated[
        str,
        typer.Option(
            "--clients", help="Text file with one client code a line.", show_default=False
        ),
    ] = "",
    mapping: Mapping = "",
    thresholds: Thresholds = "",
    out: Out = "",
    facts: Annotated[
        str,
        typer.Option(
            "--facts",
            help="What Table 1 tells of a client, with commas between: fewer "
            "facts, fewer people recognised.",
        ),
    ] = "age_band,sex,complaint,affected_side,onset_band,clinic",
    design: Annotated[
        str,
        typer.Option(
            "--design", help="TOML file that says what was drawn at random.", show_default=False
        ),
    ] = "",
    seed: Annotated[int, typer.Option(help="For the bootstrap.")] = 1,
    debug: Debug = False,
) -> None:
    """Write the tables, figures, texts and forms of a case series, with nobody named."""
    from outcomes.reporting.case_series.command import run_case_series

    found = run_case_series(
        data=data or str(synthetic_caseload()),
        measures=[code.strip() for code in measures.split(",") if code.strip()],
        clients=clients,
        mapping=mapping,
        thresholds=thresholds,
        out=out or "outcomes_paper",
        facts=[fact.strip() for fact in facts.split(",") if fact.strip()],
        design=design,
        seed=seed,
        progress=_progress("case series"),
    )
    typer.echo("\n".join(found.summary))


@app.command()
def pack(
    data: Annotated[
        list[str],
        typer.Option("--data", help="Source, once or several times.", show_default=False),
    ] = [],  # noqa: B006 (typer reads it, nobody writes to it)
    out: Annotated[str, typer.Option("--out", help="Folder of the store.")] = "store",
    mapping: Mapping = "",
    thresholds: Thresholds = "",
    quarter: Annotated[str, typer.Option(help="Quarter to add, such as 2026Q2.")] = "all",
    buckets: Annotated[
        int, typer.Option(min=0, help="Parts that a clinic's clients are spread over.")
    ] = 0,
    replace: Annotated[
        bool, typer.Option("--replace", help="Replace what the store holds of the quarter.")
    ] = False,
    check_only: Annotated[
        bool, typer.Option("--check", help="Only hold every file to its hash.")
    ] = False,
    update: Annotated[
        bool, typer.Option("--update", help="Only bring the store up to date.")
    ] = False,
    debug: Debug = False,
) -> None:
    """Pack caseloads of any size into a store, by clinic; or add a quarter to one."""
    from outcomes.network.commands import run_pack

    typer.echo(
        run_pack(
            list(data) or [str(synthetic_caseload())], out=out, mapping=mapping,
            thresholds=thresholds, quarter=quarter, buckets=buckets, replace=replace,
            check=check_only, update=update,
        )
    )  # fmt: skip


@app.command()
def summarise(
    clinic: Annotated[str, typer.Option("--clinic", help="Code that the network knows you by.")],
    data: Data = "",
    out: Annotated[str, typer.Option("--out", help="File to write.", show_default=False)] = "",
    mapping: Mapping = "",
    thresholds: Thresholds = "",
    quarter: Annotated[str, typer.Option(help="Quarter such as 2026Q2, latest or all.")] = "latest",
    minimum: Annotated[
        int, typer.Option(min=5, help="Fewest clients in any group that is summed.")
    ] = 10,
    debug: Debug = False,
) -> None:
    """Write sums for a network in place of rows, to be read before they are sent."""
    from outcomes.network.commands import run_summarise

    typer.echo(
        run_summarise(
            data or str(synthetic_caseload()), clinic=clinic, out=out, mapping=mapping,
            thresholds=thresholds, quarter=quarter, minimum=minimum,
        )
    )  # fmt: skip


@app.command()
def combine(
    files: Annotated[list[str], typer.Argument(help="Summaries, one per clinic.")],
    out: Out = "",
    debug: Debug = False,
) -> None:
    """Combine clinics' summaries into a network's report."""
    from outcomes.network.commands import run_combine

    typer.echo(run_combine(files, out=out))


@app.command()
def script(
    notebook: Annotated[str, typer.Argument(help="Name, such as reproduce_analysis.")],
    out: Annotated[str, typer.Option(help="File to write.", show_default=False)] = "",
    debug: Debug = False,
) -> None:
    """Write a ready-made notebook as a Python script to edit."""
    from outcomes.carried import notebook_path
    from outcomes.records.write import write_atomically
    from outcomes.reporting.scripting import notebook_as_script

    target = Path(out or f"{notebook}.py")
    if target.exists():
        raise DataError(f"{target.name} must not exist yet. Give another name with --out.")
    write_atomically(target, notebook_as_script(notebook_path(notebook)).encode())
    typer.echo(f"Script: {target.resolve()}")


@app.command()
def version() -> None:
    """Show the version."""
    typer.echo(__version__)


def _progress(label: str) -> Any:
    """Build a progress bar on the error stream, silent where nobody watches."""
    from tqdm import tqdm

    bar = tqdm(
        total=1,
        desc=label,
        leave=False,
        disable=None,
        file=sys.stderr,
        bar_format="{desc:<34.34} {bar} {n_fmt}/{total_fmt} {elapsed}",
    )

    def show(done: int, total: int, heading: str) -> None:
        bar.total = total
        bar.n = done
        bar.set_description_str(heading)
        if done >= total:
            bar.close()

    return show


def main(arguments: list[str] | None = None) -> int:
    """Run a command line; every refusal is one message and exit status 2."""
    arguments = sys.argv[1:] if arguments is None else arguments
    try:
        app(arguments, standalone_mode=True)
    except OutcomesError as error:
        if "--debug" in arguments:
            raise
        print(f"outcomes: {error}", file=sys.stderr)
        return 2
    except SystemExit as end:
        return int(end.code or 0)
    except KeyboardInterrupt:
        print("outcomes: stopped; nothing was half-written.", file=sys.stderr)
        return 130
    return 0


if __name__ == "__main__":
    sys.exit(main())
