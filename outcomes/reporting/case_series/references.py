"""The publications behind the methods, for a reference list.

Entries are recalled, not copied from a database: check them before submission, as the file says.
"""

from __future__ import annotations

from collections.abc import Iterable

from outcomes.measures.thresholds import Threshold
from outcomes.statistics.single_case.facts import INDEX_FACTS

__all__ = ["METHODS", "bibliography", "cite", "cited"]

#: key: (kind, fields)
METHODS: dict[str, tuple[str, dict[str, str]]] = {
    "parker2009nap": (
        "article",
        {
            "author": "Parker, Richard I. and Vannest, Kimberly",
            "title": "An improved effect size for single-case research: Nonoverlap of all pairs",
            "journal": "Behavior Therapy",
            "year": "2009",
            "volume": "40",
            "pages": "357--367",
        },
    ),
    "newcombe2006": (
        "article",
        {
            "author": "Newcombe, Robert G.",
            "title": "Confidence intervals for an effect size measure based on the "
            "{Mann--Whitney} statistic. {Part 2}: Asymptotic methods and evaluation",
            "journal": "Statistics in Medicine",
            "year": "2006",
            "volume": "25",
            "pages": "559--573",
        },
    ),
    "parker2011nonoverlap": (
        "article",
        {
            "author": "Parker, Richard I. and Vannest, Kimberly J. and Davis, John L.",
            "title": "Effect size in single-case research: A review of nine nonoverlap techniques",
            "journal": "Behavior Modification",
            "year": "2011",
            "volume": "35",
            "pages": "303--322",
        },
    ),
    "parker2011tauu": (
        "article",
        {
            "author": "Parker, Richard I. and Vannest, Kimberly J. and Davis, John L. and Sauber, "
            "Stephanie B.",
            "title": "Combining nonoverlap and trend for single-case research: {Tau-U}",
            "journal": "Behavior Therapy",
            "year": "2011",
            "volume": "42",
            "pages": "284--299",
        },
    ),
    "edgington2007": (
        "book",
        {
            "author": "Edgington, Eugene S. and Onghena, Patrick",
            "title": "Randomization Tests",
            "edition": "4",
            "publisher": "Chapman and Hall/CRC",
            "address": "Boca Raton",
            "year": "2007",
        },
    ),
    "tarlow2017": (
        "article",
        {
            "author": "Tarlow, Kevin R.",
            "title": "An improved rank correlation effect size statistic for single-case designs: "
            "Baseline corrected {Tau}",
            "journal": "Behavior Modification",
            "year": "2017",
            "volume": "41",
            "pages": "427--467",
        },
    ),
    "jones1991": (
        "article",
        {
            "author": "Jones, Richard H. and Boadi-Boateng, Francis",
            "title": "Unequally spaced longitudinal data with {AR(1)} serial correlation",
            "journal": "Biometrics",
            "year": "1991",
            "volume": "47",
            "pages": "161--175",
        },
    ),
    "ferron2009": (
        "article",
        {
            "author": "Ferron, John M. and Bell, Bethany A. and Hess, Melinda R. and "
            "Rendina-Gobioff, Gianna and Hibbard, Susan T.",
            "title": "Making treatment effect inferences from multiple-baseline data: The utility "
            "of multilevel modeling approaches",
            "journal": "Behavior Research Methods",
            "year": "2009",
            "volume": "41",
            "pages": "372--384",
        },
    ),
    "kenward1997": (
        "article",
        {
            "author": "Kenward, Michael G. and Roger, James H.",
            "title": "Small sample inference for fixed effects from restricted maximum likelihood",
            "journal": "Biometrics",
            "year": "1997",
            "volume": "53",
            "pages": "983--997",
        },
    ),
    "pustejovsky2014": (
        "article",
        {
            "author": "Pustejovsky, James E. and Hedges, Larry V. and Shadish, William R.",
            "title": "Design-comparable effect sizes in multiple baseline designs: A general "
            "modeling framework",
            "journal": "Journal of Educational and Behavioral Statistics",
            "year": "2014",
            "volume": "39",
            "pages": "368--393",
        },
    ),
    "higgins2009": (
        "article",
        {
            "author": "Higgins, Julian P. T. and Thompson, Simon G. and Spiegelhalter, David J.",
            "title": "A re-evaluation of random-effects meta-analysis",
            "journal": "Journal of the Royal Statistical Society: Series A",
            "year": "2009",
            "volume": "172",
            "pages": "137--159",
        },
    ),
    "weir2005": (
        "article",
        {
            "author": "Weir, Joseph P.",
            "title": "Quantifying test-retest reliability using the intraclass correlation "
            "coefficient and the {SEM}",
            "journal": "Journal of Strength and Conditioning Research",
            "year": "2005",
            "volume": "19",
            "pages": "231--240",
        },
    ),
    "terwee2021": (
        "article",
        {
            "author": "Terwee, Caroline B. and others",
            "title": "Minimal important change ({MIC}): a conceptual clarification and systematic "
            "review of {MIC} estimates of {PROMIS} measures",
            "journal": "Quality of Life Research",
            "year": "2021",
            "volume": "30",
            "pages": "2729--2754",
        },
    ),
    "dixon1946": (
        "article",
        {
            "author": "Dixon, W. J. and Mood, A. M.",
            "title": "The statistical sign test",
            "journal": "Journal of the American Statistical Association",
            "year": "1946",
            "volume": "41",
            "pages": "557--566",
        },
    ),
    "fisher1935": (
        "book",
        {
            "author": "Fisher, Ronald A.",
            "title": "The Design of Experiments",
            "publisher": "Oliver and Boyd",
            "address": "Edinburgh",
            "year": "1935",
        },
    ),
    "efron1993": (
        "book",
        {
            "author": "Efron, Bradley and Tibshirani, Robert J.",
            "title": "An Introduction to the Bootstrap",
            "publisher": "Chapman and Hall",
            "address": "New York",
            "year": "1993",
        },
    ),
    "tate2016": (
        "article",
        {
            "author": "Tate, Robyn L. and others",
            "title": "The {Single-Case Reporting Guideline In BEhavioural Interventions (SCRIBE)} "
            "2016 statement",
            "journal": "Physical Therapy",
            "year": "2016",
            "volume": "96",
            "pages": "e1--e10",
        },
    ),
    "gagnier2013": (
        "article",
        {
            "author": "Gagnier, Joel J. and others",
            "title": "The {CARE} guidelines: consensus-based clinical case reporting guideline "
            "development",
            "journal": "Journal of Medical Case Reports",
            "year": "2013",
            "volume": "7",
            "pages": "223",
        },
    ),
    "hoffmann2014": (
        "article",
        {
            "author": "Hoffmann, Tammy C. and others",
            "title": "Better reporting of interventions: template for intervention description and "
            "replication ({TIDieR}) checklist and guide",
            "journal": "BMJ",
            "year": "2014",
            "volume": "348",
            "pages": "g1687",
        },
    ),
    "vonelm2007": (
        "article",
        {
            "author": "von Elm, Erik and others",
            "title": "The {Strengthening the Reporting of Observational Studies in Epidemiology "
            "(STROBE)} statement: guidelines for reporting observational studies",
            "journal": "The Lancet",
            "year": "2007",
            "volume": "370",
            "pages": "1453--1457",
        },
    ),
}


