"""The folder of a case series, made from a published series: every file says the same thing."""

import csv
import hashlib
import html.parser
import io
import json
import re
import stat

import docx
import pandas as pd
import pytest
from case_series_fixtures import schutte_caseload
from PIL import Image

from outcomes.errors import DataError
from outcomes.reporting.case_series import case_series
from outcomes.reporting.case_series.references import METHODS

DPI = 600


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    base = tmp_path_factory.mktemp("series")
    caseload = schutte_caseload(base / "in", thresholds=True)
    files = sorted((base / "in").glob("*.csv"))
    series = case_series(
        caseload,
        measures=["fatigue_score"],
        out=base / "paper",
        seed=2,
        command="outcomes case-series --seed 2",
        inputs=files,
    )
    return series, caseload


@pytest.fixture(scope="module")
def series(made):
    return made[0]


def rows_of(table):
    return [[row[c.key].text for c in table.columns] for row in table.rows]


class Rows(html.parser.HTMLParser):
    """Cells of the body rows that are not block headings."""

    def __init__(self):
        super().__init__()
        self.rows, self.row, self.cell, self.block, self.body = [], [], None, False, False

    def handle_starttag(self, tag, attrs):
        if tag == "tbody":
            self.body = True
        if tag == "tr":
            self.row, self.block = [], ("class", "block") in attrs
        if tag in ("td", "th") and self.body:
            self.cell = ""

    def handle_data(self, data):
        if self.cell is not None:
            self.cell += data

    def handle_endtag(self, tag):
        if tag in ("td", "th") and self.cell is not None:
            self.row.append(self.cell)
            self.cell = None
        if tag == "tr" and self.row and not self.block:
            self.rows.append(self.row)


def test_html_csv_latex_and_word_hold_the_same_cells(series):
    word = docx.Document(series.folder / "manuscript.docx")
    in_word = iter(word.tables)
    for table in series.tables.values():
        want = rows_of(table)
        stem = series.folder / "tables" / f"table_{table.number}"
        parser = Rows()
        parser.feed(stem.with_suffix(".html").read_text(encoding="utf-8"))
        assert parser.rows == want
        lines = list(csv.DictReader(io.StringIO(stem.with_suffix(".csv").read_text("utf-8"))))
        assert [[line[c.key].lstrip("'") for c in table.columns] for line in lines] == [
            [cell.lstrip("'") for cell in row] for row in want
        ]
        latex = stem.with_suffix(".tex").read_text(encoding="utf-8")
        body = latex.split(r"\midrule")[1].split(r"\bottomrule")[0]
        rows = [r for r in body.split(r"\\") if r.strip() and r"\multicolumn" not in r]
        assert len(rows) == len(want)
        assert all(len(re.findall(r"(?<!\\)&", r)) == len(table.columns) - 1 for r in rows)
        assert latex.count("{") - latex.count(r"\{") == latex.count("}") - latex.count(r"\}")
        got = next(in_word)
        cells = [[c.text for c in row.cells] for row in got.rows[1:]]
        spans = [place for place in range(len(cells)) if len(set(cells[place])) == 1]
        kept = [
            [text.replace("\N{NO-BREAK SPACE}", "") for text in row]
            for place, row in enumerate(cells)
            if place not in spans or not table.blocks
        ]
        assert kept == want
        assert got.rows[0]._tr.trPr.xpath("./w:tblHeader")


def test_every_number_of_the_text_is_a_cell_or_a_setting(series):
    numbers = pd.read_csv(series.folder / "numbers.csv", dtype=str, keep_default_na=False)
    tables = {f"Table {t.number}": t for t in series.tables.values()}
    for paragraph in (series.methods, series.results):
        mine = numbers[numbers["paragraph"] == paragraph.name]
        for place, sentence in enumerate(paragraph.sentences, start=1):
            left = sentence
            for shown in mine.loc[mine["sentence"] == str(place), "shown"]:
                shown = shown.lstrip("'")
                assert shown in left, (sentence, shown)
                left = left.replace(shown, "", 1)
            left = re.sub(r"Tables? \d", "", left)
            assert not re.search(r"\d", left), left
    quoted = 0
    for line in numbers.to_dict("records"):
        if line["table"] not in tables or not line["column"]:
            continue
        table = tables[line["table"]]
        key = next(c.key for c in table.columns if c.heading == line["column"])
        assert table.cell(int(line["row"]) - 1, key).text == line["shown"].lstrip("'")
        quoted += 1
    assert quoted >= 15


