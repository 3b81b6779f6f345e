"""Everything that a case series says about one measure, computed once.

The report, its tables, figures and sentences all take their numbers from a `MeasureSeries`, so that
they cannot disagree.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import pandas as pd

from outcomes.errors import DataError, ModelError
from outcomes.measures.catalogue import Measure
from outcomes.measures.thresholds import Threshold
from outcomes.results import Claim, Estimate
from outcomes.statistics.individual_change import judge_change, start_and_latest
from outcomes.statistics.single_case.across import mean_of_client_effects, multilevel_effect
from outcomes.statistics.single_case.between_restricted import between_case_restricted
from outcomes.statistics.single_case.course import phase_effects
from outcomes.statistics.single_case.indices import case_indices
from outcomes.statistics.single_case.phases import BASELINE
from outcomes.statistics.single_case.recorded_design import (
    RecordedDesign,
    recorded_randomisation_test,
)
from outcomes.statistics.single_case.resampling import (
    bootstrap_t_interval,
    permutation_test_of_mean,
)
from outcomes.statistics.single_case.serial import serial_correlation
from outcomes.statistics.single_case.start_end import sign_test
from outcomes.statistics.single_case.trend import describe_phases

__all__ = ["LEAST_BASELINE", "RANDOMISED", "MeasureSeries", "summarise_measure"]

Result = TypeVar("Result")

#: Name of the quantity that a recorded randomisation tests.
RANDOMISED = "difference of phases, by the draw itself"

#: Baseline readings from which phases are compared; below, only start and end are.
LEAST_BASELINE = 3


@dataclass(frozen=True, eq=False, kw_only=True)
class MeasureSeries(Claim):
    """One measure in a case series.

    Attributes
    ----------
    measure : Measure
        From the catalogue, or the clinic's own.
    error, importance : Threshold or None
        Thresholds used, with their sources.
    values : DataFrame
        client, week, phase, value of the series kept, one per client.
    judged : DataFrame
        One row per client with a start and a latest value, as `judge_change` gives it.
    phases, indices, levels, serial : DataFrame
        As `describe_phases`, `case_indices`, `phase_effects` and `serial_correlation` give
        them; the last three only of clients with at least `LEAST_BASELINE` baseline readings.
    across : DataFrame
        One row per quantity across clients: quantity, estimate, ci_low, ci_high, ci_level,
        p_value, n, unit, method, notes.
    n_clients, n_phased : int
        Clients with a reading; clients whose phases are compared.
    """

    measure: Measure
    error: Threshold | None
    importance: Threshold | None
    values: pd.DataFrame
    judged: pd.DataFrame
    phases: pd.DataFrame
    indices: pd.DataFrame
    levels: pd.DataFrame
    serial: pd.DataFrame
    across: pd.DataFrame
    n_clients: int
    n_phased: int
    notes: tuple[str, ...] = ()


def summarise_measure(
    values: pd.DataFrame,
    measure: Measure,
    *,
    error: Threshold | None,
    importance: Threshold | None,
    rng: np.random.Generator,
    confidence: float = 0.95,
    visits: pd.DataFrame | None = None,
    recorded: RecordedDesign | None = None,
) -> MeasureSeries:
    """Compute all that a case series reports about one measure.

    Use for 1 to about 20 clients. Do not use for a whole caseload: the quarter's review does that.

    Parameters
    ----------
    values : DataFrame
        Rows of this measure with phases: client, episode, visit, date, week, measure, side, mode,
        instrument, value, phase (`visit_values`, `judged_side`, `add_phases`); one episode and one
        side per client.
    measure : Measure
        What it is.
    error, importance : Threshold or None
        Standard error of measurement and minimal important change.
    rng : numpy Generator
        For the bootstrap.
    confidence : float
        Level of intervals and of the detectable change, in (0, 1).
    visits, recorded : DataFrame and RecordedDesign, optional
        Every visit kept (client, visit, phase) and what was drawn at random; both or neither.

    Returns
    -------
    MeasureSeries

    Raises
    ------
    DataError
        No readings, or faults as in `read_series`.
    """
    if values.empty:
        raise DataError(
            "readings of the measure must exist for at least one client. Leave the measure out."
        )
    pairs = start_and_latest(values, least_visits=2)
    kept = _series_kept(values)
    judged = judge_change(
        pairs,
        standard_error_of_measurement=None if error is None else error.value,
        minimal_important_change=None if importance is None else importance.value,
        better=measure.better,
        confidence=confidence,
    ) if len(pairs) else pairs  # fmt: skip
    phased = _phased(kept)
    better = measure.better
    notes = []
    empty = pd.DataFrame()
    indices = levels = serial = empty
    if len(phased):
        indices = case_indices(phased, better=better, ci_level=confidence)
        levels = phase_effects(phased, better=better, ci_level=confidence)
        serial = serial_correlation(phased, ci_level=confidence)
    n_phased = int(phased["client"].nunique()) if len(phased) else 0
    across = _across(judged, phased, measure, rng, confidence)
    if visits is not None and recorded is not None:
        row = _from_design(kept, visits, recorded, measure, rng, confidence)
        across = pd.concat([across, pd.DataFrame([row])], ignore_index=True)
    clients = int(kept["client"].nunique())
    if n_phased < clients:
        notes.append(
            f"{clients - n_phased} of {clients} clients have fewer than {LEAST_BASELINE} baseline "
            f"readings or no later phase: start and end are compared, phases are not."
        )
    return MeasureSeries(
        measure=measure,
        error=error,
        importance=importance,
        values=kept,
        judged=judged,
        phases=describe_phases(kept, better=better),
        indices=indices,
        levels=levels,
        serial=serial,
        across=across,
        n_clients=clients,
        n_phased=n_phased,
        notes=tuple(notes),
    )


def _series_kept(values: pd.DataFrame) -> pd.DataFrame:
    """Keep each client's series (mode, instrument) with most visits, the earlier where equal."""
    keys = ["client", "mode", "instrument"]
    sizes = values.groupby(keys, dropna=False, observed=True).agg(
        n=("value", "count"), first=("week", "min")
    )
    best = (
        sizes.reset_index()
        .sort_values(["client", "n", "first"], ascending=[True, False, True])
        .drop_duplicates("client")[keys]
    )
    kept = values.merge(best, on=keys, how="inner")
    return kept.sort_values(["client", "week"], ignore_index=True)


