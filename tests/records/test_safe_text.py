"""No text of a table can run as a formula, and a key file is for its owner alone."""

import os
import stat

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.errors import DataError
from outcomes.records.safe_text import harmless, harmless_text, write_owner_only

RISKY = ["=1+1", "+1", "-1", "@sum", "\tx", "\rx", "\nx", "  =1", "\u00a0=1", "＝1", "＋1", "＠a",
         "\ufeff=1", "\u200b@a", " \t-x"]  # fmt: skip


@pytest.mark.parametrize("text", RISKY)
def test_risky_text_is_marked(text):
    assert harmless(text) == "'" + text.replace("\r", "\n")


@pytest.mark.parametrize("text", ["", "neck", "a=b", "3-4", "'=1", "1+1", "e-mail@x"])
def test_plain_text_is_left(text):
    assert harmless(text) == text


@given(st.text(max_size=20))
def test_twice_is_once_and_nothing_risky_remains(text):
    once = harmless(text)
    assert harmless(once) == once
    assert not once.lstrip(" \t\r\n\u00a0\ufeff\u200b").startswith(("=", "+", "-", "@"))
    plain = text.replace("\r\n", "\n").replace("\r", "\n")
    assert once in (plain, "'" + plain)


def test_every_part_of_a_table():
    frame = pd.DataFrame(
        {
            "=head": ["=1", None, "x"],
            "kind": pd.Categorical(["@a", "b", "@a"]),
            "value": [-1.0, 2.0, None],
            "day": pd.to_datetime(["2026-01-01", None, "2026-01-03"]),
            "word": pd.array(["+x", None, "y"], dtype="str"),
        },
        index=pd.Index(["-r", "s", "t"], name="=i"),
    )
    safe = harmless_text(frame)
    assert list(safe.columns) == ["'=head", "kind", "value", "day", "word"]
    assert list(safe.index) == ["'-r", "s", "t"]
    assert safe.index.name == "'=i"
    assert safe["'=head"].fillna("none").tolist() == ["'=1", "none", "x"]
    assert safe["kind"].tolist() == ["'@a", "b", "'@a"]
    assert safe["word"].fillna("none").tolist() == ["'+x", "none", "y"]
    assert safe["value"].equals(frame["value"].set_axis(safe.index))
    assert safe["day"].dtype == frame["day"].dtype
    assert frame.columns[0] == "=head"
    many = pd.DataFrame([[1]], columns=pd.MultiIndex.from_tuples([("=a", "b")]))
    assert list(harmless_text(many).columns) == [("'=a", "b")]
    assert harmless_text(pd.Series(["=1"], name="@n")).name == "'@n"
    assert harmless_text(pd.DataFrame()).empty


def test_csv_of_a_safe_table_holds_no_formula(tmp_path):
    path = tmp_path / "out.csv"
    texts = [*RISKY, "a\r=1+1", "b\r\n@x"]
    harmless_text(pd.DataFrame({"a": texts})).to_csv(path, index=False)
    back = pd.read_csv(path, dtype=str, keep_default_na=False)["a"].tolist()
    assert len(back) == len(texts)
    assert back[-2:] == ["a\n=1+1", "b\n@x"]
    assert all(cell.startswith("'") for cell in back[:-2])


@pytest.mark.skipif(os.name == "nt", reason="file modes are a thing of POSIX systems")
def test_key_file_is_for_its_owner_alone(tmp_path):
    path = write_owner_only(tmp_path / "key.csv", "a,b\n")
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert path.read_text() == "a,b\n"


def test_key_file_is_never_overwritten(tmp_path):
    path = write_owner_only(tmp_path / "key.csv", "a")
    with pytest.raises(DataError, match="must not exist yet; key.csv does"):
        write_owner_only(path, "b")
    assert path.read_text() == "a"
    with pytest.raises(DataError, match="folder that can be written to"):
        write_owner_only(tmp_path / "none" / "key.csv", "b")
