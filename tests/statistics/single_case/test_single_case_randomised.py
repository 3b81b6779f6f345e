"""Randomised designs: lists of assignments, exact p-values, size, power."""

import itertools
from math import comb

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from outcomes.errors import ArgumentError, DataError
from outcomes.glossary import check_result
from outcomes.statistics.single_case import (
    alternating,
    blocked,
    chance_of_hits,
    masking_key,
    multiple_baseline,
    phase_changes,
    random_start,
    randomisation_power,
    randomisation_test,
    staggered_starts,
)
from outcomes.statistics.single_case.power import correlated_errors


def labelled(labels, values, client="A"):
    phase = np.where(np.asarray(labels) == 1, "treatment", "baseline")
    return pd.DataFrame(
        {"client": client, "visit": range(len(values)), "phase": phase, "value": values}
    )


def test_alternating_list_is_complete():
    want = {
        row
        for row in itertools.product((0, 1), repeat=8)
        if sum(row) == 4 and max(len(list(g)) for _, g in itertools.groupby(row)) <= 2
    }
    got = {tuple(row) for row in alternating(8, most_in_a_row=2).all_assignments().tolist()}
    assert got == want
    assert alternating(10, treated=4).count == comb(10, 4)


def test_phase_changes_list_is_complete():
    want = set()
    for row in itertools.product((0, 1), repeat=13):
        runs = [(key, len(list(group))) for key, group in itertools.groupby(row)]
        if [key for key, _ in runs] == [0, 1, 0, 1] and min(n for _, n in runs) >= 2:
            want.add(row)
    got = {tuple(r) for r in phase_changes(13, phases=4, least=2).all_assignments().tolist()}
    assert got == want


def test_blocked_list_is_complete():
    want = {sum(pairs, ()) for pairs in itertools.product(((0, 1), (1, 0)), repeat=4)}
    assert {tuple(r) for r in blocked(4).all_assignments().tolist()} == want


def test_start_point_p_value_by_full_enumeration():
    y = [3, 4, 2, 3, 8, 9, 7, 8, 9, 10]
    design = random_start(10, least_baseline=3, least_treatment=3)
    test = randomisation_test(labelled([0] * 4 + [1] * 6, y), design=design)
    differences = {s: np.mean(y[s:]) - np.mean(y[:s]) for s in range(3, 8)}
    observed = differences[4]
    assert test.statistic == pytest.approx(observed)
    assert test.p_value == sum(d >= observed - 1e-9 for d in differences.values()) / 5
    assert (test.n_assignments, test.smallest_p, test.exact) == (5, 0.2, True)
    check_result(test.table.columns)


def test_alternating_p_value_by_full_enumeration_both_statistics():
    rng = np.random.default_rng(4)
    y = rng.normal(size=10).round(2)
    labels = np.array([0, 1, 1, 0, 1, 0, 0, 1, 0, 1])
    design = alternating(10)
    for name in ("mean_difference", "tau"):

        def value(on, name=name):
            a, b = y[~on], y[on]
            if name == "mean_difference":
                return b.mean() - a.mean()
            return np.mean([np.sign(j - i) for i in a for j in b])

        all_values = []
        for chosen in itertools.combinations(range(10), 5):
            on = np.zeros(10, dtype=bool)
            on[list(chosen)] = True
            all_values.append(value(on))
        observed = value(labels == 1)
        want = {
            "better": np.mean([v >= observed - 1e-9 for v in all_values]),
            "worse": np.mean([v <= observed + 1e-9 for v in all_values]),
            "two-sided": np.mean([abs(v) >= abs(observed) - 1e-9 for v in all_values]),
        }
        for alternative, p in want.items():
            test = randomisation_test(
                labelled(labels, y), design=design, statistic=name, alternative=alternative
            )
            assert test.p_value == pytest.approx(p, abs=1e-12)