def _phased(kept: pd.DataFrame) -> pd.DataFrame:
    filled = kept[kept["value"].notna()]
    baseline = filled["phase"].eq(BASELINE).groupby(filled["client"]).transform("sum")
    later = filled["phase"].ne(BASELINE).groupby(filled["client"]).transform("sum")
    return filled[(baseline >= LEAST_BASELINE) & (later >= 1)]


def _across(
    judged: pd.DataFrame,
    phased: pd.DataFrame,
    measure: Measure,
    rng: np.random.Generator,
    level: float,
) -> pd.DataFrame:
    unit, better = measure.unit, measure.better
    rows: list[dict[str, object]] = _verdict_counts(judged, level)
    if len(judged) >= 2:
        rows += _from_start_and_end(judged, unit, better, rng, level)
    if len(phased) and phased["client"].nunique() >= 3:
        rows += _from_phases(phased, unit, better, level)
    columns = ["quantity", "estimate", "ci_low", "ci_high", "ci_level", "p_value", "n", "unit"]
    return pd.DataFrame(rows, columns=[*columns, "method", "notes"])


def _verdict_counts(judged: pd.DataFrame, level: float) -> list[dict[str, object]]:
    """Count detectable declines first, then detectable and important improvements."""
    if not len(judged) or judged["detectable"].isna().all():
        return []
    improved = judged["improvement"].astype(float) > 0
    detectable = judged["detectable"].fillna(False).astype(bool)
    kinds = {
        "detectable decline": detectable & ~improved,
        "detectable improvement": detectable & improved,
    }
    if judged["important"].notna().any():
        kinds["detectable and important improvement"] = (
            detectable & improved & judged["important"].fillna(False).astype(bool)
        )
    nothing: dict[str, object] = dict.fromkeys(("ci_low", "ci_high", "p_value"), np.nan)
    return [
        nothing
        | {
            "quantity": quantity,
            "estimate": float(which.sum()),
            "ci_level": level,
            "n": len(judged),
            "unit": "clients",
            "method": "",
            "notes": "",
        }
        for quantity, which in kinds.items()
    ]


