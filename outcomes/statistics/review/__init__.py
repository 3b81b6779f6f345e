"""The quarter's review: every client judged, every measure summed up, the meeting prepared."""

from outcomes.statistics.review.course import Course, course_over_weeks
from outcomes.statistics.review.judging import JudgedMeasure, judge_measure, row_errors
from outcomes.statistics.review.meeting import Meeting, prepare_meeting
from outcomes.statistics.review.quarter import MeasureReview, QuarterReview, review_quarter
from outcomes.statistics.review.rows import episode_rows

__all__ = [
    "Course",
    "JudgedMeasure",
    "MeasureReview",
    "Meeting",
    "QuarterReview",
    "course_over_weeks",
    "episode_rows",
    "judge_measure",
    "prepare_meeting",
    "review_quarter",
    "row_errors",
]
