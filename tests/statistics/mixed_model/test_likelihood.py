"""The likelihood and its derivatives against brute force, for every structure."""

from pathlib import Path
from runpy import run_path

import numpy as np
import pytest

from outcomes.statistics.mixed_model import fit_mixed_model

_helpers = run_path(str(Path(__file__).parent / "helpers.py"))
growth, log_likelihood, covariance = (
    _helpers[name] for name in ("growth", "log_likelihood", "covariance")
)

MODELS = {
    "slope": {"random": "1 + week"},
    "uncorrelated": {"random": "1 + week", "correlated": False},
    "weights": {"random": "1 + week", "weights": "trials"},
    "nested": {"groups": ["clinic", "client"], "random": "1 + week"},
    "nested, slopes at both": {"groups": ["clinic", "client"], "random": ["1 + week", "1"]},
    "variance per level": {
        "random": "1 + week",
        "residual": "variance_per_level",
        "by": "instrument",
    },
    "nested, variance per level": {
        "groups": ["clinic", "client"],
        "residual": "variance_per_level",
        "by": "instrument",
    },
    "autoregressive": {"residual": "autoregressive", "time": "week"},
    "nested, autoregressive, weights": {
        "groups": ["clinic", "client"],
        "residual": "autoregressive",
        "time": "week",
        "weights": "trials",
    },
    "no random terms, autoregressive": {
        "random": None,
        "residual": "autoregressive",
        "time": "week",
    },
}


@pytest.fixture(params=MODELS, ids=list(MODELS))
def case(request):
    frame = growth(n=14, seed=3)
    return frame, MODELS[request.param]


@pytest.mark.parametrize("method", ["REML", "ML"])
def test_log_likelihood_is_that_of_the_full_covariance_matrix(case, method):
    frame, options = case
    fit = fit_mixed_model(frame, "value ~ week * site", method=method, **options)
    assert fit.log_likelihood == pytest.approx(log_likelihood(fit, frame), abs=1e-7)


@pytest.mark.parametrize("method", ["REML", "ML"])
def test_gradient_and_hessian_are_those_of_the_criterion(case, method):
    frame, options = case
    fit = fit_mixed_model(frame, "value ~ week * site", method=method, **options)
    criterion = fit.small_sample.criterion
    rng = np.random.default_rng(1)
    x = fit.small_sample.x + rng.normal(0, 0.15, fit.small_sample.x.size)
    _, gradient, hessian = criterion(x)
    step = 1e-5
    for i, direction in enumerate(np.eye(x.size) * step):
        above, below = criterion(x + direction), criterion(x - direction)
        assert gradient[i] == pytest.approx((above[0] - below[0]) / (2 * step), rel=1e-4, abs=1e-4)
        assert hessian[i] == pytest.approx((above[1] - below[1]) / (2 * step), rel=1e-4, abs=1e-3)


def test_estimates_and_client_effects_are_those_of_the_full_matrices(case):
    frame, options = case
    fit = fit_mixed_model(
        frame, "value ~ week * site", degrees_of_freedom="satterthwaite", **options
    )
    v, x, y = covariance(fit, frame), np.column_stack(fit.design.x), fit.design.y
    inverse = np.linalg.inv(v)
    phi = np.linalg.inv(x.T @ inverse @ x)
    beta = phi @ x.T @ inverse @ y
    assert fit.coefficients == pytest.approx(beta, rel=1e-8)
    assert fit.fixed.standard_error.to_numpy() == pytest.approx(np.sqrt(np.diag(phi)), rel=1e-8)
    for level in fit.design.levels:
        q = len(level.terms)
        z = np.zeros((len(y), level.n_groups * q))
        for a in range(q):
            z[np.arange(len(y)), level.codes * q + a] = level.z[a]
        g = np.kron(np.eye(level.n_groups), fit.random_covariances[level.name].to_numpy())
        u = g @ z.T @ inverse @ (y - x @ beta)
        effects = fit.client_effects(level.name)
        scale = np.abs(u).max() + 1e-12
        assert effects.estimate.to_numpy() / scale == pytest.approx(u / scale, abs=1e-7)
        conditional = np.sqrt(np.maximum(np.diag(g - g @ z.T @ inverse @ z @ g), 0))
        assert effects.conditional_sd.to_numpy() == pytest.approx(conditional, rel=1e-6, abs=1e-6)


