"""Made-up data and brute-force formulas for the tests of the mixed model."""

import numpy as np
import pandas as pd


def growth(n=12, seed=0, slope_sd=1.5):
    """Uneven visits, a random start and slope, two sites, two instruments, trials."""
    rng = np.random.default_rng(seed)
    counts = rng.integers(3, 8, n)
    client = np.repeat(np.arange(n), counts)
    week = np.concatenate([np.sort(rng.choice(20, k, replace=False)) / 2.0 for k in counts])
    site = client % 2
    start, slope = rng.normal(0, 8, n), rng.normal(0, slope_sd, n)
    value = 100 + 2 * week + 3 * site + start[client] + slope[client] * week
    return pd.DataFrame(
        {
            "client": client,
            "clinic": client // 4,
            "week": week,
            "site": np.where(site == 0, "north", "south"),
            "instrument": np.where(rng.random(client.size) < 0.5, "tape", "goniometer"),
            "trials": rng.integers(1, 4, client.size).astype(float),
            "value": value + rng.normal(0, 4, client.size),
        }
    )


def covariance(fit, frame):
    """Covariance of the outcome of all rows, written out from the variances of the fit."""
    choices = fit.choices
    n = len(frame)
    relative = np.ones(n)
    if choices.weights:
        relative = 1.0 / frame[choices.weights].to_numpy()
    r = np.eye(n)
    if choices.residual == "variance_per_level":
        rows = fit.variance_rows[fit.variance_rows.level == "residual"]
        size = dict(zip(rows.term.str.split("=").str[1], rows.estimate, strict=True))
        relative = relative * frame[choices.by].map(size).to_numpy() / fit.residual_variance
    if choices.residual == "autoregressive":
        phi = fit.variance_rows.scaled_estimate.iloc[-1]
        t, c = frame[choices.time].to_numpy(), frame[fit.design.groups[-1]].to_numpy()
        same = c[:, None] == c[None, :]
        r = np.where(same, phi ** np.abs(t[:, None] - t[None, :]), 0.0)
    v = fit.residual_variance * np.sqrt(np.outer(relative, relative)) * r
    for level in fit.design.levels:
        z = np.column_stack(level.z)
        same = level.codes[:, None] == level.codes[None, :]
        v = v + same * (z @ fit.random_covariances[level.name].to_numpy() @ z.T)
    return v


def log_likelihood(fit, frame):
    """Restricted or full log-likelihood from the full covariance matrix."""
    v, x, y = covariance(fit, frame), np.column_stack(fit.design.x), fit.design.y
    inverse = np.linalg.inv(v)
    information = x.T @ inverse @ x
    residual = y - x @ np.linalg.solve(information, x.T @ inverse @ y)
    reml = fit.method == "REML"
    n = len(y) - (x.shape[1] if reml else 0)
    out = n * np.log(2 * np.pi) + np.linalg.slogdet(v)[1] + residual @ inverse @ residual
    return -0.5 * (out + (np.linalg.slogdet(information)[1] if reml else 0.0))
