"""Words to say to the client: plain, without promises, with the numbers that stand behind them.

A translation replaces this page, as it does `outcomes.reporting.sentences`.
"""

from __future__ import annotations

from dataclasses import dataclass

from outcomes.measures.catalogue import Measure
from outcomes.reporting.wording import join_words, number, percent
from outcomes.statistics.review.one_client import ClientMeasure, ClientView

__all__ = [
    "WARNING_SIGNS",
    "Said",
    "against_readings",
    "best_guess",
    "in_text",
    "latest_only",
    "plain_name",
    "surely_better",
    "words_for_client",
]

WARNING_SIGNS = (
    "These are measurements, not a diagnosis. How you feel and what you can do count as much. Tell "
    "us, or a doctor, at once about new or worsening numbness or weakness, an arm that swells or "
    "changes colour, dizziness, a sudden headache or neck pain unlike any before, or trouble with "
    "speech, sight, swallowing or walking."
)

#: What a measure is to the person measured.
_PLAIN = {
    "shoulder_flexion": "how far you lift your arm to the front",
    "shoulder_abduction": "how far you lift your arm to the side",
    "shoulder_external_rotation": "how far you turn your arm outwards",
    "shoulder_internal_rotation": "how far you turn your arm inwards",
    "shoulder_extension": "how far you take your arm backwards",
    "shoulder_flexion_supine": "how far you lift your arm lying down",
    "combined_elevation": "how high you lift both arms lying on your front",
    "pectoralis_minor_table": "how close your shoulder lies to the table",
    "pectoralis_minor_tape": "how long the muscle at the front of your shoulder is",
    "posterior_shoulder_tightness": "how far your arm goes across your body",
    "thoracic_rotation": "how far you turn your upper back",
    "thoracic_flexion_extension": "how far you bend and stretch your upper back",
    "kyphosis_angle": "the curve of your upper back",
    "kyphosis_flexicurve": "the curve of your upper back",
    "occiput_to_wall": "how close your head comes to the wall",
    "tragus_to_wall": "how close your head comes to the wall",
    "craniovertebral_angle": "how upright you hold your head",
    "cervical_flexion": "how far you bend your head forwards",
    "cervical_extension": "how far you bend your head backwards",
    "cervical_rotation": "how far you turn your head",
    "cervical_side_bending": "how far you tilt your head to the side",
    "cervical_full_arc": "how far you move your head in all",
    "grip_strength": "how hard you grip",
    "deep_neck_flexor_endurance": "how long the front of your neck holds your head",
    "lateral_neck_flexor_endurance": "how long the side of your neck holds your head",
    "pull_up": "how many pull-ups you do",
    "pressure_pain_upper_trapezius": "how much pressure your shoulder muscle bears",
    "nprs": "the pain that you rate from 0 to 10",
    "vas": "the pain that you mark on the line",
    "psfs": "what you can do of the activities that you chose",
    "ndi": "what your neck lets you do (Neck Disability Index)",
    "quickdash": "what your arm lets you do (QuickDASH)",
    "dash": "what your arm lets you do (DASH)",
    "spadi": "your shoulder's pain and use (SPADI)",
    "odi": "what your back lets you do (Oswestry)",
    "rmdq": "what your back lets you do (Roland-Morris)",
}

#: Units in words.
_UNITS = {
    "deg": "degrees",
    "cm": "cm",
    "mm": "mm",
    "kg": "kg",
    "s": "seconds",
    "points": "points",
    "percent": "points of 100",
    "reps": "repetitions",
}
_LIKELY = 0.8


def plain_name(measure: Measure) -> str:
    """Name a measure as one would to the client; others by their own name."""
    return _PLAIN.get(measure.code, f"your {in_text(measure)}")


def in_text(measure: Measure) -> str:
    """Write a measure's name inside a sentence: small letters, unless it is a proper name."""
    first, rest = measure.name[:1], measure.name[1:]
    return first.lower() + rest if rest == rest.lower() else measure.name


@dataclass(frozen=True)
class Said:
    """A paragraph, what it lists, and what follows the list."""

    text: str
    items: tuple[str, ...] = ()
    then: str = ""