def test_prediction_error_is_that_of_the_mixed_model_equations(case):
    frame, options = case
    if not options.get("random", "1"):
        pytest.skip("no client effects to predict in a model without random terms")
    fit = fit_mixed_model(frame, "value ~ week * site", degrees_of_freedom="normal", **options)
    v, x = covariance(fit, frame), np.column_stack(fit.design.x)
    inverse = np.linalg.inv(v)
    phi = np.linalg.inv(x.T @ inverse @ x)
    zgz = np.zeros_like(v)
    for level in fit.design.levels:
        z = np.column_stack(level.z)
        g = fit.random_covariances[level.name].to_numpy()
        zgz += (level.codes[:, None] == level.codes[None, :]) * (z @ g @ z.T)
    rest = x - zgz @ inverse @ x
    expected = np.diag(zgz - zgz @ inverse @ zgz + rest @ phi @ rest.T)
    predicted = fit.predict(frame)
    assert predicted.standard_error.to_numpy() ** 2 == pytest.approx(expected, rel=1e-6, abs=1e-8)
    fitted = fit.residuals()
    assert predicted.estimate.to_numpy() == pytest.approx(fitted.fitted_client.to_numpy(), rel=1e-9)


def test_many_clients_take_the_same_path_as_few(monkeypatch):
    """Blocks, pieces and threads are only a matter of speed."""
    from outcomes.statistics.mixed_model import reduction, sums

    frame = growth(n=400, seed=5)
    options = {"random": "1 + week", "degrees_of_freedom": "kenward_roger"}
    plain = fit_mixed_model(frame, "value ~ week * site", **options)
    monkeypatch.setattr(sums, "PIECE", 32)
    monkeypatch.setattr(reduction, "BLOCK", 64)
    monkeypatch.setattr(reduction._pieces, "__defaults__", (64,))
    pieces = fit_mixed_model(frame, "value ~ week * site", **options)
    assert pieces.small_sample.criterion.structure.sample is not None
    assert pieces.log_likelihood == pytest.approx(plain.log_likelihood, abs=1e-8)
    assert pieces.fixed.df.to_numpy() == pytest.approx(plain.fixed.df.to_numpy(), rel=1e-7)
    assert pieces.coefficients == pytest.approx(plain.coefficients, rel=1e-9)
    effects = (fit.client_effects().estimate.to_numpy() for fit in (plain, pieces))
    assert next(effects) == pytest.approx(next(effects), abs=1e-6)


@pytest.mark.parametrize("long_run", [4, 10_000])
def test_pieces_of_nested_groups_add_up_wherever_they_are_cut(monkeypatch, long_run):
    """Clinics of 3 to 80 clients, cut by pieces of 32; short and long runs of clients."""
    from outcomes.statistics.mixed_model import likelihood, sums

    frame = growth(n=400, seed=6)
    codes = frame["client"].factorize()[0]
    sizes = np.resize([3, 80, 20, 1, 50, 33], 30)
    frame["clinic"] = np.repeat(np.arange(30), sizes)[codes]
    frame["value"] += np.random.default_rng(8).normal(0, 2, 30)[frame["clinic"]]
    options = {
        "groups": ["clinic", "client"],
        "random": {"clinic": "1 + week", "client": "1 + week"},
        "degrees_of_freedom": "kenward_roger",
    }
    plain = fit_mixed_model(frame, "value ~ week * site", **options)
    monkeypatch.setattr(sums, "PIECE", 32)
    monkeypatch.setattr(likelihood, "LONG_RUN", long_run)
    pieces = fit_mixed_model(frame, "value ~ week * site", **options)
    assert pieces.log_likelihood == pytest.approx(plain.log_likelihood, abs=1e-8)
    assert pieces.fixed.df.to_numpy() == pytest.approx(plain.fixed.df.to_numpy(), rel=1e-6)
    assert pieces.coefficients == pytest.approx(plain.coefficients, rel=1e-9)
    for level in ("clinic", "client"):
        mine, theirs = (fit.client_effects(level=level).estimate for fit in (pieces, plain))
        assert mine.to_numpy() == pytest.approx(theirs.to_numpy(), abs=1e-6)
