"""Change of one client: did this client gain, did it matter, did it last, is there more to come."""

from outcomes.statistics.individual_change._course_parts import time_scale
from outcomes.statistics.individual_change.client_courses import (
    ClientCourses,
    fit_client_courses,
)
from outcomes.statistics.individual_change.gates import VERDICTS, count_verdicts, judge_change
from outcomes.statistics.individual_change.home_exercise import (
    exercise_intervals,
    home_exercise_link,
)
from outcomes.statistics.individual_change.model_verdict import (
    MODEL_VERDICTS,
    judge_with_model,
    reconcile,
    verdict_from_courses,
)
from outcomes.statistics.individual_change.pairs import start_and_latest
from outcomes.statistics.individual_change.plateau import PLATEAU_STATES, meeting_table
from outcomes.statistics.individual_change.profile import profile, profile_by_chance
from outcomes.statistics.individual_change.reliable_change import (
    RELIABLE_CHANGE,
    Reference,
    clinical_cutoffs,
    reliable_change,
)
from outcomes.statistics.individual_change.saw_tooth import saw_tooth
from outcomes.statistics.individual_change.sides import compare_sides
from outcomes.statistics.individual_change.within_between import KeptGains, immediate_and_kept

__all__ = [
    "MODEL_VERDICTS",
    "PLATEAU_STATES",
    "RELIABLE_CHANGE",
    "VERDICTS",
    "ClientCourses",
    "KeptGains",
    "Reference",
    "clinical_cutoffs",
    "compare_sides",
    "count_verdicts",
    "exercise_intervals",
    "fit_client_courses",
    "home_exercise_link",
    "immediate_and_kept",
    "judge_change",
    "judge_with_model",
    "meeting_table",
    "profile",
    "profile_by_chance",
    "reconcile",
    "reliable_change",
    "saw_tooth",
    "start_and_latest",
    "time_scale",
    "verdict_from_courses",
]