def test_a_detectable_decline_is_named_before_the_rest(series):
    table = series.tables["change"]
    worse = [r["client"].text for r in table.rows if r["verdict"].text.startswith("worsened")]
    assert len(worse) == 1
    second = series.results.sentences[1]
    assert worse[0] in second and "detectably worse" in second


def test_table_values_against_the_published_series(series, made):
    """Start, latest and improvement of the clients, found through the key."""
    key = pd.read_csv(series.keys / "client_key.csv").set_index("client")["label"]
    from case_series_fixtures import SCHUTTE_2008

    table = series.tables["change"]
    for client, (baseline, treatment) in SCHUTTE_2008.items():
        row = table.rows[table.find(client=key[client])]
        assert row["start"].value == baseline[0]
        assert row["latest"].value == treatment[-1]
        assert row["improvement"].value == pytest.approx(baseline[0] - treatment[-1])
        assert row["readings"].text == f"{len(baseline)} + {len(treatment)}"


def test_figures_have_the_size_the_greys_and_the_letters_of_print(series):
    folder = series.folder / "figures"
    captions = pd.read_csv(folder / "captions.csv")
    assert len(captions) == 3 and (captions["alternative_text"].str.len() > 60).all()
    for name in captions["file"]:
        for width, millimetres in (("single", 85), ("double", 175)):
            stem = folder / f"{name}_{width}"
            for ending in (".png", ".tiff"):
                with Image.open(stem.with_suffix(ending)) as picture:
                    assert picture.mode == "L"
                    assert picture.width == pytest.approx(millimetres / 25.4 * DPI, abs=2)
                    assert picture.info["dpi"][0] == pytest.approx(DPI, abs=0.1)
                    assert picture.getextrema()[0] < 20 and picture.getextrema()[1] == 255
            pdf = stem.with_suffix(".pdf").read_bytes()
            assert b"/FontFile2" in pdf and b"/Type3" not in pdf
            svg = stem.with_suffix(".svg").read_text(encoding="utf-8")
            assert "<title>Figure" in svg and "<desc>" in svg and "<text" not in svg
            colours = set(re.findall(r"#[0-9a-f]{6}", svg))
            assert all(c[1:3] == c[3:5] == c[5:7] for c in colours), colours


def test_word_figures_have_alternative_text(series):
    document = docx.Document(series.folder / "manuscript.docx")
    texts = [shape._inline.docPr.get("descr") for shape in document.inline_shapes]
    assert texts == [figure.alt for figure in series.figures]


def test_checklists_have_every_item_and_questions_where_nothing_is_known(series):
    sizes = {"care_2013": 13, "scribe_2016": 26, "strobe_2007": 22, "tidier_2014": 12}
    for name, n in sizes.items():
        parser = Rows()
        parser.feed((series.folder / "checklists" / f"{name}.html").read_text(encoding="utf-8"))
        assert [row[0] for row in parser.rows] == [str(i + 1) for i in range(n)]
        assert all(row[3] for row in parser.rows)
        assert any(row[3] == "[to be completed]" for row in parser.rows)
        assert all(row[2].endswith("?") for row in parser.rows)


def test_every_publication_named_in_the_methods_is_in_the_list(series):
    bib = (series.folder / "references.bib").read_text(encoding="utf-8")
    cited = series.methods.numbers["table"].str.extract(r"references\.bib: (\w+)")[0].dropna()
    assert len(cited) >= 12
    for key in cited:
        assert re.search(rf"@(article|book)\{{{key},", bib)
        assert METHODS[key][1]["year"] in series.methods.text
    assert bib.count("{") == bib.count("}")


def test_manifest_hashes_are_those_of_the_files(series):
    manifest = json.loads((series.folder / "manifest.json").read_text(encoding="utf-8"))
    assert manifest["parameters"]["command_line"] == "outcomes case-series --seed 2"
    assert manifest["seeds"] == {"case_series": 2}
    assert len(manifest["inputs"]) == 3
    named = {entry["path"] for entry in manifest["outputs"]}
    there = {
        p.relative_to(series.folder).as_posix() for p in series.folder.rglob("*") if p.is_file()
    }
    assert named == there - {"manifest.json"}
    for entry in manifest["outputs"]:
        data = (series.folder / entry["path"]).read_bytes()
        assert entry["sha256"] == hashlib.sha256(data).hexdigest()
    assert set(series.files) == there


