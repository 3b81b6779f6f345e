"""Missing clients over the whole course of visits: who is missing when, and what that could change.

Notation, used by every module here: client i (n of them), planned visit k = 1 .. K; ``y_ik`` the
reading, turned so that higher is better; ``l_i`` the last visit seen. A client *left* after ``l_i``
where ``l_i < K``; a *gap* is a visit missed before ``l_i``. The model is

    y_ik = mu_k + u0_i + u1_i h(t_ik) + e_ik,   u_i ~ N(0, G),   e ~ N(0, s2):

a free mean for every visit, and the covariance of the mixed model with a start and a slope per
client; ``Sigma`` is that covariance over visits.
"""

from outcomes.statistics.effect_size.missing_visits.patterns import (
    leavers_course,
    missing_patterns,
)
from outcomes.statistics.effect_size.missing_visits.stories import (
    STORIES,
    CourseImputations,
    course_sensitivity,
    impute_course,
)
from outcomes.statistics.effect_size.missing_visits.tipping import course_tipping_point

__all__ = [
    "STORIES",
    "CourseImputations",
    "course_sensitivity",
    "course_tipping_point",
    "impute_course",
    "leavers_course",
    "missing_patterns",
]
