"""How often single-case methods are wrong under serial correlation: null rejections and coverage.

Run `python tests/evidence/single_case_error_rates.py` to redo everything (half an hour of
one core) and to overwrite results/single_case_error_rates.json, which the docstrings quote.

One client: 6 baseline and 10 treatment readings, stationary first-order autoregressive errors with
standard deviation 1. Several clients: 8 of 16 readings each, starts staggered from 4 to 9, half of
the variance between clients, gains varying between clients with standard deviation 0.5.
Start and end only: 5, 8 and 12 clients, normal and exponential changes.
"""

from __future__ import annotations

import json
import platform
import sys
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import scipy

from outcomes.errors import ModelError
from outcomes.statistics.single_case import (
    baseline_corrected_tau,
    between_case_moment,
    between_case_restricted,
    celeration,
    log_response_ratio,
    mean_of_client_effects,
    multilevel_effect,
    multiple_baseline,
    nonoverlap_of_all_pairs,
    permutation_test_of_mean,
    sign_test,
    two_sd_band,
    within_case_difference,
)
from outcomes.statistics.single_case.course import averaged_inference, plug_in_inference
from outcomes.statistics.single_case.power import correlated_errors, randomisation_power
from outcomes.statistics.single_case.resampling import bootstrap_t
from outcomes.statistics.single_case.serial import restricted_curve

RESULT = Path(__file__).parent / "results" / "single_case_error_rates.json"
SEED = 20260808
SETS = 5_000
CHUNKS, CHUNK = 20, 250  # several clients: three models a set, in chunks of their own seed
CORRELATIONS = (0.0, 0.2, 0.4)
M, N = 6, 10
STARTS = (4, 4, 5, 6, 7, 8, 9, 9)
READINGS = 16
SPREAD = 0.5


def one_client(correlation: float, sets: int, rng: np.random.Generator) -> dict[str, float]:
    """Rejection of a true null at 5% and coverage of 95% intervals, one client at a time."""
    errors = correlated_errors(sets, M + N, correlation, rng)
    rows = []
    for series in errors:
        a, b = series[:M], series[M:]
        nap = nonoverlap_of_all_pairs(a, b)
        corrected = baseline_corrected_tau(a, b)
        always = baseline_corrected_tau(a, b, always=True)
        ratio = log_response_ratio(20 + 3 * a, 20 + 3 * b)
        smd = within_case_difference(a, b)
        larger = within_case_difference(a, b + 1)
        band = two_sd_band(a, b)
        rows.append(
            (
                nap.ci_low <= 0.5 <= nap.ci_high,
                nap.p_value <= 0.05,
                corrected.p_value <= 0.05,
                always.p_value <= 0.05,
                ratio.ci_low <= 0 <= ratio.ci_high,
                smd.ci_low <= 0 <= smd.ci_high,
                larger.ci_low <= 1 <= larger.ci_high,
                band.notes[1].endswith("yes."),
            )
        )
    names = (
        "nap_interval_covers",
        "nap_test_rejects",
        "corrected_tau_rejects",
        "corrected_tau_always_rejects",
        "log_response_ratio_covers",
        "within_case_smd_covers_0",
        "within_case_smd_covers_1",
        "two_sd_band_two_in_a_row",
    )
    found = dict(zip(names, np.mean(rows, axis=0).tolist(), strict=True))
    found["celeration_rejects"] = _celeration(errors)
    return found | _least_squares(errors)


def several_clients(correlation: float, sets: int, rng: np.random.Generator) -> dict[str, float]:
    """The same across 8 clients whose gains differ; the true mean gain is 1 between-case SD."""
    total = float(np.sqrt(2.0))  # variance 1 between and 1 within clients
    rows = []
    for _ in range(sets):
        values = series_of_clients(correlation, SPREAD, total, rng)
        moment, plain = between_case_moment(values), mean_of_client_effects(values)
        model = multilevel_effect(values)
        rows.append(
            (
                moment.ci_low <= 1 <= moment.ci_high,
                _restricted_covers(values),
                plain.ci_low <= total <= plain.ci_high,
                model.ci_low <= total <= model.ci_high,
            )
        )
    names = (
        "moment_covers",
        "restricted_covers",
        "mean_of_clients_covers",
        "multilevel_covers",
    )
    return dict(zip(names, np.mean(rows, axis=0).tolist(), strict=True))


def all_chunks(place: int, seed: int) -> dict[str, float]:
    """Mean over the chunks of one correlation."""
    chunks = [one_chunk(place, k, seed) for k in range(CHUNKS)]
    return {name: float(np.mean([chunk[name] for chunk in chunks])) for name in chunks[0]}


def one_chunk(place: int, chunk: int, seed: int) -> dict[str, float]:
    """One chunk, which can be run on its own."""
    rng = np.random.default_rng([seed, 2, place, chunk])
    return several_clients(CORRELATIONS[place], CHUNK, rng)


def series_of_clients(
    correlation: float, spread: float, gain: float, rng: np.random.Generator
) -> pd.DataFrame:
    """One simulated case series of 8 clients."""
    clients = len(STARTS)
    errors = correlated_errors(clients, READINGS, correlation, rng)
    treated = np.arange(READINGS)[None, :] >= np.array(STARTS)[:, None]
    level = rng.standard_normal((clients, 1))
    own = gain + spread * rng.standard_normal((clients, 1))
    return pd.DataFrame(
        {
            "client": np.repeat([f"C{i}" for i in range(clients)], READINGS),
            "visit": np.tile(np.arange(READINGS), clients),
            "phase": np.where(treated, "treatment", "baseline").ravel(),
            "value": (level + own * treated + errors).ravel(),
        }
    )


