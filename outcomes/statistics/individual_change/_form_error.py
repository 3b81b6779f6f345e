"""How far courses stray from their form, as the caseload's own later readings show it.

A course of one form is only a guess at how people gain: some caseloads start late, some clients
gain in steps or fall back. Two things are learnt, and added to every forecast.

Notation, times in usual gaps between visits: the caseload's mean is ``b0 + b1 h(t) + F(t)``, F the
integral of a Gaussian process with SD ``k`` per gap and correlation exp(-|t - t'| / 3), so that
beyond the readings the form's own rate comes back; a client's course takes part in F as far as it
takes part in the mean gain. Each client also wanders, by variance ``o^2`` a gap: seen where the
visits after the j-th are forecast from the first j, and two readings that the forecast did not see
differ by more than it allows, and the more the farther apart they are. ``k`` and ``o`` are averaged
over grids, with half of the weight on no departure at all and four fifths on no wandering.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from outcomes.statistics.individual_change._course_model import (
    climb,
    normal_equations,
    shrink,
    solve,
    sums_of,
)
from outcomes.statistics.individual_change._course_parts import _Rows, time_scale
from outcomes.statistics.individual_change._variance_draws import _matrices

__all__ = ["CourseDeviation", "learn_deviation"]

_MOST = 600  # series that it is learnt from, at most
_LENGTH = 3.0  # over which the rate of departure stays alike, in usual gaps
_FURTHEST, _BEYOND = 24, 26  # visits looked at, and looked ahead beyond them
_BETWEEN = (1, 3)  # visits between the two readings that a forecast is held against
_ERRORS = np.array([0.4, 0.55, 0.7, 0.85, 1.0])  # share of the scatter that may be error alone
#: SDs tried, as shares of a usual client's gain: of the rate of departure per gap, of wandering per
#: root of a gap; and the prior weights of each. All readings together tell of a departure; of
#: wandering the few long courses tell little, so that it has to be shown.
_SDS = np.array([0.0, 0.02, 0.05, 0.1, 0.2])
_DEPARTURE = np.array([0.5, 0.2, 0.15, 0.1, 0.05])
_WANDER = np.array([0.8, 0.1, 0.06, 0.03, 0.01])


@dataclass(frozen=True)
class CourseDeviation:
    """What is added to the form of the courses.

    Attributes
    ----------
    wander2 : float
        Variance that a client's course adds to its form per usual gap.
    departure, covariance : ndarray
        The caseload's departure from its form at 0, 1, ... usual gaps, and its covariance.
    mean_gain : ndarray
        The form's own mean gain there.
    gain_spread2 : ndarray
        Variance of clients' gains of the form around it.
    """

    wander2: float
    departure: np.ndarray
    covariance: np.ndarray
    mean_gain: np.ndarray
    gain_spread2: np.ndarray
    gap: float

    def ahead(
        self, now: np.ndarray, after: np.ndarray, gain: np.ndarray, gain_sd: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Mean and variance of what is added between two times, per series.

        `gain`, `gain_sd`: the client's gain of the form up to the second time. The client takes
        part in the departure by 1 + (gain - mean) mean / (mean^2 + spread^2): in proportion to the
        gain where clients gain alike, just as the mean where they differ widely.
        """
        last = self.departure.size - 1
        start, end = (_interpolation(np.asarray(t) / self.gap, last) for t in (now, after))
        usual = end @ self.mean_gain
        slope = usual / np.maximum(usual**2 + end @ self.gain_spread2, 1e-300)
        part = 1 + (gain - usual) * slope
        across = end - start
        mean = across @ self.departure
        variance = np.maximum(np.einsum("ij,jk,ik->i", across, self.covariance, across), 0)
        wandered = self.wander2 * (np.asarray(after) - np.asarray(now)) / self.gap
        spread = part**2 * variance + (slope * gain_sd) ** 2 * (variance + mean**2)
        return part * mean, spread + wandered


def _interpolation(t: np.ndarray, last: int) -> np.ndarray:
    """Give the weights of the whole gaps 0 .. last around every time, rows adding up to one."""
    t = np.clip(t, 0, last)
    return np.maximum(1 - np.abs(t[:, None] - np.arange(last + 1)), 0)


def learn_deviation(rows: _Rows, scale: float) -> CourseDeviation:
    """Learn both from all readings of the caseload."""
    rows = rows.some(_MOST)
    t = rows.time / rows.gap
    top = int(np.clip(np.ceil(np.quantile(t, 0.98)), 2, _FURTHEST))
    h = time_scale(rows.time, scale)
    z = np.column_stack([np.ones(h.size), h])
    spread = float(np.log(rows.value.std()))
    sums = sums_of(z, z, rows.value, rows.first)
    theta = climb(sums, np.array([spread, spread - 1, 0.0, spread - 1]), slope_left=0.01)
    solved = solve(sums, theta[None])
    slope, error2 = float(solved.b[0, 1]), float(solved.phi[0, 1, 1])
    g = _matrices(theta[None])[0][0]
    usual = float(np.sqrt((slope**2 + g[1, 1]) * np.mean(h[rows.last] ** 2)))
    ahead = time_scale(np.arange(top + _BEYOND + 1) * rows.gap, scale)
    nodes = _interpolation(t, top)[:, 1:]
    whole, _ = normal_equations(
        sums_of(np.column_stack([z, nodes]), z, rows.value, rows.first), theta[None]
    )
    departure, covariance = _departure(whole[0], ahead, top, usual, slope, error2)
    mean_gain = slope * ahead
    spread2 = g[1, 1] + error2
    share = slope / max(slope**2 + spread2, 1e-300)
    bent = h + share * (_interpolation(t, departure.size - 1) @ departure)
    wander2 = _wandering(rows, np.column_stack([z[:, 0], bent]), theta, usual)
    return CourseDeviation(wander2, departure, covariance, mean_gain, spread2 * ahead**2, rows.gap)


