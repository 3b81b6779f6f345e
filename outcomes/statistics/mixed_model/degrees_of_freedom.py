"""Small-sample tests of the fixed part: Satterthwaite, Kenward-Roger, normal.

Satterthwaite: df = 2 v^2 / (g' A g), v = l' Phi l the variance of a contrast, g its gradient in the
covariance parameters, A twice the inverse of the observed Hessian of -2 log-likelihood
(Giesbrecht & Burns 1985; Fai & Cornelius 1996 for several contrasts at once).

Kenward-Roger (1997, Biometrics 53:983): W is twice the inverse of the *expected* REML information,

    Phi_A = Phi + 2 Phi {sum_ij W_ij (Q_ij - P_i Phi P_j - R_ij / 4)} Phi,

R_ij (second derivatives of V) is zero unless residuals are autoregressive, where it is included.

Both take the variances to be well inside their range. Where one is estimated as zero (or a
correlation as one), Kenward-Roger's correction becomes far too large and Satterthwaite's degrees
of freedom are those of a model without that random term. The rule `small_sample` is therefore
Kenward-Roger inside, and at a boundary Satterthwaite with degrees of freedom no larger than what
would hold if the variance were there: the groups of that level minus the fixed columns that are
constant within them. tests/evidence/mixed_model_small_samples.py measures all four.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from outcomes.statistics.mixed_model.criterion import Criterion
from outcomes.statistics.mixed_model.likelihood import Elimination, Evaluation

__all__ = ["AT_ZERO", "SmallSample", "Test"]

Array = NDArray[np.float64]

#: A relative standard deviation (working units) below this counts as zero.
AT_ZERO = 1e-4
#: Share by which a contrast's variance must grow, per unit of relative variance, to lean on it.
LEANS = 0.05


@dataclass(frozen=True)
class Test:
    """A t or F test: `statistic` on `df1` and `df2` degrees of freedom, with its p-value."""

    statistic: float
    df1: float
    df2: float
    p_value: float


@dataclass(frozen=True)
class SmallSample:
    """Everything that tests of one fit need, in working units (relative to the residual variance).

    Attributes
    ----------
    criterion, x, ev
        The likelihood, the estimate, and what was evaluated there.
    """

    criterion: Criterion
    x: Array
    ev: Evaluation

    @cached_property
    def levels(self) -> list[Elimination]:
        """What predictions need of every level, computed when first asked for."""
        return self.criterion.at(self.x, keep=True).levels

    @cached_property
    def sigma2(self) -> float:
        """Residual variance, working units."""
        return self.criterion.sigma2(self.ev)

    @cached_property
    def phi(self) -> Array:
        """Covariance of the fixed coefficients, variances taken as known."""
        return self.sigma2 * self.ev.c

    # Satterthwaite ---------------------------------------------------------------------------

    @cached_property
    def parameter_covariance(self) -> Array:
        """Covariance of (x, log residual variance) from the observed Hessian."""
        values, vectors = np.linalg.eigh(self.criterion.full_hessian(self.x, self.ev))
        used = values > 1e-8
        return 2.0 * (vectors[:, used] / values[used]) @ vectors[:, used].T

    @cached_property
    def _phi_gradient(self) -> Array:
        """Derivatives of phi with respect to (x, log residual variance)."""
        p, c = self.ev.c.shape[0], self.ev.c
        natural = np.array([c @ t[:p, :p] @ c for t in self.ev.t]).reshape(-1, p, p)
        first, _ = self.criterion.jacobian(self.x)
        by_x = np.einsum("nx,nij->xij", first, natural)
        return self.sigma2 * np.concatenate([by_x, c[None]])

    def satterthwaite_df(self, contrast: Array) -> float:
        """Degrees of freedom of one contrast (working coefficients)."""
        variance = float(contrast @ self.phi @ contrast)
        gradient = np.einsum("i,xij,j->x", contrast, self._phi_gradient, contrast)
        spread = float(gradient @ self.parameter_covariance @ gradient)
        return 2.0 * variance**2 / spread if spread > 0 else np.inf

    # The boundary ----------------------------------------------------------------------------

    @cached_property
    def boundary_directions(self) -> list[Array]:
        """Per level, combinations of its random terms without variance, (q, how many)."""
        out = []
        for factor in self.criterion.factors(self.x):
            values, vectors = np.linalg.eigh(factor @ factor.T)
            out.append(vectors[:, values < AT_ZERO**2])
        return out

    def leans_on(self, contrast: Array) -> list[int]:
        """Levels at their boundary whose missing variance would widen this contrast."""
        c, p = self.ev.c, self.ev.c.shape[0]
        variance = float(contrast @ c @ contrast)
        at = self.criterion.structure.n_parameters
        found = []
        for i, (level, directions) in enumerate(
            zip(self.criterion.plan, self.boundary_directions, strict=True)
        ):
            widest = 0.0
            for direction in directions.T:
                own = np.array([direction[a] * direction[b] for a, b in level.pairs])
                t = np.einsum("j,jab->ab", own, self.ev.t[at : at + len(own), :p, :p])
                widest = max(widest, float(contrast @ c @ t @ c @ contrast) / variance)
            if widest > LEANS:
                found.append(i)
            at += len(level.pairs)
        return found

    # Kenward-Roger ---------------------------------------------------------------------------

    @cached_property
    def _linear(self) -> tuple[Array, Array, Array]:
        """W, the P matrices and the sum of W_ij (Q_ij - P_i C P_j - R_ij / 4), sigma2 last.

        The row of the residual variance follows from V = sigma2 dV/dsigma2 + sum gamma_j V_j.
        """
        ev, c = self.ev, self.ev.c
        p, m = c.shape[0], ev.trace.size
        gamma = self._weights_in_v()
        t = np.concatenate([ev.t[:, :p, :p], np.zeros((1, p, p))])
        t[m] = ev.s[:p, :p] - np.einsum("j,jab->ab", gamma, t[:m])
        u = np.zeros((m + 1, m + 1, p, p))
        info = np.zeros((m + 1, m + 1))
        info[:m, :m] = ev.info_reml
        for (a, b), matrix in ev.u.items():
            u[a, b], u[b, a] = matrix[:p, :p], matrix[:p, :p].T
        trace = np.append(ev.trace_reml, 0.0)
        n = self.criterion.n_rows - self.criterion.p
        trace[m] = n - gamma @ trace[:m]
        for j in range(m):
            info[m, j] = info[j, m] = trace[j] - gamma @ info[:m, j]
            u[m, j] = t[j] - np.einsum("i,iab->ab", gamma, u[:m, j])
            u[j, m] = u[m, j].T
        info[m, m] = trace[m] - gamma @ info[:m, m]
        u[m, m] = t[m] - np.einsum("i,iab->ab", gamma, u[:m, m])
        w = np.asarray(2.0 * np.linalg.pinv(info, rcond=1e-13, hermitian=True), dtype=np.float64)
        ptc = np.einsum("jab,bc->jac", t, c)
        middle = np.einsum("ij,ijab->ab", w, u) - np.einsum("ij,iab,jbc->ac", w, ptc, t)
        for (a, b), matrix in ev.curved.items():
            middle -= 0.25 * w[a, b] * (1.0 + (a != b)) * matrix[:p, :p]
            if a == b:  # V is also curved in (parameter, residual variance)
                middle -= 0.5 * w[a, m] * t[a]
        return w, t, middle

    def _weights_in_v(self) -> Array:
        """Natural parameters that V is linear in; zero for those that it is not linear in."""
        at = self.criterion.structure.n_parameters
        natural, _, _ = self.criterion.structure.chain(self.x[:at])
        gamma = [0.0 if (i, i) in self.ev.curved else natural[i] for i in range(at)]
        for level, factor in zip(self.criterion.plan, self.criterion.factors(self.x), strict=True):
            g = factor @ factor.T
            gamma += [g[a, b] for a, b in level.pairs]
        return np.array(gamma)

    @cached_property
    def phi_adjusted(self) -> Array:
        """Kenward-Roger's covariance of the fixed coefficients."""
        _, _, middle = self._linear
        c = self.ev.c
        adjusted = self.sigma2 * (c + 2.0 * c @ middle @ c)
        return (adjusted + adjusted.T) / 2.0

    def kenward_roger(self, contrasts: Array) -> tuple[float, float]:
        """Denominator df and scale of F for contrasts (rows; working coefficients)."""
        w, t, _ = self._linear
        c, q = self.ev.c, contrasts.shape[0]
        theta = contrasts.T @ np.linalg.solve(contrasts @ c @ contrasts.T, contrasts)
        tcp = np.array([theta @ c @ matrix @ c for matrix in t])
        single = np.einsum("jaa->j", tcp)
        a1 = float(single @ w @ single)
        a2 = float(np.einsum("ij,iab,jba->", w, tcp, tcp))
        if a2 <= 0.0:
            return np.inf, 1.0
        if q == 1:
            return 2.0 / a2, 1.0
        b = (a1 + 6.0 * a2) / (2.0 * q)
        g = ((q + 1) * a1 - (q + 4) * a2) / ((q + 2) * a2)
        below = 3.0 * q + 2.0 * (1.0 - g)
        c1, c2, c3 = g / below, (q - g) / below, (q + 2 - g) / below
        expected = 1.0 / (1.0 - a2 / q)
        v0, v1, v2 = 1.0 + c1 * b, 1.0 - c2 * b, 1.0 - c3 * b
        rho = v0 / (q * v1**2 * v2 * expected**2)
        excess = q * rho - 1.0
        df = 4.0 + (q + 2.0) / excess if excess > 0 else np.inf
        return df, df / (expected * (df - 2.0)) if np.isfinite(df) else 1.0 / expected
