"""Sums that are made in pieces give the fit of the whole."""

from pathlib import Path
from runpy import run_path

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import ArgumentError, DataError, ModelError
from outcomes.statistics.mixed_model import fit_mixed_model

growth = run_path(str(Path(__file__).parent / "helpers.py"))["growth"]
FORMULA = "value ~ week * south"


class OneMachine:
    """Stands for a cluster: maps and gathers at once."""

    def map(self, function, items, **options):
        return [function(item, **options) for item in items]

    def gather(self, done):
        return done


@pytest.fixture(scope="module")
def frame():
    frame = growth(n=120, seed=21)
    frame["south"] = (frame.site == "south").astype(int)
    frame["week"] += 500.0
    frame.loc[[2, 9], "value"] = np.nan
    return frame


@pytest.fixture(scope="module")
def folder(frame, tmp_path_factory):
    """Rows in random order over three files, so that clients are torn apart."""
    path = tmp_path_factory.mktemp("caseload")
    mixed = frame.sample(frac=1, random_state=5)
    for i in range(3):
        mixed.iloc[i::3].to_parquet(path / f"part{i}.parquet")
    return path


@pytest.fixture(scope="module")
def whole(frame):
    return fit_mixed_model(frame, FORMULA, random="1 + week", degrees_of_freedom="kenward_roger")


@pytest.mark.parametrize("machine", [None, OneMachine()], ids=["DuckDB", "parts"])
def test_pooled_fits_are_the_fit_of_the_whole(frame, folder, whole, machine):
    pooled = fit_mixed_model(
        str(folder / "*.parquet"), FORMULA, random="1 + week", distributed=machine
    )
    assert (pooled.n_rows, pooled.n_clients, pooled.n_dropped) == (len(frame) - 2, 120, 2)
    assert pooled.log_likelihood == pytest.approx(whole.log_likelihood, rel=1e-9)
    for column in ("estimate", "standard_error", "df", "p_value"):
        assert pooled.fixed[column].to_numpy() == pytest.approx(
            whole.fixed[column].to_numpy(), rel=1e-9, abs=1e-300
        )
    assert pooled.variance_rows.estimate.to_numpy() == pytest.approx(
        whole.variance_rows.estimate.to_numpy(), rel=1e-7
    )
    keys = ["client", "term"]
    mine = pooled.client_effects().sort_values(keys).estimate.to_numpy()
    theirs = whole.client_effects().sort_values(keys).estimate.to_numpy()
    assert mine == pytest.approx(theirs, abs=1e-8)
    some = frame.dropna().head(5)
    assert pooled.predict(some).ci_low.to_numpy() == pytest.approx(
        whole.predict(some).ci_low.to_numpy(), rel=1e-7
    )
    assert pooled.variances.method.str.startswith("Wald").all()


@pytest.mark.filterwarnings("ignore::ResourceWarning")  # a port that distributed tries
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_real_cluster_in_this_process(folder, whole):
    distributed = pytest.importorskip("distributed", reason="the extra 'network' is not installed")
    with (
        distributed.LocalCluster(
            n_workers=1, processes=False, threads_per_worker=1, dashboard_address=":0"
        ) as cluster,
        distributed.Client(cluster) as client,
    ):
        pooled = fit_mixed_model(folder, FORMULA, random="1 + week", distributed=client)
    assert pooled.coefficients == pytest.approx(whole.coefficients, rel=1e-9)


def test_what_needs_rows_says_so(folder):
    pooled = fit_mixed_model(folder, FORMULA, random="1 + week")
    for method in (pooled.residuals, pooled.robust, pooled.influence, pooled.explained):
        with pytest.raises(ModelError, match="needs the rows themselves, and this fit was pooled"):
            method()


@pytest.mark.parametrize("machine", [None, OneMachine()], ids=["DuckDB", "parts"])
def test_refusals(folder, frame, tmp_path, machine):
    def fit(source=folder, formula=FORMULA, **options):
        return fit_mixed_model(source, formula, distributed=machine, **options)

    with pytest.raises(DataError, match="no such file is there"):
        fit(tmp_path / "*.parquet")
    with pytest.raises(ArgumentError, match="numeric columns and their products, got site"):
        fit(formula="value ~ week * site")
    with pytest.raises(ArgumentError, match="numeric columns and their products, got .*week"):
        fit(formula="value ~ np.log(week)")
    with pytest.raises(ArgumentError, match="pooled only with one level of groups"):
        fit(groups=["clinic", "client"])
    with pytest.raises(ArgumentError, match="independent residuals without weights"):
        fit(weights="trials")
    with pytest.raises(ArgumentError, match="pooled only with random terms"):
        fit(random=None)
    bad = frame.assign(client=frame.client.astype(float))
    bad.loc[4, "client"] = np.nan
    bad.to_parquet(tmp_path / "missing.parquet")
    with pytest.raises(DataError, match="group column client must be filled in"):
        fit(tmp_path / "missing.parquet")
    bad = frame.copy()
    bad.loc[6000 % len(bad), "week"] = np.inf
    half = pd.concat([frame, bad])
    half.to_parquet(tmp_path / "infinite.parquet")
    with pytest.raises(DataError, match="week must be finite"):
        fit(tmp_path / "infinite.parquet")
    with pytest.raises(DataError, match="within these data: twice"):
        frame.assign(twice=2 * frame.week).to_parquet(tmp_path / "twice.parquet")
        fit(tmp_path / "twice.parquet", "value ~ week + twice")
