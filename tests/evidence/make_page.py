"""Write the page "How far can these numbers be trusted", from stored results only.

Run ``python tests/evidence/make_page.py``. It computes the published worked examples once more,
stores them beside the simulations, and writes from what is stored

- ``tests/evidence/trust.html``: one self-contained page;
- ``tests/evidence/TRUST.md``: its short version.

The simulations are not repeated here: each has its own script, named on the page. What is read is
in `stored_results`; the sections are in the ``trust_`` files.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from pathlib import Path

import outside_checks
import pandas as pd
from stored_results import Record, read_all
from trust_blocks import Answers, Block, Heading, Text, as_markdown, as_page
from trust_outside import other_program, outside, speed
from trust_recovery import EXPECTED, MEAN, once_only, recovery, worst_share
from trust_simulations import (
    MARGIN,
    alarm_rates,
    alarms,
    calibration,
    coverage,
    found_when_there,
    held_shares,
)

from outcomes.reporting.wording import join_words, percent, plural

HERE = Path(__file__).parent
PAGE, SHORT = HERE / "trust.html", HERE / "TRUST.md"
TITLE = "How far can these numbers be trusted"


def blocks(records: list[Record]) -> list[Block]:
    """Put the whole page together."""
    by_name = {record.name: record for record in records}
    held, rates = held_shares(records), alarm_rates(records)
    found: list[Block] = [
        Heading(TITLE, 1),
        Text(
            "What was checked against something outside this project, what was simulated, and "
            "where it falls short. Every figure below comes from a stored result with its date, "
            "versions and, where chance is involved, its seed; the last section lists them with "
            "the script that makes each again."
        ),
        _first_screen(by_name, held, rates),
        *_limits(),
        *outside(by_name),
        *other_program(by_name),
        *coverage(held),
        *alarms(rates),
        *calibration(by_name),
        *recovery(by_name),
        *found_when_there(by_name),
        *speed(by_name),
        *_how_made(records),
    ]
    return found


def _first_screen(by_name: dict[str, Record], held: pd.DataFrame, rates: pd.DataFrame) -> Answers:
    held, rates = held[~held["compared"]], rates[~rates["compared"]]
    checks = pd.DataFrame(by_name["outside_checks"].content["checks"])
    whole = int((checks["why"] == "").sum())
    loud = list(dict.fromkeys(rates.loc[rates["loud"], "about"]))
    printed = int(((checks["why"] == "") & (checks["known"] == "printed")).sum())
    rows = [
        (
            "Does it compute what the papers print?",
            f"{whole} of {len(checks)} values agree to the last digit given.",
            f"{printed} of them stand in print. The {len(checks) - whole} that differ do so for "
            "reasons told below.",
        ),
        (
            "Do 95% intervals hold the truth?",
            f"In {percent(held['share'].median(), 1)} of cases, at the median of {len(held)} "
            "simulated situations.",
            f"{plural(int(held['short'].sum()), 'situation')} fell short by more than "
            f"{100 * MARGIN:.0f} points; all are listed.",
        ),
        (
            "How often is there an alarm about nothing?",
            f"In {len(rates) - int(rates['loud'].sum())} of {len(rates)} simulated situations no "
            "more often than promised.",
            f"The others are listed. They are of: {join_words(loud) or 'none'}.",
        ),
    ]
    if "mixed_model_agreement" in by_name:
        worst = pd.DataFrame(by_name["mixed_model_agreement"].content["worst"])
        fits = int(worst.loc[worst["quantity"] == "fixed estimate", "compared"].iloc[0])
        gap = worst.set_index("quantity").loc[["fixed estimate", "standard error"], "difference"]
        rows.append(
            (
                "Does the model compute what R does?",
                f"Estimates and their errors agree to {int(-math.log10(gap.max()))} digits or "
                f"more in {fits} fits.",
                "Degrees of freedom, variances and likelihoods are compared below.",
            )
        )
    if "change_verdicts" in by_name:
        scenarios = by_name["change_verdicts"].content["scenarios"]
        near, apart = (scenarios[name]["given_80_important"] for name in ("normal", "mixed"))
        rows.append(
            (
                "When it says 80%, is it 80%?",
                f"Of {near['count']} simulated clients given about 80%, {percent(near['true'])} "
                "had truly improved importantly.",
                f"Where clients are of three separate kinds it was {percent(apart['true'])}: "
                "chances rest on one bell of gains.",
            )
        )
    if "review_recovers_truth" in by_name:
        numbers = pd.DataFrame(by_name["review_recovers_truth"].content["numbers"])
        mean = numbers[numbers["quantity"] == MEAN]
        share = numbers.loc[numbers["quantity"] == EXPECTED, "covered"].mean()
        steady = mean[mean["measure"].isin(once_only(mean)) | (mean["world"] == "steady")]
        rows.append(
            (
                "Does the quarter's review find what was planted?",
                f"Its mean improvement is within {worst_share(steady)} of the planted one on "
                "average.",
                f"Within {worst_share(mean)} where an instrument reads more and more. The interval "
                f"of the model's expected share held the planted one in {percent(share)}.",
            )
        )
    return Answers(tuple(rows))


def _limits() -> Iterator[Block]:
    yield Heading("What this page cannot tell")
    for words in (
        "**Worked examples check arithmetic.** A formula may be computed to every digit and still "
        "be the wrong one for a question.",
        "**Simulations are of our own making.** They show how a method behaves where its "
        "assumptions hold, and in the ways of breaking them that we thought of. Real clients break "
        "others.",
        "**Nothing here is about your readings.** An instrument that drifts, a rater who knows the "
        "last value, clients who stop coming: no interval covers these. The report's sections on "
        "data quality and on who is missing do.",
        "**No caseload without a comparison group shows what treatment caused.** Change from first "
        "to latest visit also holds what time alone would have brought.",
    ):
        yield Text(words)


def _how_made(records: list[Record]) -> Iterator[Block]:
    yield Heading("How each result was made")
    yield Text(
        f"The {len(records)} files of `tests/evidence/results`. Each script says at its head how "
        "to run it, and writes its file anew. Fast tests read the simulations, hold them to "
        "bounds, and run a small part of the same code again."
    )
    for record in records:
        versions = ", ".join(f"{name} {number}" for name, number in record.versions.items())
        yield Text(
            f"**{record.name.replace('_', ' ')}.** {_told(record)} `{_place(record.script)}`; seed "
            f"{_few(record.seed)}; {record.date}; {versions}."
        )


def _told(record: Record) -> str:
    words = " ".join(f"{record.title} {record.method}".replace("``", "`").split())
    return re.sub(r"(?<=[:;,.]) - ", " ", words)


def _place(script: Path | None) -> str:
    return script.relative_to(HERE.parents[1]).as_posix() if script else ""


def _few(seed: str) -> str:
    parts = seed.split(", ")
    return seed if len(parts) < 4 or "none" in seed else f"{parts[0]} and {len(parts) - 1} others"


def main() -> None:
    """Compute the worked examples again, store them, and write both versions of the page."""
    outside_checks.main(quiet=True)
    found = blocks(read_all())
    PAGE.write_text(as_page(found, title=TITLE), encoding="utf-8")
    SHORT.write_text(as_markdown(found), encoding="utf-8")
    print(f"{PAGE.relative_to(HERE.parents[1])}: {PAGE.stat().st_size / 1000:,.0f} kB")
    print(f"{SHORT.relative_to(HERE.parents[1])}: {SHORT.stat().st_size / 1000:,.0f} kB")


if __name__ == "__main__":
    main()
