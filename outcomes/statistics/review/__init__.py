"""The quarter's review: every client judged, every measure summed up, the meeting prepared."""

from outcomes.statistics.review.course import Course, course_over_weeks
from outcomes.statistics.review.judging import JudgedMeasure, judge_measure
from outcomes.statistics.review.quarter import MeasureReview, QuarterReview, review_quarter

__all__ = [
    "Course",
    "JudgedMeasure",
    "MeasureReview",
    "QuarterReview",
    "course_over_weeks",
    "judge_measure",
    "review_quarter",
]
