"""The house stands on its floors: a module imports lower floors only."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "outcomes"
FLOORS = {
    "errors": 0,
    "glossary": 0,
    "results": 0,
    "carried": 0,
    "measures": 1,
    "records": 2,
    "statistics": 3,
    "reporting": 4,
    "network": 4,
    "cli": 5,
}
MODULES = sorted(p for p in PACKAGE.rglob("*.py") if "_carried" not in p.parts)


def room(path: Path) -> str:
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return parts[0]


def imported(source: str) -> set[str]:
    """Every module that the source imports, also inside functions."""
    found = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            found.add(node.module)
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


def faults(name: str, source: str) -> list[str]:
    wrong = []
    for target in imported(source):
        parts = target.split(".")
        if parts[0] == "outcomes" and len(parts) > 1 and parts[1] in FLOORS:
            if FLOORS[parts[1]] > FLOORS[name]:
                wrong.append(f"imports {target} from a higher floor")
        if parts[0] in {"matplotlib", "seaborn"} and name != "reporting":
            wrong.append(f"imports {target} outside reporting")
    return wrong


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_a_module_imports_lower_floors_only(path):
    if room(path) == "__init__":
        return
    assert faults(room(path), path.read_text(encoding="utf-8")) == []


def test_planted_faults_are_found():
    assert faults("records", "from outcomes.statistics import review")
    assert faults("statistics", "def f():\n    import seaborn as sns")
    assert not faults("reporting", "from outcomes.statistics.review import review_quarter")


def test_every_room_has_a_floor():
    rooms = {room(path) for path in MODULES} - {"__init__"}
    assert rooms <= set(FLOORS)


def test_import_draws_nothing():
    code = (
        "import sys, outcomes, outcomes.errors; "
        "print([m for m in ('matplotlib', 'seaborn', 'statsmodels') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_modules_stay_short():
    long = {
        str(path.relative_to(PACKAGE)): lines
        for path in MODULES
        if (lines := len(path.read_text(encoding="utf-8").splitlines())) > 400
    }
    assert long == {}