def start_and_end(
    clients: int, shape: str, sets: int, rng: np.random.Generator
) -> dict[str, float]:
    """Tests of no change and coverage of the bootstrap-t interval."""
    size = (sets, clients)
    changes = rng.standard_normal(size) if shape == "normal" else rng.exponential(size=size) - 1
    low, high = bootstrap_t(changes, 0.95, 999, rng)
    tests = []
    for row in changes:
        frame = pd.DataFrame(
            {"client": np.arange(clients), "start_value": 0.0, "latest_value": row}
        )
        tests.append(
            (sign_test(frame).p_value <= 0.05, permutation_test_of_mean(frame).p_value <= 0.05)
        )
    sign, permuted = np.mean(tests, axis=0).tolist()
    return {
        "bootstrap_t_covers": float(((low <= 0) & (0 <= high)).mean()),
        "sign_test_rejects": sign,
        "permutation_rejects": permuted,
    }


def randomised(correlation: float, sets: int, rng: np.random.Generator) -> dict[str, float]:
    """Size and power of the randomisation test in a multiple-baseline design of 4 clients."""
    design = multiple_baseline([READINGS] * 4, least_baseline=4, least_treatment=4)
    found = {}
    for effect in (0.0, 1.0):
        row = randomisation_power(
            design,
            effect=effect,
            serial_correlation=correlation,
            rng=rng,
            sets=sets,
            most_assignments=999,
        )
        found[f"effect_{effect:g}"] = float(row["power"].iloc[0])
    return found


def _celeration(errors: np.ndarray) -> float:
    sets = len(errors)
    values = pd.DataFrame(
        {
            "client": np.repeat(np.arange(sets), M + N),
            "visit": np.tile(np.arange(M + N), sets),
            "phase": np.tile(["baseline"] * M + ["treatment"] * N, sets),
            "value": errors.ravel(),
        }
    )
    return float((celeration(values)["p_value"] <= 0.05).mean())


def _least_squares(errors: np.ndarray) -> dict[str, float]:
    found = {}
    later = (np.arange(M + N) >= M).astype(float)
    since = np.arange(M + N, dtype=float) - M
    designs = {
        "level": np.column_stack([np.ones(M + N), later]),
        "trend": np.column_stack([np.ones(M + N), later, since, since * later]),
    }
    time = np.arange(M + N, dtype=float)
    for name, design in designs.items():
        c = np.eye(design.shape[1])[1]
        curve = restricted_curve(design, errors.T, time)
        flat = restricted_curve(design, errors.T, time, phi=np.zeros(1))
        for method, p in (
            ("averaged", averaged_inference(curve, c, 0.95)[3]),
            ("plug_in", plug_in_inference(curve, c, 0.95)[3]),
            ("none", plug_in_inference(flat, c, 0.95)[3]),
        ):
            found[f"least_squares_{name}_{method}_rejects"] = float((p <= 0.05).mean())
    return found


def _restricted_covers(values: pd.DataFrame) -> bool:
    try:
        result = between_case_restricted(values, varying_effect=True)
    except ModelError:
        return False
    return bool(result.ci_low <= 1 <= result.ci_high)


def run(sets: int, seed: int, *, parts: tuple[str, ...]) -> dict[str, object]:
    """All parts at all correlations."""
    out: dict[str, object] = {}
    for number, name in enumerate(("one_client", "randomised", "several_clients", "start_and_end")):
        if name not in parts:
            continue
        rngs = [np.random.default_rng([seed, number, k]) for k in range(12)]
        if name == "one_client":
            out[name] = {
                str(r): one_client(r, sets, g) for r, g in zip(CORRELATIONS, rngs, strict=False)
            }
        elif name == "randomised":
            out[name] = {
                str(r): randomised(r, sets, g) for r, g in zip(CORRELATIONS, rngs, strict=False)
            }
        elif name == "several_clients":
            out[name] = {str(r): all_chunks(i, seed) for i, r in enumerate(CORRELATIONS)}
        else:
            out[name] = {
                f"{n} clients, {shape}": start_and_end(n, shape, sets, rngs[3 * j + i])
                for j, shape in enumerate(("normal", "exponential"))
                for i, n in enumerate((5, 8, 12))
            }
    return out


def main() -> None:
    parts = tuple(sys.argv[1:]) or ("one_client", "randomised", "several_clients", "start_and_end")
    stored = json.loads(RESULT.read_text()) if RESULT.exists() else {"figures": {}}
    figures = stored["figures"] | run(SETS, SEED, parts=parts)
    RESULT.parent.mkdir(exist_ok=True)
    RESULT.write_text(
        json.dumps(
            {
                "made_by": "tests/evidence/single_case_error_rates.py",
                "date": date.today().isoformat(),
                "seed": SEED,
                "sets": {"one client, start and end": SETS, "several clients": CHUNKS * CHUNK},
                "python": platform.python_version(),
                "numpy": np.__version__,
                "scipy": scipy.__version__,
                "settings": __doc__,
                "figures": figures,
            },
            indent=1,
        )
        + "\n"
    )


if __name__ == "__main__":
    main()
