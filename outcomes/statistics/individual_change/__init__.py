"""Change of one client: did this client gain, did it matter, did it last, is there more to come."""

from outcomes.statistics.individual_change.client_courses import (
    ClientCourses,
    fit_client_courses,
)
from outcomes.statistics.individual_change.gates import VERDICTS, count_verdicts, judge_change
from outcomes.statistics.individual_change.model_verdict import (
    MODEL_VERDICTS,
    judge_with_model,
    reconcile,
    verdict_from_courses,
)
from outcomes.statistics.individual_change.pairs import start_and_latest
from outcomes.statistics.individual_change.plateau import PLATEAU_STATES, meeting_table

__all__ = [
    "MODEL_VERDICTS",
    "PLATEAU_STATES",
    "VERDICTS",
    "ClientCourses",
    "count_verdicts",
    "fit_client_courses",
    "judge_change",
    "judge_with_model",
    "meeting_table",
    "reconcile",
    "start_and_latest",
    "verdict_from_courses",
]
