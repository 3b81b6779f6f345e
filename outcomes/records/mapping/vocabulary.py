"""Words in headers, as clinics write them, and what they point to.

Collected from common practice; there is no published list of them.
"""

from __future__ import annotations

import re
import unicodedata

from outcomes.measures import catalogue

__all__ = ["ROLES", "Words", "match_measure", "words_of"]

Words = tuple[str, ...]

#: What a column may be, beside a reading: sets of words, any of which points to it. Earlier
#: entries go first.
ROLES: dict[str, tuple[str, ...]] = {
    "birth_year": ("born", "birth", "yob", "birthyear"),
    "sex": ("sex", "gender"),
    "dominant_side": ("hand", "handedness", "dominant", "dominance"),
    "affected_side": ("sore side", "affected", "affected side", "painful side"),
    "consent_case_report": ("consent",),
    "onset_weeks": ("onset", "weeks sore", "duration"),
    "complaint": ("complaint", "problem", "condition", "diagnosis", "region"),
    "clinic": ("clinic", "site", "location", "branch"),
    "practitioner": ("practitioner", "therapist", "clinician", "provider", "physio", "osteopath"),
    "rater": ("rater", "measured by", "assessor", "tester", "examiner"),
    "instrument": ("instrument", "tool", "device", "measured with"),
    "end_reason": ("left because", "discharge reason", "end reason", "reason for leaving"),
    "attended": ("attended", "attendance", "dna"),
    "phase": ("phase",),
    "episode": ("episode", "course", "referral"),
    "date": ("date", "seen", "day seen", "datum", "when"),
    "visit": ("visit", "session", "appointment", "occasion", "time", "timepoint"),
    "week": ("week", "weeks", "wk"),
    "month": ("month", "months"),
    "day": ("day", "days"),
    "client": (
        "client", "patient", "pt", "pat", "subject", "subj", "id", "participant", "case", "person",
        "code", "record", "chart", "rownames",
    ),
}  # fmt: skip

#: Long layouts: the column that names the measure, and the one with the reading.
LONG_MEASURE = ("measure", "test", "variable", "outcome", "movement", "parameter", "scale")
LONG_VALUE = ("value", "result", "reading", "score", "measurement")

_SHORT = {
    "flex": "flexion", "fl": "flexion", "flx": "flexion", "extn": "extension",
    "abd": "abduction", "abduct": "abduction", "rot": "rotation", "rotn": "rotation",
    "turn": "rotation", "sh": "shoulder", "shd": "shoulder", "shldr": "shoulder",
    "gh": "shoulder", "cx": "cervical", "csp": "cervical", "cerv": "cervical",
    "neck": "cervical", "tx": "thoracic", "tsp": "thoracic", "thor": "thoracic",
    "ext": "ext", "int": "internal", "er": "external_rotation", "ir": "internal_rotation",
    "sb": "side_bending", "sidebend": "side_bending", "lateroflexion": "side_bending",
    "grip": "grip_strength", "ppt": "pressure_pain", "dnf": "deep_neck_flexor",
    "cva": "craniovertebral_angle", "twd": "tragus", "ttw": "tragus", "owd": "occiput",
    "pullup": "pull_up", "pullups": "pull_up", "pull": "pull_up",
    "kyphosis": "kyphosis_angle",
}  # fmt: skip
_SIDES = {"l": "left", "lt": "left", "left": "left", "lhs": "left",
          "r": "right", "rt": "right", "right": "right", "rhs": "right"}  # fmt: skip
_MOMENTS = {"before": "before", "pretreatment": "before", "after": "after",
            "post": "after", "posttreatment": "after", "pre": "before"}  # fmt: skip
_MODES = {"active": "active", "arom": "active", "act": "active",
          "passive": "passive", "prom": "passive", "pass": "passive"}  # fmt: skip
_UNITS = {"deg": "deg", "degrees": "deg", "°": "deg", "cm": "cm", "mm": "mm", "inch": "inch",
          "inches": "inch", "in": "inch", "kg": "kg", "lb": "lb", "lbs": "lb", "kpa": "kPa",
          "sec": "s", "secs": "s", "s": "s", "percent": "percent", "%": "percent"}  # fmt: skip
FIXED = {"side": _SIDES, "moment": _MOMENTS, "mode": _MODES, "unit": _UNITS}

