"""What the fixed part would be without one client, the variances held at their estimates.

Without group i, X'V^-1X and X'V^-1y lose that group's share, so that every deletion is one small
linear system (Christensen, Pearson & Johnson 1992, Technometrics 34:38). Cook's distance is the
change in all coefficients, in the metric of their covariance, per coefficient.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from outcomes.errors import ArgumentError
from outcomes.statistics.mixed_model.design import RandomLevel
from outcomes.statistics.mixed_model.likelihood import eliminate_levels
from outcomes.statistics.mixed_model.reduction import level_plan
from outcomes.statistics.mixed_model.residual_structure import build_structure

if TYPE_CHECKING:
    from outcomes.statistics.mixed_model.result import MixedModelFit

__all__ = ["influence_table"]


def influence_table(fit: MixedModelFit) -> pd.DataFrame:
    """Build the table of `MixedModelFit.influence`."""
    design, work, small = fit.design, fit.work, fit.small_sample
    if not design.levels:
        raise ArgumentError("influence needs random terms; this model has none.")
    last = design.levels[-1]
    n = last.n_groups
    apart = np.arange(n)
    shell = RandomLevel(
        name=last.name,
        path=last.path,
        formula="0",
        spec=None,
        terms=(),
        correlated=True,
        z=(),
        codes=last.codes,
        keys=last.keys,
        outer_starts=None,
    )
    separate = replace(
        design, levels=(*design.levels[:-1], replace(last, outer_starts=apart), shell)
    )
    apart_work = replace(work, design=separate, turns=(*work.turns, np.zeros((0, 0))))
    structure = build_structure(
        fit.choices.residual, apart_work, by=fit.choices.by, time=fit.choices.time
    )
    plan = level_plan(separate)[:-1]
    plan[-1] = replace(plan[-1], starts_outer=apart)
    state, _ = eliminate_levels(
        structure.state(small.x[: structure.n_parameters]), plan, small.criterion.factors(small.x)
    )
    parts = state.s.rr  # (groups, p + 1, p + 1)
    p = len(design.x)
    total = parts.sum(axis=0)
    left_x = total[:p, :p] - parts[:, :p, :p]
    left_y = total[:p, p] - parts[:, :p, p]
    lost = np.linalg.matrix_rank(left_x, hermitian=True) < p
    left_x[lost] = np.eye(p)
    without = np.linalg.solve(left_x, left_y[:, :, None])[:, :, 0]
    change = without - small.ev.beta
    cook = np.einsum("np,pq,nq->n", change, total[:p, :p], change) / (p * small.sigma2)
    natural = np.linalg.solve(work.r, work.scale * change.T).T
    natural[lost], cook[lost] = np.nan, np.nan
    names = np.asarray(design.x_names, dtype=object)
    frame = last.keys.loc[last.keys.index.repeat(p)].reset_index(drop=True)
    frame["term"] = np.tile(names, n)
    frame["estimate_without"] = (fit.coefficients + natural).reshape(-1)
    frame["change_without"] = natural.reshape(-1)
    frame["cooks_distance"] = np.repeat(cook, p)
    return frame
