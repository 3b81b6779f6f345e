"""The methods and the results paragraph, drafted from the tables."""

from __future__ import annotations

import outcomes
from outcomes.records.caseload import Caseload
from outcomes.reporting.case_series.drafting import Paragraph, Quote, Setting
from outcomes.reporting.case_series.formats import DASH, inside_sentence
from outcomes.reporting.case_series.paper_table import PaperTable
from outcomes.reporting.case_series.references import cite
from outcomes.reporting.case_series.selection import Selection
from outcomes.reporting.wording import join_words
from outcomes.statistics.single_case.recorded_design import DRAWN, RecordedDesign
from outcomes.statistics.single_case.summary import LEAST_BASELINE, RANDOMISED, MeasureSeries

__all__ = ["methods_paragraph", "results_paragraph"]


def methods_paragraph(
    selection: Selection,
    found: list[MeasureSeries],
    *,
    confidence: float,
    seed: int,
    rules: set[str],
    design: RecordedDesign | None = None,
) -> Paragraph:
    """Draft the methods.

    Parameters
    ----------
    selection : Selection
    found : list of MeasureSeries
    confidence : float
    seed : int
    rules : set of str
        How phases were found: ``recorded``, ``first treatment``.
    design : RecordedDesign, optional
        What was drawn at random before the series began.
    """
    out = Paragraph("methods")
    flow = dict(zip(selection.flow["reason"], selection.flow["count"], strict=True))

    def counted(reason: str) -> Setting:
        return Setting(f"{flow[reason]:,}", f"flow of clients: {reason}")

    level = Setting(f"{confidence * 100:g}%", "confidence level chosen")
    out.add(
        "Of {asked} clients considered, {included} with recorded consent to an anonymised case "
        "report were included.",
        asked=counted("asked for"),
        included=counted("included"),
    )
    for reason, words in (
        ("left out: no consent to a case report recorded", "for want of such consent"),
        ("left out: no visit", "because no attended visit is recorded"),
    ):
        if flow[reason]:
            verb = "was" if flow[reason] == 1 else "were"
            out.add(f"Left out {verb} {{count}} {words}.", count=counted(reason))
    names = [inside_sentence(one.measure.name) for one in found]
    out.add(
        f"Outcomes were {join_words(names)}, read before treatment at each visit; readings after "
        f"treatment were not used, and instruments, active and passive movement were not mixed "
        f"within a client."
    )
    _threshold_methods(out, found, level)
    out.add(_phase_words(rules))
    if design is None:
        out.add(
            "No draw of starts or conditions is recorded, so no randomisation test was made: its p "
            "would have no meaning."
        )
    else:
        out.add(
            f"What was drawn at random before the series was {DRAWN[design.drawn]}. Phases were "
            f"compared by a randomisation test among the assignments that could have been drawn "
            f"({{test}}).",
            test=_reference("edgington2007"),
        )
    if len(selection.key) > 1:
        _across_methods(out, level)
    if any(one.n_phased for one in found):
        _phased_methods(out)
    out.add(
        "The report follows the topics of the SCRIBE ({tate}), CARE ({gagnier}) and STROBE "
        "({elm}) lists, the treatment those of TIDieR ({hoffmann}; Table 5).",
        tate=_reference("tate2016"),
        gagnier=_reference("gagnier2013"),
        elm=_reference("vonelm2007"),
        hoffmann=_reference("hoffmann2014"),
    )
    out.add(
        "No comparison group was measured. The statistics were computed with outcomes {version} "
        "(seed {seed}).",
        version=Setting(outcomes.__version__, "version of the software"),
        seed=Setting(str(seed), "seed of the bootstrap"),
    )
    return out


def _threshold_methods(out: Paragraph, found: list[MeasureSeries], level: Setting) -> None:
    error = any(one.error is not None for one in found)
    important = any(one.importance is not None for one in found)
    if not error:
        out.add(
            "No measurement error is known for these outcomes, so no change is called detectable."
        )
    if error:
        out.add(
            "A change was called detectable at the minimal detectable change with {level} "
            "confidence ({weir}; Table 2).",
            level=level,
            weir=_reference("weir2005"),
        )
    if important:
        out.add(
            "It was called important at the minimal important change ({terwee}), where Table 2 "
            "has one with its source.",
            terwee=_reference("terwee2021"),
        )
    else:
        out.add("No important change is defensible for them, so none is called important.")