def words_for_client(view: ClientView) -> list[Said]:
    """Give words to say to the client, a decline first.

    Parameters
    ----------
    view : ClientView
        From `look_at_client`.
    """
    said = []
    if not view.measures:
        said.append(
            Said(
                "We have measured you once so far. That is a start to measure against: only the "
                "next measurement can show whether anything changes."
            )
        )
    worse = [m for m in view.measures if m.verdict["worse"]]
    better = [m for m in view.measures if surely_better(m) and not against_readings(m)]
    rest = [m for m in view.measures if m not in [*worse, *better]]
    down = [m for m in rest if _verdict(m) == "probably worse"]
    up = [m for m in rest if _verdict(m) == "probably improved"]
    level = [m for m in rest if m not in down and m not in up and _levelled(m)]
    unclear = [m for m in rest if m not in down and m not in up and m not in level]
    if worse:
        said.append(
            Said(
                "Worse than at your first visit, by more than the measuring itself explains:",
                tuple(_worse(m) for m in worse),
                "There can be many reasons, and the numbers do not tell which. We should look at "
                "why before we go on as before.",
            )
        )
    if down:
        names = tuple(plain_name(m.measure) for m in down)
        said.append(Said("Perhaps worse, though not surely; we keep an eye on it:", names))
    if better:
        said.append(
            Said(
                "Better than at your first visit, by more than the measuring itself explains:",
                tuple(_better(m) for m in better),
            )
        )
    if up:
        names = tuple(plain_name(m.measure) for m in up)
        said.append(Said("Perhaps better, though not surely yet:", names))
    if level:
        said.append(
            Said(
                "Much the same as at your first visit, and by the look of it not about to change "
                "by itself:",
                tuple(plain_name(m.measure) for m in level),
                "We can talk about whether that is enough for what you want to do, or whether to "
                "try something else.",
            )
        )
    if unclear:
        said.append(
            Said(
                "We cannot tell yet; what we saw here can be the measuring itself, or good and bad "
                "days:",
                tuple(plain_name(m.measure) for m in unclear),
            )
        )
    return [*said, *_ahead(view), *_diary(view), *_events(view), Said(WARNING_SIGNS)]


def surely_better(found: ClientMeasure) -> bool:
    """Tell whether a measure improved with a chance of at least 95%."""
    v = found.verdict
    if v["chance_improved"] == v["chance_improved"]:
        return bool(v["chance_improved"] >= 0.95) and not bool(v["worse"])
    return bool(v["detectable"] is True and v["improvement"] > 0)


def against_readings(found: ClientMeasure) -> bool:
    """Tell whether model and readings point opposite ways: other clients outweigh this one's."""
    v = found.verdict
    return bool(v["improvement"] * v["true_improvement"] < 0 and not v["worse"])


def _verdict(found: ClientMeasure) -> str:
    """Give the model's verdict, unless it goes against what the client can see in the readings."""
    return "" if against_readings(found) else str(found.verdict["model_verdict"])


def _matters(found: ClientMeasure) -> bool:
    return bool(found.verdict["chance_important"] >= _LIKELY)


def _state(m: ClientMeasure) -> str:
    return "" if m.standing is None else str(m.standing["state"])


def _levelled(m: ClientMeasure) -> bool:
    return _state(m).startswith("levelled off")


def latest_only(found: ClientMeasure) -> bool:
    """Tell whether a decline is seen in the latest reading alone, not by all visits together."""
    v = found.verdict
    return bool(v["worse"]) and v["model_verdict"] not in ("", "worse")


def _worse(m: ClientMeasure) -> str:
    text = f"{plain_name(m.measure)}: by about {_amount(m)}"
    return text + (", in the latest measurement; we measure again" if latest_only(m) else "")


def _better(m: ClientMeasure) -> str:
    text = f"{plain_name(m.measure)}: by about {_amount(m)}"
    if m.verdict["model_verdict"] == "improved, but too little to matter":
        return text + ", which is less than people usually call important"
    return text + (", as much as people usually call important" if _matters(m) else "")


def _ahead(view: ClientView) -> list[Said]:
    """Say what may come where gains go on, and what has been reached."""
    gaining = [plain_name(m.measure) for m in view.measures if _state(m) == "still gaining"]
    reached = [plain_name(m.measure) for m in view.measures if surely_better(m) and _levelled(m)
               and not against_readings(m)]  # fmt: skip
    said = []
    if gaining:
        said.append(
            Said(
                f"If things go on as they do for most people like you, some more gain is likely in "
                f"{join_words(gaining)} over the next few visits. Likely, not certain."
            )
        )
    if reached:
        said.append(
            Said(
                f"Not much more gain is to be expected in {join_words(reached)}. We can talk about "
                "whether that is enough for what you want to do."
            )
        )
    return said


def _diary(view: ClientView) -> list[Said]:
    if view.adherence.empty:
        return []
    done = percent(float(view.adherence["adherence"].mean()))
    return [
        Said(
            f"By your diary you did about {done} of the exercises we agreed on. If they do not fit "
            "into your day, tell us: we can change them."
        )
    ]


def _events(view: ClientView) -> list[Said]:
    names = list(dict.fromkeys(view.events["event"].dropna())) if len(view.events) else []
    if not names:
        return []
    return [
        Said(
            f"You told us of {join_words(names)}. If it is still there, comes again or gets worse, "
            "tell us or a doctor at once, before the next treatment."
        )
    ]


def _amount(found: ClientMeasure) -> str:
    size = abs(best_guess(found))
    text = number(size, 0 if size >= 3 else 1)
    return f"{text} {_UNITS.get(found.measure.unit, found.measure.unit)}".strip()


def best_guess(found: ClientMeasure) -> float:
    """Improvement from all visits, or from first and latest where only these see a decline."""
    true = found.verdict["true_improvement"]
    known = true == true and not latest_only(found)
    return float(true if known else found.verdict["improvement"])