def cited(text: str) -> list[str]:
    """Keys of the publications that a text cites.

    Examples
    --------
    >>> cited("Detectable (Weir 2005), by a sign test (Dixon and Mood 1946).")
    ['dixon1946', 'weir2005']
    """
    return sorted(key for key in METHODS if cite(key) in text)


def cite(key: str) -> str:
    """Name a publication in a sentence: authors and year.

    Examples
    --------
    >>> cite("weir2005"), cite("parker2009nap"), cite("ferron2009")
    ('Weir 2005', 'Parker and Vannest 2009', 'Ferron et al. 2009')
    """
    entry = METHODS[key][1]
    names = [author.split(",")[0] for author in entry["author"].split(" and ")]
    if len(names) > 2 or "others" in names:
        return f"{names[0]} et al. {entry['year']}"
    return f"{' and '.join(names)} {entry['year']}"


def bibliography(
    keys: Iterable[str], thresholds: Iterable[Threshold | None], *, indices: Iterable[str] = ()
) -> str:
    """Write a BibTeX file: methods, indices of the supplement, thresholds as they are cited."""
    lines = [
        "% Recalled entries: check authors, volume and pages before submission.",
        "",
    ]
    facts = [INDEX_FACTS[index] for index in dict.fromkeys(indices)]
    for key in sorted({*keys, *(one.key for one in facts if one.key in METHODS)}):
        kind, entry = METHODS[key]
        body = ",\n".join(f"  {name} = {{{text}}}" for name, text in entry.items())
        lines.append(f"@{kind}{{{key},\n{body}\n}}\n")
    for one in facts:
        if one.key not in METHODS:
            note = one.source.replace("&", r"\&")
            lines.append(f"@misc{{{one.key},\n  note = {{{note}}}\n}}\n")
    seen: set[str] = set()
    for threshold in thresholds:
        if threshold is None or not threshold.citation or threshold.source in seen:
            continue
        seen.add(threshold.source)
        note = threshold.citation.replace("&", r"\&").replace("%", r"\%")
        key = "".join(c for c in threshold.source if c.isalnum()) or "own"
        if key in METHODS:
            continue
        lines.append(f"@misc{{{key},\n  note = {{{note}}}\n}}\n")
    return "\n".join(lines)
