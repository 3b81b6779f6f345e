"""The stored looks at planted and empty caseloads, their bounds, and a small re-run."""

import json

import pytest
import review_detects as script
from stored_results import FOLDER

STORED = json.loads((FOLDER / "review_detects.json").read_text())
FIGURES, SETS = STORED["figures"], STORED["sets"]


def error(share: float, sets: int) -> float:
    return (share * (1 - share) / sets) ** 0.5


def at_most(world: str, name: str, share: float) -> bool:
    """Whether a share stays at or below a bound, but for what so few caseloads leave open."""
    return FIGURES[world][name] <= share + 2 * error(share, SETS[world])


def test_the_record_says_how_it_was_made():
    assert STORED["settings"] == script.__doc__ and STORED["seed"] == script.SEED
    assert set(FIGURES) == set(script.WORLDS) and min(SETS.values()) >= 10


def test_with_no_difference_hardly_ever_is_anybody_named():
    assert at_most("nothing", "somebody named", 0.05)
    assert at_most("nothing", "beyond 99.8% in the funnel", 0.05)
    # nor for the sake of an instrument that drifts or a clinic that changes
    assert at_most("drift and change only", "somebody named", 0.05)


def test_with_nothing_planted_drift_and_steps_are_rarely_seen():
    assert at_most("nothing", "any instrument flagged", 0.05)
    assert at_most("nothing", "step, all measures", 0.05)
    assert FIGURES["nothing"]["step, any measure"] <= FIGURES["nothing"]["step, all measures"]


def test_what_is_planted_is_found_the_more_often_the_stronger():
    for name in ("somebody named", "drifting instrument flagged", "step, all measures"):
        shares = [FIGURES[world][name] for world in ("nothing", "as planted", "stronger")]
        assert shares == sorted(shares), name
    assert FIGURES["stronger"]["somebody named"] >= 0.8
    assert FIGURES["stronger"]["drifting instrument flagged"] >= 0.8
    assert FIGURES["stronger"]["step, all measures"] >= 0.8


@pytest.mark.parametrize("world", ["nothing", "stronger"])
def test_a_few_caseloads_again(world):
    again = script.figures(script.run(world, range(1000, 1002)))
    assert set(again) == set(FIGURES[world])
    if world == "nothing":
        assert again["measures in which"] <= 1
    else:
        assert again["somebody named"] + again["drifting instrument flagged"] > 0