def _across_methods(out: Paragraph, level: Setting) -> None:
    out.add(
        "Across clients, the numbers better and worse were compared by an exact sign test "
        "({dixon}), and the mean improvement by a permutation test of its sign ({fisher}) "
        "with a bootstrap-t interval at {level} ({efron}).",
        level=level,
        dixon=_reference("dixon1946"),
        fisher=_reference("fisher1935"),
        efron=_reference("efron1993"),
    )


def _phased_methods(out: Paragraph) -> None:
    least = Setting(str(LEAST_BASELINE), "fewest baseline readings for comparing phases")
    out.add(
        "Where a client had at least {least} baseline readings, phases were compared by the "
        "nonoverlap of all pairs ({parker}) with a score interval ({newcombe}) and by "
        "generalised least squares with continuous-time serial correlation ({jones}), averaged "
        "over its restricted likelihood.",
        least=least,
        parker=_reference("parker2009nap"),
        newcombe=_reference("newcombe2006"),
        jones=_reference("jones1991"),
    )
    out.add(
        "Gains of level were combined in a multilevel model with gains varying between clients "
        "({ferron}) and small-sample degrees of freedom ({kenward}), with a prediction "
        "interval for a next client ({higgins}), and expressed as a between-case standardised "
        "mean difference by restricted maximum likelihood with serial correlation "
        "({pustejovsky}).",
        ferron=_reference("ferron2009"),
        kenward=_reference("kenward1997"),
        higgins=_reference("higgins2009"),
        pustejovsky=_reference("pustejovsky2014"),
    )


def results_paragraph(
    selection: Selection,
    found: list[MeasureSeries],
    *,
    people: PaperTable,
    clients: PaperTable,
    across: PaperTable,
    level: str,
    randomised: bool = False,
) -> Paragraph:
    """Draft the results: declines first, then counts, means, and the spread between clients."""
    out = Paragraph("results")
    n = len(people.rows)
    out.add(
        "The series has {n} clients (Table 1). Round brackets hold {level} confidence intervals.",
        n=Setting(str(n), "Table 1, number of rows"),
        level=Setting(level, "confidence level chosen"),
    )
    places = _block_places(clients)
    across_places = _block_places(across)
    for one in found:
        out.start_part()
        start, end = _block_range(clients, places, one)
        _client_sentences(out, one, clients, range(start, end))
        block = _block_range(across, across_places, one)
        if block[0] < block[1]:
            _across_sentences(out, one, across, range(*block))
    out.start_part()
    _event_sentence(out, selection.caseload)
    out.add(
        ("Apart from the randomisation test, these are" if randomised else "These are")
        + " changes, not effects of treatment: without a comparison, natural course, regression "
        "to the mean and the choice of clients remain in them."
    )
    return out


def _reference(key: str) -> Setting:
    return Setting(cite(key), f"references.bib: {key}")


def _phase_words(rules: set[str]) -> str:
    if rules == {"recorded"}:
        return "Phases were those recorded with the visits."
    derived = (
        "readings up to and including the first treated visit, which were taken before that "
        "treatment, were the baseline, later ones the treatment phase"
    )
    if rules == {"first treatment"}:
        return derived[0].upper() + derived[1:] + "."
    return f"Phases were those recorded with the visits; where none were recorded, {derived}."


def _block_places(table: PaperTable) -> list[int]:
    return sorted(table.blocks)


def _block_range(table: PaperTable, places: list[int], one: MeasureSeries) -> tuple[int, int]:
    for i, place in enumerate(places):
        if table.blocks[place].startswith(f"{one.measure.name} ("):
            return place, places[i + 1] if i + 1 < len(places) else len(table.rows)
    return 0, 0


