"""Every result column is defined, and what is defined is used."""

import pytest

from outcomes.errors import DataError
from outcomes.glossary import COLUMNS, check_result, define


def test_undefined_columns_are_all_named():
    with pytest.raises(DataError, match="missing: nonsense, more_nonsense"):
        check_result(["ci_low", "nonsense", "more_nonsense"])
    with pytest.raises(DataError, match="'nonsense' must be defined"):
        define("nonsense")


def test_meanings_are_sentences():
    bad = [name for name, meaning in COLUMNS.items() if not meaning.strip().endswith((".", ")"))]
    assert bad == []
    assert all(name == name.lower() and name.isidentifier() for name in COLUMNS)


def test_no_column_is_defined_twice():
    import tomllib
    from importlib.resources import files

    topics = tomllib.loads(files("outcomes").joinpath("glossary.toml").read_text("utf-8"))
    names = [column for topic in topics.values() for column in topic]
    assert sorted(names) == sorted(set(names))