def test_alternating_is_the_permutation_test_of_scipy():
    y = np.array([1.2, 3.1, 2.5, 0.4, 4.2, 2.2, 1.0, 3.9])
    labels = np.array([0, 1, 1, 0, 1, 0, 0, 1])
    ours = randomisation_test(labelled(labels, y), design=alternating(8), alternative="two-sided")
    theirs = stats.permutation_test(
        (y[labels == 1], y[labels == 0]), lambda a, b: a.mean() - b.mean()
    )
    assert ours.p_value == pytest.approx(theirs.pvalue)


def multiple(starts, rng):
    rows = []
    for i, s in enumerate(starts):
        labels = np.arange(9) >= s
        rows.append(labelled(labels.astype(int), rng.normal(size=9) + labels, client=f"C{i}"))
    return pd.concat(rows)


@pytest.mark.parametrize("kind", ["independent", "staggered"])
def test_multiple_baseline_by_full_enumeration(kind):
    rng = np.random.default_rng(9)
    starts = (3, 5, 6)
    values = multiple(starts, rng)
    if kind == "independent":
        design = multiple_baseline([9, 9, 9], least_baseline=3, least_treatment=3)
        possible = list(itertools.product(range(3, 7), repeat=3))
    else:
        design = staggered_starts([9, 9, 9], starts=[3, 5, 6])
        possible = list(itertools.permutations((3, 5, 6)))
    series = [values[values["client"] == f"C{i}"]["value"].to_numpy() for i in range(3)]

    def value(chosen, scaled=False):
        parts = []
        for y, s in zip(series, chosen, strict=True):
            d = y[s:].mean() - y[:s].mean()
            parts.append(d / y.std(ddof=1) if scaled else d)
        return np.mean(parts)

    for scaled, name in ((False, "mean_difference"), (True, "standardised_difference")):
        every = np.array([value(chosen, scaled) for chosen in possible])
        want = np.mean(every >= value(starts, scaled) - 1e-9)
        test = randomisation_test(values, design=design, statistic=name)
        assert test.p_value == pytest.approx(want, abs=1e-12)
        assert test.n_assignments == len(possible)


def test_drawn_agrees_with_exact():
    values = multiple((3, 5, 6), np.random.default_rng(9))
    design = multiple_baseline([9, 9, 9])
    exact = randomisation_test(values, design=design).p_value
    drawn = randomisation_test(
        values, design=design, most_enumerated=10, draws=4_999, rng=np.random.default_rng(1)
    )
    assert not drawn.exact
    assert drawn.smallest_p == 1 / 5_000
    assert drawn.p_value == pytest.approx(exact, abs=4 * np.sqrt(exact * (1 - exact) / 5_000))


def test_size_is_exact_whatever_the_serial_correlation():
    """All p-values of a null series over all assignments: at most alpha of them at or under it."""
    rng = np.random.default_rng(6)
    design = random_start(24, least_baseline=2, least_treatment=3)
    y = correlated_errors(1, 24, 0.8, rng)[0] + 0.3 * np.arange(24)
    p = [
        randomisation_test(labelled(row, y), design=design).p_value
        for row in design.all_assignments()
    ]
    for alpha in (0.05, 0.1, 0.2, 0.5):
        assert np.mean(np.array(p) <= alpha) <= alpha


def test_refusals():
    y = list(range(8))
    with pytest.raises(DataError, match="phases must be ones that the design could have drawn"):
        randomisation_test(labelled([0, 1] * 4, y), design=random_start(8))
    with pytest.raises(DataError, match=r"lengths of the design \[9\], got \[8\]"):
        randomisation_test(labelled([0] * 3 + [1] * 5, y), design=random_start(9))
    with pytest.raises(ArgumentError, match="rng must be given to draw from 5 assignments"):
        randomisation_test(
            labelled([0] * 3 + [1] * 5, y),
            design=random_start(8, least_treatment=1),
            most_enumerated=2,
        )
    with pytest.raises(ArgumentError, match="readings must be at least least_baseline"):
        random_start(5)
    with pytest.raises(ArgumentError, match="starts must be one per client"):
        staggered_starts([9, 9], starts=[3])
    with pytest.raises(ArgumentError, match="starts must leave at least one reading in both"):
        multiple_baseline([5, 5], starts=[[2], [5]])
    with pytest.raises(ArgumentError, match="treated must leave baseline readings"):
        alternating(40)
    with pytest.raises(DataError, match="could have drawn"):  # an order that was not on the list
        values = multiple((3, 3, 6), np.random.default_rng(1))
        randomisation_test(values, design=staggered_starts([9] * 3, starts=[3, 5, 6]))


