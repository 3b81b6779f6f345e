"""Mean squares against certified values and a plain recomputation."""

import numpy as np
import pandas as pd
import pytest
from evidence_scripts import load
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from outcomes.statistics.repeatability.analysis_of_variance import crossed_mean_squares, one_way

NIST = load("repeatability_nist_anova")
ROWS = {row[0]: row for row in NIST.table()}

#: Files whose readings, as doubles, no longer hold nine digits of F: an offset of 10^12 at one
#: decimal leaves 1.2e-4 between neighbouring doubles.
OFFSET = {"SmLs07", "SmLs08", "SmLs09"}


def test_all_eleven_files_are_there():
    assert len(ROWS) == 11


@pytest.mark.parametrize("name", sorted(ROWS))
def test_nist_strd_f_statistic(name):
    _, _, doubles, centred = ROWS[name]
    assert centred >= 14  # exact decimals, mean taken first
    assert doubles >= (4 if name in OFFSET else 9)


def test_crossed_mean_squares_equal_least_squares(rng):
    table = rng.normal(size=(5, 3, 2, 4)) + 3 * rng.normal(size=(5, 1, 1, 1))
    found = crossed_mean_squares(table, ("client", "rater", "session"))
    index = np.indices(table.shape).reshape(4, -1)
    frame = pd.DataFrame({"c": index[0], "r": index[1], "s": index[2], "y": table.ravel()})
    expected = anova_lm(ols("y ~ C(c) * C(r) * C(s)", frame).fit())
    names = {"client": "C(c)", "rater": "C(r)", "session": "C(s)", "residual": "Residual"}
    for term, square, df in zip(found.terms, found.mean_squares, found.df, strict=True):
        row = expected.loc[":".join(names[f] for f in term)]
        assert square == pytest.approx(row["sum_sq"] / row["df"], rel=1e-10)
        assert df == row["df"]


def test_nested_factor_pools_with_its_interaction(rng):
    table = rng.normal(size=(6, 3, 2))
    found = crossed_mean_squares(table, ("client", "session"), nested=("session",))
    frame = pd.DataFrame({"y": table.ravel()})
    frame["c"], frame["s"], _ = np.indices(table.shape).reshape(3, -1)
    expected = anova_lm(ols("y ~ C(c) / C(s)", frame).fit())
    assert found.terms == (("client",), ("client", "session"), ("residual",))
    assert found.mean_squares == pytest.approx(expected["mean_sq"].to_numpy(), rel=1e-10)
    assert found.df.tolist() == expected["df"].tolist()


def test_expected_mean_squares_are_met_on_average(rng):
    theta = {("client",): 9.0, ("rater",): 1.0, ("client", "rater"): 2.0, ("residual",): 4.0}
    size = (20_000, 6, 4, 2)
    table = (
        3 * rng.standard_normal((size[0], 6, 1, 1))
        + rng.standard_normal((size[0], 1, 4, 1))
        + np.sqrt(2) * rng.standard_normal((size[0], 6, 4, 1))
        + 2 * rng.standard_normal(size)
    )
    found = crossed_mean_squares(table, ("client", "rater"))
    truth = np.array([theta[t] for t in found.terms])
    # Standard error of a component's mean over 20,000 sets is below 0.05.
    assert found.components.mean(axis=0) == pytest.approx(truth, abs=0.2)


def test_one_way_keeps_digits_of_offset_data():
    base = np.array([0.1, 0.3, 0.2, 0.6, 0.5, 0.7])
    groups = [1, 1, 1, 2, 2, 2]
    plain = one_way(base, groups).statistic
    assert one_way(base + 2**20, groups).statistic == pytest.approx(plain, rel=1e-8)
