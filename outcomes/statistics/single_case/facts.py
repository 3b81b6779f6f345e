"""What every single-case index answers, when to use it, when not, and where it comes from.

One table, so that the functions, the workbook, the methods paragraph and the reference list of a
report never say different things about the same index.
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from outcomes.errors import check_choice
from outcomes.results import Estimate

__all__ = ["INDEX_FACTS", "IndexFacts", "SingleCaseIndex", "index_facts", "make_index"]


@dataclass(frozen=True)
class IndexFacts:
    """The words that belong to one index.

    Attributes
    ----------
    name : str
        Full name, as a table prints it.
    question, use_when, do_not_use_when : str
        One sentence each.
    source : str
        Author, year, journal, volume, page.
    key : str
        Key of the source in a reference list.
    """

    name: str
    question: str
    use_when: str
    do_not_use_when: str
    source: str
    key: str


INDEX_FACTS: dict[str, IndexFacts] = {
    "nap": IndexFacts(
        "Nonoverlap of all pairs (NAP)",
        "How likely is a treatment reading to be better than a baseline reading?",
        "The baseline shows no trend and at least 3 readings a phase exist.",
        "The baseline is already improving, or size of change matters: NAP stops at 1.",
        "Parker & Vannest 2009, Behav Ther 40:357",
        "parker2009nap",
    ),
    "tau": IndexFacts(
        "Tau (baseline against treatment)",
        "How far do treatment readings lie on the better side, from -1 to 1?",
        "As NAP (Tau = 2 NAP - 1), where 0 should mean no change.",
        "The baseline is already improving, or size of change matters.",
        "Parker, Vannest & Davis 2011, Behav Modif 35:303",
        "parker2011nonoverlap",
    ),
    "tau_u": IndexFacts(
        "Tau-U (baseline trend subtracted)",
        "Do treatment readings lie on the better side by more than the baseline trend explains?",
        "Comparison with published reports that used it.",
        "As the main result: its size depends on the length of the baseline, and with the "
        "between-phase denominator it can pass 1 or -1.",
        "Parker, Vannest, Davis & Sauber 2011, Behav Ther 42:284",
        "parker2011tauu",
    ),
    "tau_baseline_corrected": IndexFacts(
        "Baseline-corrected Tau",
        "Do treatment readings lie on the better side of the continued baseline trend?",
        "The baseline shows a trend that can be believed to continue.",
        "Fewer than 5 baseline readings (the trend cannot be tested), or a continued trend "
        "would leave the scale.",
        "Tarlow 2017, Behav Modif 41:427",
        "tarlow2017",
    ),
    "pnd": IndexFacts(
        "Points past the best baseline reading (PND)",
        "Which share of treatment readings beats the best baseline reading?",
        "A quick look with short, steady baselines; comparison with older reports.",
        "One extreme baseline reading decides it, and it falls as the baseline gets longer.",
        "Scruggs, Mastropieri & Casto 1987, Remedial Spec Educ 8(2):24",
        "scruggs1987",
    ),
    "pem": IndexFacts(
        "Points past the baseline median (PEM)",
        "Which share of treatment readings beats the middle baseline reading?",
        "The baseline has an extreme reading that spoils PND.",
        "Size of change or baseline trend matters: half is what no change gives.",
        "Ma 2006, Behav Modif 30:598",
        "ma2006",
    ),
    "ird": IndexFacts(
        "Improvement rate difference (IRD)",
        "By how much does the share of improved readings differ between the phases?",
        "Readers know risk differences; phases of similar length.",
        "An interval is needed: the split between improved and not is chosen from the data.",
        "Parker, Vannest & Brown 2009, Except Child 75:135",
        "parker2009ird",
    ),
    "log_response_ratio": IndexFacts(
        "Log response ratio",
        "By what proportion did the mean level change?",
        "The measure has a true zero and cannot be negative (time, count, distance, pain).",
        "The zero is arbitrary (angles of posture), a phase mean is zero, or there is a trend.",
        "Pustejovsky 2018, J Sch Psychol 68:99",
        "pustejovsky2018",
    ),
    "within_case_smd": IndexFacts(
        "Within-case standardised mean difference",
        "By how many baseline standard deviations did the mean level change?",
        "At least 5 baseline readings that vary, no trend.",
        "The baseline is constant or very short; to compare with effects between people, "
        "which rest on another standard deviation.",
        "Busk & Serlin 1992, in Kratochwill & Levin, Single-Case Research Design and Analysis; "
        "small-sample factor: Hedges 1981, J Educ Stat 6:107",
        "busk1992",
    ),
    "two_sd_band": IndexFacts(
        "Share past the two-standard-deviation band",
        "Which share of treatment readings lies past the baseline mean by 2 standard deviations?",
        "A picture for the clinic: two readings in a row outside ask for a look.",
        "As a test: baselines are short, and serially correlated readings leave the band "
        "often without any change.",
        "Nourbakhsh & Ottenbacher 1994, Phys Ther 74:768",
        "nourbakhsh1994",
    ),
}


@dataclass(frozen=True, eq=False, kw_only=True)
class SingleCaseIndex(Estimate):
    """One index of one client, with the words that keep it from being misread.

    Attributes
    ----------
    index : str
        Key in `INDEX_FACTS`.
    n_baseline, n_treatment : int
        Readings in the two phases.
    p_value : float
        Two-sided; not a number where no test is defensible (the notes say so).
    question, use_when, do_not_use_when, source : str
        From `INDEX_FACTS`.
    """

    index: str
    n_baseline: int
    n_treatment: int
    p_value: float = float("nan")
    question: str = ""
    use_when: str = ""
    do_not_use_when: str = ""
    source: str = ""


def index_facts() -> pd.DataFrame:
    """List every index with its question, when to use it, when not, and its source.

    Returns
    -------
    DataFrame
        One row per index: index, name, question, use_when, do_not_use_when, source.

    Examples
    --------
    >>> index_facts()["index"].tolist()[:3]
    ['nap', 'tau', 'tau_u']
    """
    return pd.DataFrame(
        [
            {
                "index": index,
                "name": facts.name,
                "question": facts.question,
                "use_when": facts.use_when,
                "do_not_use_when": facts.do_not_use_when,
                "source": facts.source,
            }
            for index, facts in INDEX_FACTS.items()
        ]
    )


def make_index(
    index: str,
    estimate: float,
    *,
    n_baseline: int,
    n_treatment: int,
    method: str,
    interval: tuple[float, float] | None = None,
    ci_level: float = 0.95,
    p_value: float = float("nan"),
    unit: str = "",
    notes: tuple[str, ...] = (),
) -> SingleCaseIndex:
    """Build the result of one index, adding its words; without an interval, say why in notes."""
    facts = INDEX_FACTS[check_choice("index", index, INDEX_FACTS)]
    low, high = interval if interval is not None else (float("nan"), float("nan"))
    return SingleCaseIndex(
        index=index,
        measure=facts.name,
        estimate=float(estimate),
        ci_low=float(low),
        ci_high=float(high),
        ci_level=float(ci_level),
        p_value=float(p_value),
        n=1,
        n_baseline=int(n_baseline),
        n_treatment=int(n_treatment),
        unit=unit,
        method=method,
        notes=notes,
        question=facts.question,
        use_when=facts.use_when,
        do_not_use_when=facts.do_not_use_when,
        source=facts.source,
    )