def test_keys_lie_outside_and_are_the_owners_alone(series):
    assert series.keys not in [series.folder, *series.folder.parents]
    assert series.keys.parent == series.folder.parent
    for path in series.keys.iterdir():
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
    masked = pd.read_csv(series.keys / "masked_key.csv")
    assert masked["label"].tolist() == [f"Series {i + 1:02d}" for i in range(12)]
    form = (series.folder / "masked" / "masked_fatigue_score_form.txt").read_text("utf-8")
    assert all(label in form for label in masked["label"])
    assert not any(name in form for name in masked["name"])


def test_nothing_leads_back_to_a_client(series, made):
    caseload = made[1]
    codes = set(caseload.clients["client"]) | set(caseload.clients["birth_year"].astype(str))
    dates = set(caseload.visits["date"].dt.strftime("%Y-%m-%d"))
    for path in series.folder.rglob("*"):
        if path.suffix not in {".csv", ".html", ".tex", ".txt", ".json", ".bib", ".svg", ".docx"}:
            continue
        if path.suffix == ".docx":
            document = docx.Document(path)
            text = "\n".join(p.text for p in document.paragraphs)
            text += "\n".join(c.text for t in document.tables for r in t.rows for c in r.cells)
        else:
            text = path.read_text(encoding="utf-8")
        # other files hold four-digit numbers of their own: years of print, coordinates, bytes
        own = {"manifest.json", "references.bib", "manuscript.docx", "datapackage.json"}
        if path.name in own or path.suffix == ".svg":
            found = [c for c in codes if c.startswith("Case ") and re.search(rf"\b{c}\b", text)]
        else:
            found = [c for c in codes if re.search(rf"(?<![\d.]){c}(?![\d.])", text)]
        assert not found, (path.name, found)
        assert not [d for d in dates if d in text], path.name


def test_data_package_describes_every_column_and_its_keys_hold(series):
    folder = series.folder / "data"
    package = json.loads((folder / "datapackage.json").read_text(encoding="utf-8"))
    frames = {}
    for resource in package["resources"]:
        frame = pd.read_csv(folder / resource["path"])
        frames[resource["name"]] = frame
        fields = resource["schema"]["fields"]
        assert [f["name"] for f in fields] == list(frame.columns)
        assert all(f["description"] for f in fields)
        assert not any(f["type"] == "date" for f in fields)
        if "primaryKey" in resource["schema"]:
            assert not frame.duplicated(resource["schema"]["primaryKey"]).any()
    assert set(frames["readings"]["client"]) == set(frames["clients"]["client"])
    assert len(frames["readings"]) == 136
    assert "birth_year" not in frames["clients"].columns


def test_the_same_seed_and_key_give_the_same_paper(series, made):
    from outcomes.reporting.case_series import analyse_case_series

    key = pd.read_csv(series.keys / "client_key.csv", dtype=str)
    again = analyse_case_series(made[1], measures=["fatigue_score"], seed=2, key=key)
    assert again.results.text == series.results.text
    assert {k: t.to_csv() for k, t in again.tables.items()} == {
        k: t.to_csv() for k, t in series.tables.items()
    }


def test_labels_are_drawn_anew_without_the_key_and_no_number_moves(series, made):
    other = case_series(made[1], measures=["fatigue_score"], seed=2)
    assert other.folder is None
    mine, theirs = (s.selection.key.set_index("client")["label"] for s in (series, other))
    assert not mine.sort_index().equals(theirs.sort_index())  # equal once in 12! draws
    assert rows_of(other.tables["across"]) == rows_of(series.tables["across"])


def test_a_later_draft_keeps_labels_and_masked_order(made, tmp_path):
    caseload = made[1]
    options = {"measures": ["fatigue_score"], "out": tmp_path / "draft"}
    first = case_series(caseload, clients=["Case 1", "Case 2", "Case 3"], **options)
    assert first.keys is not None
    masked = (first.keys / "masked_key.csv").read_text()
    second = case_series(caseload, clients=["Case 1", "Case 2", "Case 3"], **options)
    assert (first.keys / "masked_key.csv").read_text() == masked
    third = case_series(caseload, clients=["Case 9", "Case 3", "Case 1"], **options)
    before, same, later = (
        dict(zip(s.selection.key["client"], s.selection.key["label"], strict=True))
        for s in (first, second, third)
    )
    assert before == same
    assert later["Case 1"] == before["Case 1"] and later["Case 3"] == before["Case 3"]
    assert later["Case 9"] == "P4"  # not the label that became free
    (first.keys / "client_key.csv").write_text("broken\n")
    with pytest.raises(DataError, match="must hold the columns label and client"):
        case_series(caseload, **options)
