"""Two runs side by side: what moved, and whether data, thresholds or versions moved it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from outcomes.errors import DataError
from outcomes.reporting.document import frame_page
from outcomes.reporting.manifest import Manifest, read_manifest
from outcomes.reporting.tables import table
from outcomes.reporting.wording import join_words, percent, plural, signed

__all__ = ["ComparedRuns", "compare_runs", "comparison_page"]

_EPISODE = ["client", "episode", "measure"]
_WATCHED = ("python", "numpy", "pandas", "scipy", "statsmodels", "formulaic", "outcomes")


@dataclass(frozen=True, eq=False, kw_only=True)
class ComparedRuns:
    """What differs between an earlier run and a later one.

    Attributes
    ----------
    measures : DataFrame
        measure, n and estimate before and after, shares before and after.
    verdicts : DataFrame
        client, episode, measure, verdict before and after: those in both runs whose verdict by the
        model changed.
    thresholds : DataFrame
        measure, kind, value and source before and after, where they differ.
    reasons : tuple of str
        What changed between the runs, one sentence each.
    """

    measures: pd.DataFrame
    verdicts: pd.DataFrame
    thresholds: pd.DataFrame
    reasons: tuple[str, ...]

    @property
    def summary(self) -> list[str]:
        """At most six lines of text."""
        return [
            *self.reasons[:4],
            f"{plural(len(self.verdicts), 'verdict')} of clients in both runs changed.",
        ]


def compare_runs(before: Path, after: Path) -> ComparedRuns:
    """Compare the tables and manifests of two run folders.

    Raises
    ------
    DataError
        If a folder is not that of a review.
    """
    old, new = read_manifest(before), read_manifest(after)
    tables = {}
    for name in ("measures", "clients"):
        for label, folder in (("before", before), ("after", after)):
            path = folder / "tables" / f"{name}.csv"
            if not path.exists():
                raise DataError(
                    f"{folder.name} must hold the tables of a review, and lacks {name}.csv. Give "
                    f"the folder of a finished review."
                )
            tables[name, label] = pd.read_csv(path)
    return ComparedRuns(
        measures=_measures(tables["measures", "before"], tables["measures", "after"]),
        verdicts=_verdicts(tables["clients", "before"], tables["clients", "after"]),
        thresholds=_thresholds(old, new),
        reasons=tuple(_reasons(old, new)),
    )


def _measures(before: pd.DataFrame, after: pd.DataFrame) -> pd.DataFrame:
    columns = ["measure", "unit", "analysed", "estimate", "share_surely_improved"]
    return before[columns].merge(
        after[columns], on=["measure", "unit"], how="outer", suffixes=("_before", "_after")
    )


def _verdicts(before: pd.DataFrame, after: pd.DataFrame) -> pd.DataFrame:
    columns = [*_EPISODE, "model_verdict", "verdict"]
    both = before[columns].merge(after[columns], on=_EPISODE, suffixes=("_before", "_after"))
    changed = both["model_verdict_before"].ne(both["model_verdict_after"]) | both[
        "verdict_before"
    ].ne(both["verdict_after"])
    return both[changed].reset_index(drop=True)


def _thresholds(old: Manifest, new: Manifest) -> pd.DataFrame:
    columns = ["measure", "kind", "value", "citation"]
    before, after = (
        pd.DataFrame(m.thresholds, columns=columns).drop_duplicates(["measure", "kind"])
        for m in (old, new)
    )
    both = before.merge(after, on=["measure", "kind"], how="outer", suffixes=("_before", "_after"))
    same = both["value_before"].eq(both["value_after"]) | (
        both["value_before"].isna() & both["value_after"].isna()
    )
    return both[~same].reset_index(drop=True)


def _reasons(old: Manifest, new: Manifest) -> list[str]:
    found = []
    if old.parameters.get("quarter") != new.parameters.get("quarter"):
        found.append("The runs review different quarters.")
    hashes = [{Path(e["path"]).name: e["sha256"] for e in m.inputs} for m in (old, new)]
    moved = sorted(
        name for name in hashes[0] | hashes[1] if hashes[0].get(name) != hashes[1].get(name)
    )
    if moved:
        found.append(f"Data changed: {join_words(moved[:5])}.")
    rows = [sum(r["rows_used"] for r in m.rows) for m in (old, new)]
    if rows[0] != rows[1]:
        found.append(f"Rows used: {rows[0]:,} before, {rows[1]:,} now.")
    thresholds = _thresholds(old, new)
    if len(thresholds):
        found.append(f"Thresholds changed for {join_words(sorted(set(thresholds['measure'])))}.")
    versions = [n for n in _WATCHED if old.versions.get(n) != new.versions.get(n)]
    if versions:
        found.append(f"Versions changed: {join_words(versions)}.")
    if old.package.get("sha256") != new.package.get("sha256"):
        found.append("The code of outcomes itself changed.")
    return found or ["Data, thresholds, versions and code are the same."]


def comparison_page(found: ComparedRuns, *, title: str) -> str:
    """Write what moved between two runs as a page."""
    reasons = "".join(f"<li>{reason}</li>" for reason in found.reasons)
    measures = table(
        found.measures,
        {
            "measure": "Measure",
            "analysed_before": "Clients before",
            "analysed_after": "Clients now",
            "estimate_before": ("Mean improvement before", signed),
            "estimate_after": ("now", signed),
            "share_surely_improved_before": ("Surely improved before", percent),
            "share_surely_improved_after": ("now", percent),
        },
        caption="Measures",
    )
    thresholds = table(
        found.thresholds,
        {
            "measure": "Measure",
            "kind": "Threshold",
            "value_before": "Before",
            "value_after": "Now",
            "citation_after": "Source now",
        },
        caption="Thresholds that changed",
        empty="none.",
    )
    verdicts = table(
        found.verdicts,
        {
            "client": "Client",
            "measure": "Measure",
            "model_verdict_before": "From all visits, before",
            "model_verdict_after": "now",
            "verdict_before": "First against latest, before",
            "verdict_after": "now",
        },
        caption="Clients in both runs whose verdict changed",
        empty="none.",
        most=40,
    )
    return frame_page(
        f"<h1>{title}</h1><h2>What changed between the runs</h2><ul>{reasons}</ul>"
        f"<h2>What moved</h2>{measures.text}{thresholds.text}{verdicts.text}",
        title=title,
    )
