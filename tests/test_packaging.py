"""What an ordinary install carries: every notebook, and the synthetic data that they read."""

import tomllib
from pathlib import Path

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
CARRIED = PROJECT["tool"]["hatch"]["build"]["targets"]["wheel"]["force-include"]


def test_every_notebook_is_carried():
    notebooks = {f"notebooks/{p.name}" for p in (ROOT / "notebooks").glob("*.ipynb")}
    assert notebooks == {name for name in CARRIED if name.startswith("notebooks/")}


def test_what_is_carried_exists_and_keeps_its_name():
    for source, target in CARRIED.items():
        assert (ROOT / source).exists()
        assert target == f"outcomes/_carried/{source}"


def test_the_top_level_is_what_it_should_be():
    visible = {
        p.name
        for p in ROOT.iterdir()
        if not p.name.startswith(".") and not p.name.endswith(".egg-info")
    }
    known = {"README.md", "DEVELOPERS.md", "pyproject.toml"}
    known |= {"outcomes", "notebooks", "data_synthetic", "tests"}
    assert known <= visible
    tracked = {"dist", "build", "outcomes_review", "outcomes_check", "outcomes_paper"}
    assert visible - known <= tracked


def test_every_pin_is_exact():
    pins = PROJECT["project"]["optional-dependencies"]["locked"]
    assert len(pins) > 50 and all("==" in pin for pin in pins)
