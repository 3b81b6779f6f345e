"""Load the long simulations of tests/evidence, and what they stored."""

import importlib.util
import json
from pathlib import Path

FOLDER = Path(__file__).parents[2] / "evidence"


def load(name):
    """Import one evidence script by its path."""
    spec = importlib.util.spec_from_file_location(name, FOLDER / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def stored(name):
    """Read one stored result."""
    return json.loads((FOLDER / "results" / f"{name}.json").read_text())
