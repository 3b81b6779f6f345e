"""Sentences, tables and figures of the report say what the numbers say."""

import re

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import ArgumentError
from outcomes.reporting import sections, sentences
from outcomes.reporting.figures import (
    control_chart,
    flow_diagram,
    share_funnel_figure,
    shares_by_measure,
    start_against_latest,
)
from outcomes.reporting.outputs import result_tables, summary_lines
from outcomes.reporting.picture import Picture
from outcomes.reporting.style import new_figure
from outcomes.reporting.tables import table
from outcomes.reporting.wording import with_unit
from outcomes.reporting.workbook import Sheet, workbook
from outcomes.statistics.service import share_chart, share_funnel

NAMES = re.compile(r"\bT[1-4]\b")


def test_each_measure_has_a_sentence_with_its_numbers(review):
    for m in review.measures:
        text = sentences.measure_sentence(m)
        assert text.startswith(m.measure.name) and text.endswith(".")
        assert with_unit(abs(m.improvement.estimate), m.measure.unit) in text
        assert "nan" not in text


def test_thresholds_are_named_with_their_source(review):
    for m in review.measures:
        text = sentences.threshold_sentence(m)
        for threshold in (m.error, m.importance):
            assert threshold is None or threshold.citation in text
        assert (m.importance is None) == ("only the first gate" in text)


def test_the_summary_is_short_and_names_nobody(review, meeting):
    lines = summary_lines(review, meeting)
    assert len(lines) <= 10
    assert all(len(line) < 400 for line in lines)


def test_the_first_screen_answers_four_questions(review, meeting):
    text = sections.first_screen(review, meeting).text
    assert text.count("<section>") == 4
    assert "Are clients better?" in text and "Who needs attention?" in text


def test_every_part_of_the_report_can_be_shown(review, meeting):
    parts = [
        sections.attention(review, meeting),
        sections.summary_table(review),
        sections.meeting_list(review, meeting),
        sections.comparisons(review, meeting),
        sections.calendar(review, meeting),
        sections.missing(review, meeting),
        sections.gain_charts(review, meeting),
        sections.changes(review, meeting),
        sections.practitioners(review, meeting),
        sections.home_exercise(review, meeting),
        sections.fairness(review, meeting),
        sections.events(review, meeting),
        sections.flow(review),
        sections.completeness(review, meeting),
    ]
    for part in parts:
        words = re.sub(r"base64,[^\"]+", "", part.text)  # letters of a picture are no words
        assert part.text and ">nan" not in words and "None" not in words
    assert not NAMES.search(re.sub(r"base64,[^\"]+", "", parts[8].text))


def test_declined_clients_stand_in_the_attention_list(review, meeting):
    text = sections.attention(review, meeting).text
    for client in review.clients.loc[review.clients["worse"], "client"]:
        assert client in text


def test_the_figure_and_its_words_count_the_same(review):
    m = review.measures[0]
    picture = start_against_latest(m.judged, m.measure)
    sure = int((m.judged["chance_improved"] >= 0.95).sum())
    assert f"{sure} of {len(m.judged)}" in picture.alt
    assert picture.svg.startswith("<svg") and "<script" not in picture.svg


def test_shares_name_every_measure(review):
    picture = shares_by_measure(review.shares, review.names)
    assert all(name in picture.alt for name in review.names.values())


def test_a_chart_names_the_points_outside():
    # NIST/SEMATECH e-Handbook 6.3.3.2: points 15 and 23 lie outside the limits.
    count = [12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22]
    count += [8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6]
    picture = control_chart(
        share_chart(count, n=[50] * 30, limits="normal"), title="Wafers", label="x", shares=True
    )
    assert "Outside the limits: 15 and 23." in picture.alt


def test_a_funnel_names_groups_only_when_asked():
    groups = pd.DataFrame({"group": ["T1", "T2"], "count": [30, 55], "n": [80, 90]})
    for named in (True, False):
        picture = share_funnel_figure(share_funnel(groups), title="x", label="y", named=named)
        assert "2 groups" in picture.alt


def test_the_flow_diagram_tells_its_counts():
    flow = {"eligible": 10, "measured_at_start": 8, "measured_again": 6, "analysed": 5}
    assert "of 10 seen, 8 of 10 (80%)" in flow_diagram(flow, title="x").alt


def test_a_figure_without_words_is_refused():
    with pytest.raises(ArgumentError, match="alt must say what the figure shows"):
        Picture.of(new_figure()[0], alt=" ")


def test_tables_escape_what_they_show():
    shown = table(pd.DataFrame({"a": ["<b>x</b>"]}), {"a": "<A>"}, caption="<c>")
    assert "<b>" not in shown.text and "&lt;b&gt;" in shown.text and "<c>" not in shown.text


def test_result_tables_hold_only_defined_columns(review, meeting):
    from outcomes.glossary import check_result

    for frame in result_tables(review, meeting).values():
        check_result(frame.columns)


def test_workbook_text_is_never_a_formula(tmp_path):
    import openpyxl

    frame = pd.DataFrame({"client": ["=1+1", "@x"], "value": [1.5, np.nan]})
    path = tmp_path / "x.xlsx"
    path.write_bytes(workbook([Sheet("Clients", frame, "note", hidden=False)]))
    book = openpyxl.load_workbook(path)
    cell = book["Clients"]["A5"]
    assert cell.value == "=1+1" and cell.data_type == "s"
    assert book["Clients"].freeze_panes == "B5"
    assert book.sheetnames[-1] == "Definitions"