#: At least one of these must stand in the header of a measured movement or distance.
_TELLING = frozenset(
    "flexion extension rotation abduction bending strength angle endurance pressure elevation "
    "pull table tape tragus occiput tightness kyphosis flexicurve arc".split()
)

_TIME = re.compile(
    r"(?:(?<=[^a-z])|^)(?:(?P<unit1>weeks?|wks?|w|months?|mths?|m)[\s_.]*(?P<n1>\d{1,3})"
    r"|(?P<n2>\d{1,3})[\s_.]*(?P<unit2>weeks?|wks?|w|months?|mths?|m))(?=[^a-z]|$)"
)
_BASELINE = ("baseline", "base", "pre", "start", "initial", "intake", "first")


def words_of(header: str) -> Words:
    """Cut a header into small words: at spaces, signs, case changes and digits.

    Examples
    --------
    >>> words_of("FlexionL_pre (deg)")
    ('flexion', 'l', 'pre', 'deg')
    """
    text = unicodedata.normalize("NFKC", header)
    text = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", text)
    text = re.sub(r"(?<=[^\W\d_])(?=\d)|(?<=\d)(?=[^\W\d_])", " ", text)
    return tuple(re.findall(r"[^\W\d_]+|\d+|[°%]", text.casefold()))


def has(words: Words, phrase: str) -> bool:
    """Tell whether the words of a phrase stand next to each other."""
    wanted = tuple(phrase.split())
    return any(words[i : i + len(wanted)] == wanted for i in range(len(words)))


def weeks_in(header: str) -> float | None:
    """Read the time that a header names: ``wk6``, ``3 months``, ``bdi.2m``, ``baseline``.

    Examples
    --------
    >>> weeks_in("NDI wk 6"), weeks_in("bdi.2m"), weeks_in("baseline NDI"), weeks_in("NDI")
    (6.0, 8.7, 0.0, None)
    """
    text = header.casefold()
    match = _TIME.search(text)
    if match:
        number = float(match["n1"] or match["n2"])
        unit = match["unit1"] or match["unit2"]
        return round(number * (365.25 / 12 / 7), 1) if unit.startswith("m") else number
    return 0.0 if any(word in _BASELINE for word in words_of(header)) else None


def match_measure(words: Words) -> tuple[str, bool] | None:
    """Find the measure that a header names; the second value says that another fits as well.

    Examples
    --------
    >>> match_measure(("sh", "flex", "l"))
    ('shoulder_flexion', False)
    >>> match_measure(("flexion",))
    ('shoulder_flexion', True)
    """
    measures = catalogue.measures()
    runs = {"".join(words[i:j]) for i in range(len(words)) for j in range(i + 1, i + 4)}
    named = {
        name: code
        for code, measure in measures.items()
        if measure.self_report
        for name in (code.replace("_", ""), re.sub(r"\W", "", measure.short.casefold()))
    }
    found = sorted(runs & set(named), key=lambda name: (-len(name), name))
    if found:
        return named[found[0]], False
    tokens = _spelled_out(words)
    if "pain" in tokens and "pressure" not in tokens:
        return "nprs", True
    scores: dict[str, float] = {}
    for code, measure in measures.items():
        parts = set(code.split("_"))
        title = {w for w in re.findall(r"[a-z]{3,}", measure.name.casefold())} - {"the", "and"}
        shared = len(tokens & parts)
        if shared:
            scores[code] = shared / len(parts) + 0.1 * len(tokens & title) - 0.01 * len(parts)
    if not scores:
        return None
    order = sorted(scores, key=lambda code: -scores[code])
    best = order[0]
    if not tokens & _TELLING and scores[best] < 0.9:
        return None
    alone = len(order) == 1
    sure = alone or (scores[best] >= 0.95 and scores[best] - scores[order[1]] > 0.15)
    return best, not sure


def _spelled_out(words: Words) -> set[str]:
    """Write the abbreviations of the words out."""
    tokens: set[str] = set()
    for i, word in enumerate(words):
        following = words[i + 1] if i + 1 < len(words) else ""
        full = _SHORT.get(word, word)
        if word == "ext":
            full = "external" if following.startswith("rot") else "extension"
        elif word in ("t", "c") and following:
            full = "thoracic" if word == "t" else "cervical"
        for part in full.split("_"):
            tokens |= {part, part.removesuffix("s")} if len(part) > 4 else {part}
    return tokens
