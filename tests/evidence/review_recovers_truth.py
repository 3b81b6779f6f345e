"""Do the quarter's review's numbers hold the planted truth? Over many synthetic caseloads.

Each seed makes a caseload of 400 clients twice: as the scenario stands, where one inclinometer
reads more and more (``drift``), and with that instrument steady (``steady``; ranges of motion
only, for no questionnaire is read off an instrument). Every episode measured twice is judged as
the review judges it, over the whole period, and per measure is compared

- the mean improvement and its t interval: with the true mean improvement of the same clients
  (`planted`), and with the mean of that truth over all seeds (`planted_everywhere`). The interval
  allows for clients being a sample, so it must hold the second in 95 % and is wide for the first;
- shares by cut-off: with the share of the same clients whose true improvement passes the same line;
- shares expected from the model: with the share of the same clients who truly improved, or
  truly improved importantly; and, chance by chance, what came true (`came true`);
- the clients' own intervals: how many hold the client's true improvement.

The model's part takes most of the time and is made for the first seeds only (`model_seeds`).

Run: python tests/evidence/review_recovers_truth.py [--seeds 200] [--model-seeds 40] [--keep FILE].
With --keep, a run that was stopped goes on where it was.
"""

from __future__ import annotations

import argparse
import json
import platform
import sys
from collections.abc import Iterator
from datetime import date
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[2]))

from data_synthetic.as_caseload import as_caseload  # noqa: E402
from data_synthetic.make_caseload import make_caseload  # noqa: E402
from outcomes.records.caseload import Caseload  # noqa: E402
from outcomes.records.lookup import importance_of, measure_of  # noqa: E402
from outcomes.records.readings import judged_side, visit_values  # noqa: E402
from outcomes.statistics.effect_size import mean_change, verdict_shares  # noqa: E402
from outcomes.statistics.individual_change import judge_change, start_and_latest  # noqa: E402
from outcomes.statistics.review import judge_measure  # noqa: E402
from outcomes.statistics.review.judging import row_errors  # noqa: E402
from outcomes.statistics.review.shares import model_shares  # noqa: E402

RESULT = Path(__file__).parent / "results" / "review_recovers_truth.json"
SEED, CLIENTS = 20261127, 400
WORLDS: dict[str, dict[str, Any]] = {"drift": {}, "steady": {"drift": {"deg_per_30_days": 0.0}}}
MEAN = "mean improvement"
BINS = np.array([0.05, 0.15, 0.25, 0.35, 0.45, 0.55, 0.65, 0.75, 0.85, 0.95])


def compare_one(seed: int, *, model: bool, clients: int = CLIENTS) -> pd.DataFrame:
    """Compare every number of one caseload with its truth, in both worlds; one row a number."""
    truth, rows = {}, []
    for world, changes in WORLDS.items():
        rng = np.random.default_rng([SEED, seed])
        tables, planted = make_caseload(rng, n_clients=clients, changes=changes)
        caseload = as_caseload(tables)
        values = judged_side(visit_values(caseload), caseload.clients)
        pairs = start_and_latest(values)
        scales = planted.scenario["scales"] if world == "drift" else {}
        for code in [*planted.scenario["ranges"], *scales]:
            if code not in truth:  # what is true does not depend on the instrument
                truth[code] = planted.improvements(code)
            judged = _judged(caseload, values, pairs, code, model=model)
            judged = judged.merge(
                truth[code][["client", "episode", "true_improvement"]],
                on=["client", "episode"],
                how="left",
                suffixes=("_by_model", ""),
                validate="one_to_one",
            )
            found = pd.DataFrame([*_numbers(judged, measure_of(caseload, code).better, model)])
            rows.append(found.assign(seed=seed, world=world, measure=code))
    return pd.concat(rows, ignore_index=True)


def _judged(
    caseload: Caseload, values: pd.DataFrame, pairs: pd.DataFrame, code: str, *, model: bool
) -> pd.DataFrame:
    """Judge one measure as the review does; without the model where it is not asked for."""
    if model:
        found = judge_measure(caseload, values, code)
        if found.courses is None:
            raise RuntimeError(f"no model for {code}: {found.notes}")
        return found.judged
    mine = pairs[pairs["measure"] == code]
    line = importance_of(caseload, code)
    return judge_change(
        mine,
        standard_error_of_measurement=row_errors(caseload, code, mine),
        minimal_important_change=line.value if line else None,
        better=measure_of(caseload, code).better,
    )


def _numbers(judged: pd.DataFrame, better: str, model: bool) -> Iterator[dict[str, Any]]:
    truth = judged["true_improvement"].to_numpy(float)
    if np.isnan(truth).any():
        raise RuntimeError("an analysed client has no planted truth")
    mean = mean_change(judged, better=better)
    yield {
        "quantity": MEAN,
        "n": mean.n,
        "estimate": mean.estimate,
        "ci_low": mean.ci_low,
        "ci_high": mean.ci_high,
        "planted": truth.mean(),
    }
    shares = verdict_shares(judged)
    if model:
        by_model = model_shares(judged)
        shares = pd.concat([shares, by_model[by_model["method"] == "mean chance, t"]])
    line = judged["minimal_important_change"].to_numpy(float)
    past = _true_shares(judged, truth, line)
    for row in shares.to_dict("records"):
        yield {
            "quantity": row["quantity"],
            "n": row["n"],
            "estimate": row["share"],
            "ci_low": row["ci_low"],
            "ci_high": row["ci_high"],
            "planted": past[row["quantity"]],
        }
    if not model:
        return
    inside = judged["true_ci_low"].le(truth) & judged["true_ci_high"].ge(truth)
    yield {"quantity": "client's own interval", "n": len(truth), "planted": inside.mean()}
    for name, came in (("improved", truth > 0), ("important", truth >= line)):
        chance = judged[f"chance_{name}"].to_numpy(float, na_value=np.nan)
        place = np.digitize(chance, BINS)
        for k in np.unique(place[np.isfinite(chance)]):
            there = np.isfinite(chance) & (place == k)
            yield {
                "quantity": f"came true: {name}, {k}",
                "n": int(there.sum()),
                "estimate": chance[there].mean(),
                "planted": came[there].mean(),
            }


