"""A clinic's settings are read whole or refused with every fault."""

import tomllib
from datetime import date

import pytest

from outcomes.errors import DataError
from outcomes.records.settings import EXAMPLE, Settings, read_settings


def write(tmp_path, text):
    path = tmp_path / "clinic.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_no_file_gives_the_defaults():
    assert read_settings("") == Settings()


def test_the_example_is_valid_as_it_stands_and_with_every_line_used(tmp_path):
    assert read_settings(write(tmp_path, EXAMPLE)) == Settings()
    (tmp_path / "own_thresholds.toml").write_text("")
    lines = [
        line.removeprefix("# ") if "=" in line or "[" in line else line
        for line in EXAMPLE.splitlines()
    ]
    text = "\n".join(lines)
    assert set(tomllib.loads(text)) == set(Settings.__dataclass_fields__)
    settings = read_settings(write(tmp_path, text))
    assert settings.changes[0].date == date(2025, 10, 1)
    assert settings.site_name("hall") == "Hall Street"
    assert settings.site_name("barn") == "barn"


def test_all_faults_are_told_together(tmp_path):
    path = write(
        tmp_path,
        'measures = ["ndi", "ndj"]\nhide_counts_below = -1\nthresholds = "none.toml"\n'
        'remeasure_after_weeks = 0\ncolour = "red"\n[[changes]]\nwhat = "x"\n',
    )
    with pytest.raises(DataError, match="6 faults") as error:
        read_settings(path)
    text = str(error.value)
    for part in ("'colour'", "'ndj'", "thresholds file", "at least 0", "above zero", "change 1"):
        assert part in text


def test_broken_toml_and_missing_files(tmp_path):
    with pytest.raises(DataError, match="must be TOML"):
        read_settings(write(tmp_path, "measures = ["))
    with pytest.raises(DataError, match="must exist"):
        read_settings(tmp_path / "other.toml")