def _departure(
    whole: np.ndarray, ahead: np.ndarray, top: int, usual: float, slope: float, error2: float
) -> tuple[np.ndarray, np.ndarray]:
    """Give mean and covariance of the departure at all whole gaps, averaged over its SD.

    `whole` holds the normal equations of (b0, b1, F(1) .. F(top)).
    """
    inner, right = whole[:-1, :-1], whole[:-1, -1]
    kernel = _integrated_kernel(ahead.size)
    seen = kernel[1 : top + 1, 1 : top + 1] + 1e-6 * np.eye(top)
    precision = np.linalg.inv(seen)
    reach = kernel[:, 1 : top + 1] @ precision
    back = np.column_stack([np.zeros(ahead.size), ahead, reach])
    rest = kernel - reach @ kernel[1 : top + 1]
    start = inner[:2, :2]
    height = 0.5 * float(right[:2] @ np.linalg.solve(start, right[:2]))
    heights = [height - 0.5 * float(np.linalg.slogdet(start)[1])]
    means, covariances = [np.zeros(ahead.size)], [np.zeros((ahead.size, ahead.size))]
    form = error2 * np.outer(ahead, ahead)
    for k in _SDS[1:] * max(usual, 1e-12):
        full = inner.copy()
        full[2:, 2:] += precision / k**2
        spread = np.linalg.inv(full)
        middle = spread @ right
        height = 0.5 * float(right @ middle) - 0.5 * float(np.linalg.slogdet(full)[1])
        heights.append(height - 0.5 * float(np.linalg.slogdet(k**2 * seen)[1]))
        means.append(back @ middle - slope * ahead)
        covariances.append(back @ spread @ back.T + k**2 * rest - form)
    weights = _DEPARTURE * np.exp(np.array(heights) - max(heights))
    weights /= weights.sum()
    mean = weights @ np.array(means)
    covariance = sum(
        w * (c + np.outer(m, m)) for w, c, m in zip(weights, covariances, means, strict=True)
    )
    return mean, covariance - np.outer(mean, mean)


def _integrated_kernel(size: int) -> np.ndarray:
    """Covariance of the integral, at whole gaps, of a process with unit SD per gap."""
    fine = 4
    t = (np.arange(fine * (size - 1)) + 0.5) / fine
    rate = np.exp(-np.abs(t[:, None] - t) / _LENGTH) / fine**2
    summed = np.cumsum(np.cumsum(rate, axis=0), axis=1)[fine - 1 :: fine, fine - 1 :: fine]
    return np.pad(summed, ((1, 0), (1, 0)))


def _wandering(rows: _Rows, z: np.ndarray, theta: np.ndarray, usual: float) -> float:
    """Give the variance per gap that later readings differ by beyond what forecasts allow."""
    sums = sums_of(z, z, rows.value, rows.first)
    b = solve(sums, theta[None]).b[0]
    g, s2 = _matrices(theta[None])
    own = np.column_stack([z, rows.value])
    each = np.cumsum(z[:, :, None] * own[:, None, :], axis=0)
    before = np.concatenate([np.zeros((1, 2, 3)), each])[rows.first][rows.code]
    so_far = each - before
    seen = np.arange(rows.time.size) - rows.first[rows.code]
    left = rows.last[rows.code] - np.arange(rows.time.size)
    parts = []
    for between in _BETWEEN:
        j = np.flatnonzero((seen >= 1) & (left >= 1 + between))
        (k,), _ = shrink(so_far[j, :, :2], g, s2)
        zr = (so_far[j, :, 2] - so_far[j, :, :2] @ b) / s2
        slope = b[1] + k[:, 1] * zr[:, 0] + k[:, 2] * zr[:, 1]
        p, q = j + 1, j + 1 + between
        along = z[q, 1] - z[p, 1]
        residual = rows.value[q] - rows.value[p] - slope * along
        gaps = (rows.time[q] - rows.time[p]) / rows.gap
        parts.append(np.column_stack([residual**2, along**2 * k[:, 2], gaps]))
    squared, known, gaps = np.concatenate(parts).T
    tried = (_SDS * usual) ** 2
    error = 2 * s2[0] * _ERRORS[:, None, None]
    variance = known + error + tried[:, None] * gaps
    # half: the windows of a client overlap
    heights = -0.25 * np.sum(np.log(variance) + squared / variance, axis=2)
    weights = (_WANDER * np.exp(heights - heights.max())).sum(axis=0)
    return float(weights @ tried / weights.sum())
