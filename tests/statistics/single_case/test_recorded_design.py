"""The draw that was recorded, laid over visits of which some have no reading."""

from itertools import permutations

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import ArgumentError, DataError
from outcomes.statistics.single_case import RecordedDesign, recorded_randomisation_test

RNG = np.random.default_rng(11)


def laid_out(phases):
    """Visits of clients from strings of b and t."""
    return pd.DataFrame(
        [
            {"client": client, "visit": i + 1, "phase": {"b": "baseline", "t": "treatment"}[letter]}
            for client, letters in phases.items()
            for i, letter in enumerate(letters)
        ]
    )


def read(visits, missing=()):
    values = visits.assign(value=RNG.normal(size=len(visits)))
    return values.drop(index=list(missing))


def gap(values, treated):
    """Mean over clients of treated minus other readings; `treated` by (client, visit)."""
    gaps = []
    for client, mine in values.groupby("client"):
        flags = np.array([treated[client, visit] for visit in mine["visit"]])
        numbers = mine["value"].to_numpy()
        gaps.append(numbers[flags].mean() - numbers[~flags].mean())
    return np.mean(gaps)


def test_order_of_fixed_starts_with_readings_missing():
    visits = laid_out({"A": "bbbttttt", "B": "bbbbtttt", "C": "bbbbbttt"})
    values = read(visits, missing=[3, 11, 20])  # of A and B the very visits that tell starts apart
    test = recorded_randomisation_test(
        values,
        visits,
        recorded=RecordedDesign("order of starts", shared_starts=(3, 4, 5)),
        rng=RNG,
    )
    found = []
    for order in permutations((3, 4, 5)):
        starts = dict(zip("ABC", order, strict=True))
        treated = {(c, v): v > starts[c] for c in "ABC" for v in range(1, 9)}
        found.append(gap(values, treated))
    assert test.n_assignments == 6 and test.exact
    assert test.statistic == pytest.approx(found[0])
    assert np.sort(test.reference) == pytest.approx(np.sort(found))
    assert test.p_value == pytest.approx(np.mean(np.array(found) >= found[0] - 1e-9))


def test_alternating_conditions_of_two_clients():
    visits = laid_out({"A": "btbtbt", "B": "ttbbtb"})
    test = recorded_randomisation_test(
        read(visits), visits, recorded=RecordedDesign("condition", treated=3), rng=RNG
    )
    assert test.n_assignments == 20 * 20 and len(test.reference) == 400


def test_pairs_and_change_points_count_as_they_should():
    pairs = laid_out({"A": "bttbbt", "B": "tbtbtb"})
    recorded = RecordedDesign("order of pairs")
    found = recorded_randomisation_test(read(pairs), pairs, recorded=recorded, rng=RNG)
    assert found.n_assignments == 2**6
    changes = laid_out({"A": "bbbtttbbbttt"})
    recorded = RecordedDesign("change points")
    found = recorded_randomisation_test(read(changes), changes, recorded=recorded, rng=RNG)
    assert (found.n_assignments, found.p_value) == (1, 1.0)


def test_what_cannot_have_been_drawn_is_refused():
    visits = laid_out({"A": "bbtttttt"})
    with pytest.raises(DataError, match="could have drawn"):
        recorded_randomisation_test(read(visits), visits, recorded=RecordedDesign("start"), rng=RNG)
    with pytest.raises(DataError, match="must be recorded for every visit"):
        recorded_randomisation_test(
            read(visits), visits.assign(phase=None), recorded=RecordedDesign("start"), rng=RNG
        )
    with pytest.raises(ArgumentError, match="even in number"):
        RecordedDesign("order of pairs").over({"A": 7})
    with pytest.raises(ArgumentError, match="drawn must be one of"):
        RecordedDesign("lots").over({"A": 7})
    swapped = laid_out({"A": "bbbbtttt", "B": "bbbbtttt"})  # each alone possible, not together
    with pytest.raises(DataError, match="could have drawn"):
        recorded_randomisation_test(
            read(swapped),
            swapped,
            recorded=RecordedDesign("order of starts", shared_starts=(3, 4)),
            rng=RNG,
        )


def test_size_of_the_test_under_missing_readings():
    """Under no effect, p is at most .05 in about 5% of draws, whatever is missing."""
    rng = np.random.default_rng(5)
    recorded = RecordedDesign("start", least_baseline=4, least_treatment=4)
    hits = []
    for _ in range(300):
        starts = rng.integers(4, 11, 3)
        visits = laid_out({c: "b" * s + "t" * (14 - s) for c, s in zip("ABC", starts, strict=True)})
        series = visits.assign(value=np.cumsum(rng.normal(size=len(visits))) * 0.3)
        kept = series[rng.random(len(series)) > 0.15]
        try:
            test = recorded_randomisation_test(kept, visits, recorded=recorded, rng=rng)
        except DataError:
            continue  # a phase of some assignment has lost all its readings
        hits.append(test.p_value <= 0.05)
    assert len(hits) > 250
    assert 0.02 <= np.mean(hits) <= 0.09  # three simulation errors about .05
