"""Fitting a mixed model: from a frame and formulas to a `MixedModelFit`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.errors import (
    ArgumentError,
    DataError,
    ModelError,
    check_between,
    check_choice,
    rows_must,
)
from outcomes.statistics.mixed_model.choices import Choices
from outcomes.statistics.mixed_model.criterion import Criterion
from outcomes.statistics.mixed_model.degrees_of_freedom import AT_ZERO, SmallSample
from outcomes.statistics.mixed_model.design import Design, build_design
from outcomes.statistics.mixed_model.optimiser import minimise
from outcomes.statistics.mixed_model.reduction import Work, level_plan, prepare
from outcomes.statistics.mixed_model.residual_structure import Independent, build_structure
from outcomes.statistics.mixed_model.result import MixedModelFit

__all__ = ["finish", "fit_design", "fit_mixed_model"]

Array = NDArray[np.float64]

#: Up to this many clients the small-sample rule is the default, above it Satterthwaite.
SMALL_SAMPLE_UP_TO = 5_000
RULES = ("small_sample", "kenward_roger", "satterthwaite", "normal")


def fit_mixed_model(
    data: pd.DataFrame | str | Path | Sequence[str | Path],
    formula: str,
    *,
    groups: str | Sequence[str] = "client",
    random: str | Sequence[str] | Mapping[str, str] | None = "1",
    correlated: bool = True,
    residual: str = "independent",
    by: str | None = None,
    time: str | None = None,
    weights: str | None = None,
    method: str = "REML",
    degrees_of_freedom: str | None = None,
    ci_level: float = 0.95,
    distributed: Any = None,
) -> MixedModelFit:
    """Fit the mean course over visits, each client's own course around it, and the error.

    Use when clients (or other units) are measured repeatedly, with uneven numbers and times of
    visits. Do not use for one client (`single_case`), or for one reading each.

    Parameters
    ----------
    data : pandas.DataFrame, or path(s) of Parquet files
        One row per reading. Rows with a missing value in a used column are dropped and counted.
        Files are pooled (see `pooling`): numeric columns and their products, one level of groups.
    formula : str
        Outcome and fixed part, ``"value ~ week * site"``, as formulaic reads it.
    groups : str or sequence of str
        Column of the clients, or columns from outer to inner: ``["clinic", "client"]``.
    random : str, mapping, sequence or None
        Random terms of the innermost level (outer levels then get ``"1"``), or one formula per
        level, by name or in order. ``"1 + week"`` gives each client a start and a slope.
    correlated : bool
        Whether random terms of a level may be correlated.
    residual : {"independent", "variance_per_level", "autoregressive"}
        Errors alike; with a variance for every level of column `by`; or, within a client, with
        correlation phi ** |gap in column `time`|.
    weights : str, optional
        Column of known relative weights, such as the number of trials averaged; above zero.
    method : {"REML", "ML"}
        Restricted likelihood for estimates, ML for comparing fixed parts.
    degrees_of_freedom : {"small_sample", "kenward_roger", "satterthwaite", "normal"}, optional
        Default `small_sample` (Kenward-Roger; at a boundary Satterthwaite, held to the number of
        groups) up to 5,000 clients, Satterthwaite above.
    ci_level : float
        Level of intervals, in (0, 1).
    distributed : dask.distributed.Client, optional
        Reduces Parquet files on a cluster instead of with DuckDB.

    Returns
    -------
    MixedModelFit
        `.fixed`, `.variances`, `.client_effects()`, `.predict()`, ...; see there.

    Raises
    ------
    ArgumentError, DataError
        For a fault in the arguments or data, before anything is estimated.
    ModelError
        If the likelihood has no maximum that the search can reach.

    Examples
    --------
    >>> import pandas as pd
    >>> frame = pd.DataFrame({
    ...     "client": [1, 1, 1, 2, 2, 2, 3, 3, 3], "week": [0, 1, 2] * 3,
    ...     "value": [100, 106, 109, 120, 123, 131, 90, 97, 101]})
    >>> fit = fit_mixed_model(frame, "value ~ week")
    >>> fit.fixed[["term", "estimate", "df"]].round(2)
            term  estimate    df
    0  Intercept    103.39  2.02
    1       week      5.17  5.00

    Checked against: lme4 1.1-31, lmerTest 3.1-3, pbkrtest 0.5.2, nlme 3.1-162, clubSandwich 0.5.8
    and printed fits (tests/statistics/mixed_model).
    """
    _check_arguments(residual, by, time, method, degrees_of_freedom, ci_level)
    choices = Choices(
        method=method,
        degrees_of_freedom=degrees_of_freedom,
        ci_level=ci_level,
        residual=residual,
        by=by,
        time=time,
        weights=weights,
    )
    if not isinstance(data, pd.DataFrame):
        from outcomes.statistics.mixed_model.pooling import fit_files

        return fit_files(
            data,
            formula,
            groups=groups,
            random=random,
            correlated=correlated,
            choices=choices,
            distributed=distributed,
        )
    design = build_design(
        data,
        formula,
        groups=groups,
        random=random,
        correlated=correlated,
        extra=[name for name in (weights, by, time) if name is not None],
    )
    return fit_design(design, choices)


def _check_arguments(
    residual: str,
    by: str | None,
    time: str | None,
    method: str,
    degrees_of_freedom: str | None,
    ci_level: float,
) -> None:
    check_choice("residual", residual, ["independent", "variance_per_level", "autoregressive"])
    for needs, name, column in (
        ("variance_per_level", "by", by),
        ("autoregressive", "time", time),
    ):
        if (residual == needs) != (column is not None):
            state = "name a column" if column is None else "be left out"
            raise ArgumentError(f"{name} must {state} where residual is {residual!r}.")
    check_choice("method", method, ["REML", "ML"])
    if degrees_of_freedom is not None:
        check_choice("degrees_of_freedom", degrees_of_freedom, RULES)
    check_between("ci_level", ci_level, 0, 1, remedy="Give 0.95")


def fit_design(design: Design, choices: Choices) -> MixedModelFit:
    """Fit a design that has been built already."""
    given = None
    if choices.weights is not None:
        given = design.frame[choices.weights].to_numpy(dtype=float)
        if (given <= 0).any():
            raise rows_must(
                choices.weights, "be above zero", given <= 0, "Correct or drop these rows"
            )
    if choices.time is not None and not pd.api.types.is_numeric_dtype(
        design.frame[choices.time].dtype
    ):
        raise DataError(f"{choices.time} must hold numbers. Give days or weeks since the start.")
    work = prepare(design, given)
    structure = build_structure(choices.residual, work, by=choices.by, time=choices.time)
    return finish(design, work, structure, choices)


def finish(design: Design, work: Work, structure: Independent, choices: Choices) -> MixedModelFit:
    """Maximise the likelihood of reduced data and assemble the result."""
    reml = choices.method == "REML"
    p = len(design.x)
    constant = 2.0 * (design.n_rows - (p if reml else 0)) * np.log(work.scale)
    if reml:
        constant += 2.0 * float(np.log(np.abs(np.diagonal(work.r))).sum())
    criterion = Criterion(
        structure=structure,
        plan=level_plan(design),
        n_rows=design.n_rows,
        p=p,
        reml=reml,
        constant=float(constant),
    )
    minimum = minimise(criterion, criterion.start())
    if not minimum.converged:
        raise ModelError(
            f"the model must reach a maximum of its likelihood; the search stopped after "
            f"{minimum.evaluations} steps without one. Drop random terms, or check the outcome for "
            f"gross errors."
        )
    x = _snapped(criterion, minimum.x)
    ev = criterion.last(x)
    boundary = _boundary(design, criterion, x, work)
    boundary += structure.boundary(x[: structure.n_parameters])
    rule = choices.degrees_of_freedom
    if rule is None:
        rule = "small_sample" if design.n_clients <= SMALL_SAMPLE_UP_TO else "satterthwaite"
    notes = [_df_note(rule, bool(boundary)), *boundary]
    if design.n_dropped:
        notes.append(f"{design.n_dropped:,} rows with missing values were left out.")
    return MixedModelFit(
        formula=design.formula,
        method=choices.method,
        degrees_of_freedom=rule,
        converged=minimum.converged,
        boundary=tuple(boundary),
        log_likelihood=-0.5 * criterion.value(ev),
        residual_variance=criterion.sigma2(ev) * work.scale**2,
        n_clients=design.n_clients,
        n_rows=design.n_rows,
        n_dropped=design.n_dropped,
        ci_level=choices.ci_level,
        notes=tuple(notes),
        choices=choices,
        design=design,
        work=work,
        small_sample=SmallSample(criterion, x, ev),
        minimum=minimum,
    )


def _df_note(rule: str, at_boundary: bool) -> str:
    if rule == "small_sample" and at_boundary:
        return (
            "Degrees of freedom: Satterthwaite, held to the number of groups where a variance at "
            "its boundary is involved (df_reliable says where)."
        )
    names = {
        "small_sample": "Kenward-Roger (1997, expected information)",
        "kenward_roger": "Kenward-Roger (1997, expected information)",
        "satterthwaite": "Satterthwaite",
        "normal": "none (normal approximation)",
    }
    return f"Degrees of freedom: {names[rule]}."


def _snapped(criterion: Criterion, x: Array) -> Array:
    """Set to zero what has converged to zero (working units: 1e-7 residual SDs)."""
    at = criterion.structure.n_parameters
    out = x.copy()
    out[at:][np.abs(x[at:]) < 1e-7] = 0.0
    return out


def _boundary(design: Design, criterion: Criterion, x: Array, work: Work) -> list[str]:
    """Say which variances are zero and which correlations are one."""
    found = []
    for level, factor, turn in zip(design.levels, criterion.factors(x), work.turns, strict=True):
        g = factor @ factor.T
        small = np.linalg.eigvalsh(g) < AT_ZERO**2
        if not small.any():
            continue
        covariance = turn @ g @ turn.T
        # Size of each term's own contribution to a row, in residual SDs.
        size = np.sqrt(np.diagonal(covariance)) * np.linalg.norm(np.linalg.inv(turn), axis=0)
        zero = size < AT_ZERO
        found += [
            f"The variance of {name} between groups of {level.name} is estimated as zero."
            for name in np.asarray(level.terms)[zero]
        ]
        if small.sum() > zero.sum():
            left = np.flatnonzero(~zero)
            terms = [level.terms[i] for i in left]
            if len(terms) == 2:
                sign = "+1" if covariance[left[0], left[1]] > 0 else "-1"
                found.append(
                    f"The correlation of {terms[0]} and {terms[1]} between groups of {level.name} "
                    f"is estimated as {sign}."
                )
            else:
                found.append(
                    f"The covariance of {', '.join(terms)} between groups of {level.name} is "
                    f"singular."
                )
    return found