def test_own_statistic():
    def late_minus_early(y, assignments, lengths):
        return assignments @ y

    test = randomisation_test(
        labelled([0] * 3 + [1] * 5, [0, 0, 0, 1, 1, 1, 1, 1]),
        design=random_start(8),
        statistic=late_minus_early,
    )
    assert test.statistic == 5


def test_power_against_the_test_itself():
    """Same draws: the vectorised power equals running the test on every simulated study."""
    design = multiple_baseline([10, 10], least_baseline=3, least_treatment=3)
    got = randomisation_power(
        design, effect=1.0, serial_correlation=0.3, rng=np.random.default_rng(7), sets=60
    )
    check_result(got.columns)
    rng = np.random.default_rng(7)
    drawn = design.draw(60, rng)
    errors = np.concatenate([correlated_errors(60, 10, 0.3, rng) for _ in range(2)], axis=1)
    gains = 1.0 + 0 * rng.standard_normal((60, 2))
    y = errors + np.repeat(gains, 10, axis=1) * drawn
    hits = 0
    for labels, row in zip(drawn, y, strict=True):
        values = pd.concat(
            [labelled(labels[:10], row[:10], "A"), labelled(labels[10:], row[10:], "B")]
        )
        hits += randomisation_test(values, design=design).p_value <= 0.05
    assert got["power"].iloc[0] == pytest.approx(hits / 60)


def test_power_grows_with_the_effect_and_is_alpha_at_most_without_one():
    design = multiple_baseline([16] * 4, least_baseline=4, least_treatment=4)
    rng = np.random.default_rng(3)
    power = [
        randomisation_power(
            design, effect=e, serial_correlation=0.2, rng=rng, sets=600, most_assignments=299
        )["power"].iloc[0]
        for e in (0, 0.5, 1, 2)
    ]
    assert power[0] <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 600)
    assert power == sorted(power)
    assert power[3] > 0.9


def test_design_that_cannot_reach_alpha():
    row = randomisation_power(
        random_start(12), effect=3, serial_correlation=0, rng=np.random.default_rng(1)
    ).iloc[0]
    assert row["power"] == 0 and "cannot reach alpha" in row["notes"]


def test_correlated_errors_are_stationary():
    errors = correlated_errors(40_000, 6, 0.4, np.random.default_rng(2))
    np.testing.assert_allclose(errors.var(axis=0), 1, atol=0.03)
    for k in range(5):
        assert np.corrcoef(errors[:, k], errors[:, k + 1])[0, 1] == pytest.approx(0.4, abs=0.02)


def test_masking_key_hides_and_reveals():
    names = [f"client {i}" for i in range(12)]
    key = masking_key(names, rng=np.random.default_rng(5))
    assert sorted(key["name"]) == sorted(names) and key["name"].tolist() != names
    again = masking_key(names, rng=np.random.default_rng(5))
    pd.testing.assert_frame_equal(key, again)
    with pytest.raises(DataError, match="named once each"):
        masking_key(["A", "A"], rng=np.random.default_rng(5))


def test_chance_of_hits_by_summing_terms():
    p = 1 / 7
    want = sum(comb(5, k) * p**k * (1 - p) ** (5 - k) for k in range(2, 6))
    assert chance_of_hits(2, series=5, chance=p) == pytest.approx(want)
    assert chance_of_hits(0, series=5, chance=p) == 1
