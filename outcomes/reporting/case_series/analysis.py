"""A case series computed: selection, statistics, tables, figures, paragraphs; nothing written."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.errors import ArgumentError, DataError, check_between, check_choice
from outcomes.records.caseload import Caseload
from outcomes.records.lookup import error_of, importance_of, measure_of
from outcomes.records.readings import judged_side, visit_values
from outcomes.reporting.case_series.change_figures import forest_figure, start_end_figure
from outcomes.reporting.case_series.course_figure import course_figure
from outcomes.reporting.case_series.design_file import with_labels
from outcomes.reporting.case_series.disclosure import DESCRIBED, identifying_combinations
from outcomes.reporting.case_series.drafting import Paragraph
from outcomes.reporting.case_series.figure_style import PaperFigure
from outcomes.reporting.case_series.measure_table import measure_table
from outcomes.reporting.case_series.paper_table import PaperTable
from outcomes.reporting.case_series.paragraphs import methods_paragraph, results_paragraph
from outcomes.reporting.case_series.people_table import people_table
from outcomes.reporting.case_series.result_tables import across_table, client_table
from outcomes.reporting.case_series.selection import Selection, select_clients
from outcomes.reporting.case_series.treatment_table import treatment_table
from outcomes.statistics.single_case.phases import add_phases
from outcomes.statistics.single_case.recorded_design import RecordedDesign
from outcomes.statistics.single_case.summary import MeasureSeries, summarise_measure

__all__ = ["CaseSeries", "analyse_case_series"]


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
    rows_set_aside : int
        Rows of the whole caseload that were not used; the ledger says why.
    facts : tuple of str
        Facts that Table 1 prints.
    design : RecordedDesign or None
        What was drawn at random before the series began.
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
    rows_set_aside: int
    facts: tuple[str, ...] = tuple(DESCRIBED)
    design: RecordedDesign | None = None
    folder: Path | None = None
    keys: Path | None = None
    files: tuple[str, ...] = ()

    @property
    def summary(self) -> list[str]:
        """What to tell at once."""
        flow = self.selection.flow
        lines = [
            "Clients "
            + "; ".join(f"{r} {n}" for r, n in zip(flow["reason"], flow["count"], strict=True))
            + "."
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
        if self.rows_set_aside:
            lines.append(
                f"Rows set aside while reading: {self.rows_set_aside:,}. `outcomes check` says why."
            )
        if self.folder is not None:
            lines.append(f"Paper: {self.folder}")
            lines.append(f"Keys (keep apart): {self.keys}")
        return lines


def analyse_case_series(
    caseload: Caseload,
    *,
    measures: Iterable[str],
    clients: Iterable[str] | None = None,
    facts: Iterable[str] = tuple(DESCRIBED),
    design: RecordedDesign | None = None,
    key: pd.DataFrame | None = None,
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
    selection = select_clients(caseload, clients=clients, earlier=key)
    chosen = selection.caseload
    drawn = None if design is None else with_labels(design, selection.key)
    values = judged_side(visit_values(chosen, measures=codes), chosen.clients)
    values = add_phases(values, chosen.visits, treatments=chosen.treatments)
    found, left_out = [], []
    for code, measure in known.items():
        rows = values[values["measure"] == code]
        if rows["value"].notna().sum() == 0:
            left_out.append({"measure": measure.name, "reason": "no reading of these clients"})
            continue
        tool = _most(rows["instrument"])
        kinds = {"instrument": selection.instruments.get(tool, ""), "mode": _most(rows["mode"])}
        found.append(
            summarise_measure(
                rows,
                measure,
                error=error_of(caseload, code, **kinds),
                importance=importance_of(caseload, code),
                rng=rng,
                confidence=confidence,
                visits=chosen.visits,
                recorded=drawn,
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
            design=design,
            rules={str(r) for one in found for r in one.values["phase_rule"]},
        ),
        results=results_paragraph(
            selection,
            found,
            people=tables["clients"],
            clients=tables["change"],
            across=tables["across"],
            level=f"{confidence * 100:g}%",
            randomised=design is not None,
        ),
        design=design,
        combinations=identifying_combinations(selection.everyone, selection.key, facts=facts),
        left_out=pd.DataFrame(left_out, columns=["measure", "reason"]),
        rows_set_aside=int(caseload.balance["rows_set_aside"].sum()),
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


def _most(values: pd.Series) -> str:
    kinds = values.dropna().astype("str")
    return "" if kinds.empty else str(kinds.mode().iloc[0])