def _from_start_and_end(
    judged: pd.DataFrame, unit: str, better: str, rng: np.random.Generator, level: float
) -> list[dict[str, object]]:
    judged = judged.sort_values(["start_value", "latest_value"])  # labels do not move the draws
    sign = 1 if better == "higher" else -1
    improvement = sign * (judged["latest_value"] - judged["start_value"])
    test = _try(lambda: permutation_test_of_mean(judged, better=better, rng=rng))
    mean = _try(lambda: bootstrap_t_interval(judged, better=better, rng=rng, ci_level=level))
    row = _row("mean improvement, start to latest", mean, unit, level)
    row["estimate"] = float(improvement.mean())
    row["n"] = len(judged)
    if not isinstance(test, str):
        row["p_value"] = test.p_value
        row["method"] = f"{row['method']}; {test.method}"
    direction = _try(lambda: sign_test(judged, better=better))
    count: dict[str, object] = dict.fromkeys(("ci_low", "ci_high", "p_value"), np.nan)
    count |= {
        "quantity": "clients better",
        "estimate": float((improvement > 0).sum()),
        "ci_level": level,
        "n": len(judged),
        "unit": "clients",
        "method": "exact sign test",
        "notes": direction if isinstance(direction, str) else "",
    }
    if not isinstance(direction, str):
        count["p_value"] = direction.p_value
    return [row, count]


def _from_phases(
    phased: pd.DataFrame, unit: str, better: str, level: float
) -> list[dict[str, object]]:
    model = _try(lambda: multilevel_effect(phased, better=better, ci_level=level))
    rows = [_row("mean gain of level, multilevel model", model, unit, level)]
    if not isinstance(model, str):
        rows[0]["p_value"] = model.p_value
        rows.append(
            rows[0]
            | {
                "quantity": "gain of the next client",
                "ci_low": model.new_client_low,
                "ci_high": model.new_client_high,
                "p_value": np.nan,
                "method": "prediction interval of the multilevel model",
                "notes": "",
            }
        )
        rows.append(
            rows[0]
            | {
                "quantity": "spread of gains between clients",
                "estimate": model.sd_between,
                "ci_low": np.nan,
                "ci_high": np.nan,
                "p_value": model.heterogeneity_p,
                "method": "standard deviation of the multilevel model; likelihood ratio test",
                "notes": "Serial correlation within clients makes this spread look larger.",
            }
        )
    plain = _try(lambda: mean_of_client_effects(phased, better=better, ci_level=level))
    rows.append(_row("mean gain of level, each client once", plain, unit, level))
    if not isinstance(plain, str):
        rows[-1]["p_value"] = plain.p_value
    g = _try(lambda: between_case_restricted(phased, better=better, ci_level=level))
    rows.append(_row("between-case standardised mean difference", g, "sd", level))
    if not isinstance(g, str):
        rows[-1]["p_value"] = g.p_value
    one_each = phased[["client", "week", "phase", "value"]]
    pooled = serial_correlation(one_each, ci_level=level)
    pooled = pooled[pooled["client"] == "all"]
    for row in pooled.to_dict("records"):
        rows.append(
            {
                "quantity": "serial correlation of neighbouring readings, pooled",
                "n": int(phased["client"].nunique()),
                "unit": "",
                "p_value": np.nan,
            }
            | {k: row[k] for k in ("estimate", "ci_low", "ci_high", "ci_level", "method", "notes")}
        )
    return rows


def _from_design(
    kept: pd.DataFrame,
    visits: pd.DataFrame,
    recorded: RecordedDesign,
    measure: Measure,
    rng: np.random.Generator,
    level: float,
) -> dict[str, object]:
    """Test the difference of phases by the randomisation that was recorded."""
    test = _try(
        lambda: recorded_randomisation_test(
            kept, visits, recorded=recorded, better=measure.better, rng=rng
        )
    )
    row: dict[str, object] = dict.fromkeys(("estimate", "ci_low", "ci_high", "p_value"), np.nan)
    row |= {"quantity": RANDOMISED, "ci_level": level, "unit": measure.unit, "n": 0}
    if isinstance(test, str):
        return row | {"method": "not computed", "notes": test}
    return row | {
        "estimate": test.statistic,
        "p_value": test.p_value,
        "n": test.n,
        "method": f"randomisation test; {test.method} ({test.n_assignments:,} possible)",
        "notes": f"Smallest p that this test can give: 1 in {round(1 / test.smallest_p):,}.",
    }


def _try(compute: Callable[[], Result]) -> Result | str:
    """Compute, or give the sentence that says why not."""
    try:
        return compute()
    except (DataError, ModelError) as error:
        return str(error)


def _row(quantity: str, result: Estimate | str, unit: str, level: float) -> dict[str, object]:
    row: dict[str, object] = dict.fromkeys(("estimate", "ci_low", "ci_high", "p_value"), np.nan)
    row |= {"quantity": quantity, "ci_level": level, "unit": unit, "n": 0}
    if isinstance(result, str):
        return row | {"method": "not computed", "notes": result}
    return row | {
        "estimate": result.estimate,
        "ci_low": result.ci_low,
        "ci_high": result.ci_high,
        "n": result.n,
        "method": result.method,
        "notes": " ".join(result.notes),
    }