def _true_shares(judged: pd.DataFrame, truth: np.ndarray, line: np.ndarray) -> dict[str, float]:
    """Share of clients whose true improvement passes the line that each reported share asks for."""
    detectable = judged["minimal_detectable_change"].to_numpy(float)

    def share(yes: np.ndarray, known: np.ndarray) -> float:
        return float(yes[known].mean()) if known.any() else np.nan

    error, important = np.isfinite(detectable), np.isfinite(line)
    return {
        "improved detectably": share(truth >= detectable, error),
        "improved importantly": share(truth >= line, important),
        "improved detectably and importantly": share(
            (truth >= detectable) & (truth >= line), error & important
        ),
        "worsened detectably": share(-truth >= detectable, error),
        "expected to have improved": float((truth > 0).mean()),
        "expected to have improved importantly": share(truth >= line, important),
    }


def summarise(rows: pd.DataFrame) -> dict[str, list[dict[str, Any]]]:
    """Sum up over seeds: what was held, and how far off the numbers were."""
    single = rows["quantity"].str.startswith(("came true", "client's"))
    held = [
        {"world": world, "measure": measure, "quantity": quantity, **_held(group)}
        for (world, measure, quantity), group in rows[~single].groupby(
            ["world", "measure", "quantity"], sort=False
        )
    ]
    own = [
        {
            "world": world,
            "measure": measure,
            "clients": int(group["n"].sum()),
            "coverage": float(np.average(group["planted"], weights=group["n"])),
        }
        for (world, measure), group in rows[rows["quantity"] == "client's own interval"].groupby(
            ["world", "measure"], sort=False
        )
    ]
    chances = rows[rows["quantity"].str.startswith("came true")]
    came = [
        {
            "world": world,
            "chance": str(quantity).removeprefix("came true: ").split(",")[0],
            "clients": int(group["n"].sum()),
            "given": float(np.average(group["estimate"], weights=group["n"])),
            "true": float(np.average(group["planted"], weights=group["n"])),
        }
        for (world, quantity), group in chances.groupby(["world", "quantity"])
    ]
    came.sort(key=lambda row: (row["world"], row["chance"], row["given"]))
    return {"numbers": held, "own_intervals": own, "came_true": came}


def _held(group: pd.DataFrame) -> dict[str, Any]:
    low, high, planted = group["ci_low"], group["ci_high"], group["planted"]
    error = group["estimate"] - planted
    everywhere = planted.mean()
    return {
        "sets": len(group),
        "clients": float(group["n"].mean()),
        "planted": float(everywhere),
        "covered": float(((low <= planted) & (planted <= high)).mean()),
        "planted_below": float((planted < low).mean()),
        "planted_above": float((planted > high).mean()),
        "bias": float(error.mean()),
        "bias_error": float(error.std() / np.sqrt(len(group))) if len(group) > 1 else None,
        "half_width": float((high - low).mean() / 2),
        "covered_everywhere": float(((low <= everywhere) & (everywhere <= high)).mean()),
    }


def _first(rows: pd.DataFrame) -> list[dict[str, Any]]:
    """Keep the mean improvements of seed 1 one by one, so that anyone can make them again."""
    mine = rows[(rows["seed"] == 1) & (rows["quantity"] == MEAN)]
    return mine[["world", "measure", "n", "estimate", "planted"]].to_dict("records")


def simulate(
    seeds: int, model_seeds: int, *, clients: int = CLIENTS, keep: Path | None = None
) -> pd.DataFrame:
    """Compare seeds 1 to `seeds`, the first `model_seeds` of them with the model."""
    parts = [pd.read_csv(keep)] if keep and keep.exists() else []
    done = set(parts[0]["seed"]) if parts else set()
    for seed in sorted(range(1, seeds + 1), key=lambda s: s <= model_seeds):  # quick ones first
        if seed in done:
            continue
        found = compare_one(seed, model=seed <= model_seeds, clients=clients)
        parts.append(found)
        if keep:
            found.to_csv(keep, mode="a", header=not keep.exists(), index=False)
    return pd.concat(parts, ignore_index=True)


def main() -> None:
    """Run and store."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=200)
    parser.add_argument("--model-seeds", type=int, default=40)
    parser.add_argument("--keep", type=Path)
    given = parser.parse_args()
    rows = simulate(given.seeds, given.model_seeds, keep=given.keep)
    stored = {
        "what": __doc__.split("\n")[0],
        "seed": SEED,
        "date": date.today().isoformat(),
        "versions": {"python": platform.python_version()}
        | {name: version(name) for name in ("numpy", "pandas", "scipy")},
        "settings": {
            "clients": CLIENTS,
            "seeds": given.seeds,
            "model_seeds": given.model_seeds,
            "why_fewer_with_the_model": "its part takes twelve times as long",
            "worlds": WORLDS,
            "level": 0.95,
        },
        **summarise(rows),
        "first": _first(rows),
    }
    RESULT.write_text(json.dumps(stored, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