def test_a_review_is_saved_with_all_its_sheets(review, meeting, tmp_path):
    import openpyxl

    from outcomes.reporting.outputs import save_review

    written = save_review(review, meeting, tmp_path, named=False)
    book = openpyxl.load_workbook(tmp_path / written[0])
    assert book.sheetnames == [
        "Summary",
        "Measures",
        "Clients",
        "Attention",
        "Standing",
        "Practitioners",
        "Ledger",
        "Definitions",
    ]
    assert book["Practitioners"].sheet_state == "hidden"
    assert book["Clients"].max_row == len(review.clients) + 4
    assert save_review(review, meeting, "") == []


def test_only_numbers_that_a_reader_would_check_are_formulas(review, meeting, tmp_path):
    import openpyxl

    from outcomes.reporting.outputs import save_review

    book_name = save_review(review, meeting, tmp_path)[0]
    book = openpyxl.load_workbook(tmp_path / book_name)
    stored = openpyxl.load_workbook(tmp_path / book_name, data_only=True)
    found = {}
    for page in book:
        for row in page.iter_rows(min_row=5):
            for cell in row:
                if cell.data_type == "f":
                    heading = page.cell(4, cell.column).value
                    found.setdefault((page.title, heading), []).append(cell)
    assert set(found) == {("Clients", "improvement"), ("Measures", "share followed up")}
    gains = found["Clients", "improvement"]
    assert len(gains) == len(review.clients)
    for cell, row in zip(gains, review.clients.itertuples(), strict=True):
        first, second = (stored["Clients"][place].value for place in cell.value[1:].split("-"))
        result = stored["Clients"][cell.coordinate].value
        assert result == pytest.approx(row.improvement) == pytest.approx(first - second)
    for cell, m in zip(found["Measures", "share followed up"], review.measures, strict=True):
        share = m.flow["measured_again"] / m.flow["measured_at_start"]
        assert stored["Measures"][cell.coordinate].value == pytest.approx(share)


def test_sheets_print_on_the_width_of_a_page_with_their_headings(review, meeting, tmp_path):
    import openpyxl

    from outcomes.reporting.outputs import save_review

    book = openpyxl.load_workbook(tmp_path / save_review(review, meeting, tmp_path)[0])
    for page in book:
        assert page.page_setup.orientation == "landscape"
        assert page.sheet_properties.pageSetUpPr.fitToPage
        assert page.page_setup.fitToWidth in (None, 1) and page.page_setup.fitToHeight == 0
        assert page.print_title_rows == "$4:$4"
    last = book["Clients"].print_area.split(":")[1].strip("$").split("$")[0]
    assert book["Clients"][f"{last}4"].value == "verdict from all visits"


def test_no_rater_is_named_unless_asked(review, meeting, tmp_path):
    from outcomes.reporting.outputs import save_review

    for file in save_review(review, meeting, tmp_path):
        if file.endswith(".csv"):
            assert not re.search(r"\bT[1-4]\b", (tmp_path / file).read_text()), file


def test_completeness_by_site_adds_up_to_the_flow(review, meeting):
    """Clients measured once count: a table of those measured twice would show 100% everywhere."""
    text = sections.completeness(review, meeting).text
    groups = {"Site": ["field", "hall"], "Practitioner": [f"practitioner {i}" for i in range(1, 5)]}
    for part, (heading, names) in zip(text.split("<table>")[1:], groups.items(), strict=True):
        cells = re.findall(r"<t[hd][^>]*>([^<]*)</t[hd]>", part)
        rows = [cells[i : i + 4] for i in range(4, len(cells), 4)]
        assert cells[0] == heading and [row[0] for row in rows] == names
        for place, stage in ((1, "measured_at_start"), (2, "measured_again")):
            total = sum(m.flow[stage] for m in review.measures)
            assert sum(int(row[place].replace(",", "")) for row in rows) == total
    assert sum(m.flow["measured_again"] for m in review.measures) < sum(
        m.flow["measured_at_start"] for m in review.measures
    )


def test_wrapped_text_gets_the_height_of_its_lines(review, meeting, tmp_path):
    import openpyxl

    from outcomes.reporting.outputs import save_review

    save_review(review, meeting, tmp_path)
    sheet = openpyxl.load_workbook(tmp_path / "review_2026Q2.xlsx")["Summary"]
    assert sheet["A2"].value == "2026Q2, in words."
    for row in range(5, sheet.max_row + 1):
        if len(sheet.cell(row, 1).value) > 100:
            assert sheet.row_dimensions[row].height >= 28


def test_the_workbook_names_measures_and_the_tables_keep_codes(review, meeting, tmp_path):
    import openpyxl

    from outcomes.reporting.outputs import save_review

    save_review(review, meeting, tmp_path)
    sheet = openpyxl.load_workbook(tmp_path / "review_2026Q2.xlsx")["Measures"]
    named = [sheet.cell(row, 1).value for row in range(5, sheet.max_row + 1)]
    assert named == list(review.names.values())
    stored = pd.read_csv(tmp_path / "tables" / "measures.csv")["measure"].tolist()
    assert stored == list(review.names)