def _client_sentences(out: Paragraph, one: MeasureSeries, table: PaperTable, rows: range) -> None:
    name = one.measure.name
    judged = [r for r in rows if table.cell(r, "improvement").value is not None]
    if not judged:
        out.add(f"{name} was measured once only in every client.")
        return
    for r in judged:
        if table.cell(r, "verdict").text.startswith("worsened"):
            out.add(
                f"{name} of client {{client}} got detectably worse ({{change}}).",
                client=Quote(table, r, "client"),
                change=Quote(table, r, "improvement"),
            )
    if len(judged) > 1:
        ordered = sorted(judged, key=lambda r: float(table.cell(r, "improvement").value or 0.0))
        out.add(
            f"{name} changed by {{low}} (client {{worst}}) to {{high}} (client {{best}}), positive "
            f"being better (Table 3).",
            low=Quote(table, ordered[0], "improvement"),
            worst=Quote(table, ordered[0], "client"),
            high=Quote(table, ordered[-1], "improvement"),
            best=Quote(table, ordered[-1], "client"),
        )
    else:
        out.add(
            f"{name} of client {{client}} changed by {{change}} (Table 3).",
            client=Quote(table, judged[0], "client"),
            change=Quote(table, judged[0], "improvement"),
        )


def _across_sentences(out: Paragraph, one: MeasureSeries, table: PaperTable, rows: range) -> None:
    at = {table.cell(r, "quantity").text.split(" (")[0]: r for r in rows}

    def quote(quantity: str, column: str = "estimate") -> Quote:
        return Quote(table, at[quantity], column)

    def p_words(quantity: str, name: str = "p") -> str:
        below = table.cell(at[quantity], "p").text.startswith("<")
        return f"p {{{name}}}" if below else f"p = {{{name}}}"

    if "Detectable improvement" in at:
        sentence = "The improvement was detectable in {up} clients and the decline in {down}"
        numbers = {"up": quote("Detectable improvement"), "down": quote("Detectable decline")}
        if "Detectable and important improvement" in at:
            sentence += "; it was both detectable and important in {both}"
            numbers["both"] = quote("Detectable and important improvement")
        out.add(sentence + ".", **numbers)
    mean = "Mean improvement, start to latest"
    if "Clients better" in at and mean in at:
        out.add(
            f"Of the clients, {{better}} got better (sign test, {p_words('Clients better')}); the "
            f"mean improvement was {{mean}}, {p_words(mean, 'p_mean')} by permutation (Table 4).",
            better=quote("Clients better"),
            p=quote("Clients better", "p"),
            mean=quote(mean),
            p_mean=quote(mean, "p"),
        )
    model = "Mean gain of level, multilevel model"
    if model in at and table.cell(at[model], "estimate").text != DASH:
        out.add(
            "In the {n} clients whose phases could be compared, the level changed on average by "
            f"{{mean}}, {p_words(model)}; "
            "gains differed between clients with a standard deviation of {spread}, "
            "so that the gain of a next such client would be expected from {next}.",
            n=quote(model, "n"),
            mean=quote(model),
            p=quote(model, "p"),
            spread=quote("Spread of gains between clients"),
            next=quote("Gain of the next client, prediction interval"),
        )
    drawn = RANDOMISED[0].upper() + RANDOMISED[1:]
    if drawn in at and table.cell(at[drawn], "estimate").text != DASH:
        out.add(
            "In {n} clients the phases differed on average by {difference}; by the draw itself "
            f"so large a difference or a larger one has {p_words(drawn)} (randomisation test).",
            n=quote(drawn, "n"),
            difference=quote(drawn),
            p=quote(drawn, "p"),
        )
    elif drawn in at:
        out.add("The randomisation test could not be made; Table 4 says why.")
    g = "Between-case standardised mean difference"
    if g in at and table.cell(at[g], "estimate").text != DASH:
        out.add(
            f"The between-case standardised mean difference was {{g}}, {p_words(g)}.",
            g=quote(g),
            p=quote(g, "p"),
        )
        if one.across.loc[one.across["notes"].astype(str).str.contains("gradual gain")].size:
            out.add(
                "In it a gradual gain is taken for serial correlation and only the step at the "
                "change of phase counts, so that it may differ from the change of level (Table 4)."
            )


def _event_sentence(out: Paragraph, caseload: Caseload) -> None:
    events = caseload.events
    if events.empty:
        out.add("No unwanted event is recorded; whether events were asked for is to be stated.")
        return
    kinds = events["event"].astype(str).value_counts()
    numbers = {
        f"n{i}": Setting(str(n), "unwanted events in the data package") for i, n in enumerate(kinds)
    }
    listed = [f"{{n{i}}} {kind}" for i, kind in enumerate(kinds.index)]
    out.add(
        f"Unwanted events recorded: {{total}} ({join_words(listed)}).",
        total=Setting(str(len(events)), "unwanted events in the data package"),
        **numbers,
    )
