"""Groups judged together: each mean is drawn towards the whole by as much as it rests on chance.

    y = X b + sum_k Z_k u_k + e,   u_k ~ N(0, (lambda_k sigma)^2),   e ~ N(0, sigma^2)

X holds the intercept and the case mix, Z_k says who belongs to which group of level k (site,
practitioner). With a handful of groups the size of lambda is hardly known, and a plug-in estimate
is zero half of the time. So nothing is plugged in: b and sigma are integrated out in closed form
(flat in b and log sigma), lambda over a grid of prior quantiles, and every statement is averaged
over the grid. Prior of lambda: half of a t distribution with 4 degrees of freedom and scale 0.2,
since differences between practitioners make up a few percent of the variance of outcomes (from
memory; no source for the exact scale). Means and intervals suppose that groups differ by some
lambda > 0; whether they differ at all is `chance_real`, with equal odds beforehand on lambda = 0
and lambda > 0, level by level.

    C = [X'X  X'Z L; L Z'X  L Z'Z L + I],  L = diag(lambda),  r = [X'y; L Z'y]
    log p(y | lambda) = -1/2 log|C| - (n - p)/2 log(y'y - r' C^-1 r) + constant
    (b, u / L) given lambda and y: multivariate t, n - p df, mean C^-1 r, scale s^2 C^-1
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from scipy import stats

from outcomes.errors import ModelError
from outcomes.statistics.service.mixtures import mixture_above, mixture_quantile

__all__ = ["PRIOR_SCALE", "Shrinkage", "shrink"]

PRIOR_SCALE = 0.2
_PRIOR_DF = 4
_GRID = {1: 40, 2: 16}


@dataclass(frozen=True, eq=False)
class Shrinkage:
    """Coefficients averaged over the unknown size of the differences.

    Attributes
    ----------
    weights : ndarray, grid
        Posterior weight of each grid point, all lambda > 0.
    means : ndarray, grid x coefficients
        (b, u) at each grid point.
    scales : ndarray, grid x coefficients x coefficients
        Their scale matrices; with `df` they are t distributions.
    ratios : ndarray, grid x levels
        lambda of each level.
    sigma : float
        Standard deviation of a client around the model.
    chance_real : ndarray, levels
        Chance that groups of this level differ at all.
    slices : list of slice
        Where the groups of each level stand among the coefficients.
    """

    weights: np.ndarray
    means: np.ndarray
    scales: np.ndarray
    ratios: np.ndarray
    df: int
    sigma: float
    chance_real: np.ndarray
    slices: list[slice]

    def summarise(
        self, combinations: np.ndarray, *, level: float
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Give mean, interval ends and chance above zero of sums of coefficients (one per row)."""
        centre = self.means @ combinations.T
        spread = np.sqrt(
            np.maximum(np.einsum("ij,gjk,ik->gi", combinations, self.scales, combinations), 0)
        )
        spread = np.maximum(spread, 1e-12 * self.sigma)
        estimate = self.weights @ centre
        half = (1 - level) / 2
        low = mixture_quantile(self.weights, centre, spread, self.df, half)
        high = mixture_quantile(self.weights, centre, spread, self.df, 1 - half)
        return estimate, low, high, mixture_above(self.weights, centre, spread, self.df)


def shrink(
    design: np.ndarray,
    outcome: np.ndarray,
    memberships: Sequence[np.ndarray],
    *,
    prior_scale: float = PRIOR_SCALE,
) -> Shrinkage:
    """Fit all groups of all levels together.

    Parameters
    ----------
    design : ndarray, n x p
        Intercept and case mix, of full rank.
    outcome : ndarray, n
        The improvements.
    memberships : sequence of int ndarray, n each
        Group numbers from 0, one array per level.
    prior_scale : float
        Scale of the prior of lambda.

    Returns
    -------
    Shrinkage
    """
    n, p = design.shape
    sizes = [int(codes.max()) + 1 for codes in memberships]
    indicators = [np.eye(size)[codes] for size, codes in zip(sizes, memberships, strict=True)]
    whole = np.column_stack([design, *indicators])
    cross, right, total = whole.T @ whole, whole.T @ outcome, float(outcome @ outcome)
    flat = outcome - design @ np.linalg.lstsq(design, outcome, rcond=None)[0]
    if n - p < 2 or flat @ flat <= 1e-12 * max(total, 1e-300):
        raise ModelError(
            "a comparison of groups must have outcomes that differ between clients. "
            "Choose another measure or a longer period."
        )
    points = _GRID.get(len(sizes), 10)
    places = (np.arange(points) + 0.5) / points
    one = np.concatenate([[0.0], prior_scale * stats.t.ppf((1 + places) / 2, _PRIOR_DF)])
    prior = np.concatenate([[0.5], np.full(points, 0.5 / points)])
    ratios = np.array(list(product(one, repeat=len(sizes))))
    mass = np.array([np.prod(c) for c in product(prior, repeat=len(sizes))])

    scale = np.concatenate(
        [np.ones((len(ratios), p))]
        + [np.repeat(ratios[:, [k]], size, axis=1) for k, size in enumerate(sizes)],
        axis=1,
    )
    system = scale[:, :, None] * cross * scale[:, None, :]
    groups = np.arange(p, p + sum(sizes))
    system[:, groups, groups] += 1
    side = scale * right
    inverse = np.linalg.inv(system)
    solved = np.einsum("gij,gj->gi", inverse, side)
    rest = np.maximum(total - np.einsum("gi,gi->g", side, solved), 1e-300)
    likelihood = -np.linalg.slogdet(system)[1] / 2 - (n - p) / 2 * np.log(rest)
    weights = mass * np.exp(likelihood - likelihood.max())
    weights /= weights.sum()
    chance_real = np.array([weights[ratios[:, k] > 0].sum() for k in range(len(sizes))])
    keep = (ratios > 0).all(axis=1) & (weights > 1e-7 * weights.max())
    weights, ratios = weights[keep] / weights[keep].sum(), ratios[keep]
    variance = rest[keep] / (n - p)
    edges = np.cumsum([p, *sizes])
    scale, inverse = scale[keep], inverse[keep]
    return Shrinkage(
        weights=weights,
        means=scale * solved[keep],
        scales=scale[:, :, None] * inverse * scale[:, None, :] * variance[:, None, None],
        ratios=ratios,
        df=n - p,
        sigma=float(np.sqrt(weights @ variance)),
        chance_real=chance_real,
        slices=[slice(a, b) for a, b in zip(edges[:-1], edges[1:], strict=True)],
    )
