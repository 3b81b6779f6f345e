"""How large the change of a group of clients was, and how much of it to believe."""

from outcomes.statistics.effect_size.bootstrap import (
    BOOTSTRAPPED,
    STUDENTISED,
    bootstrap_interval,
)
from outcomes.statistics.effect_size.first_visit import (
    FirstVisitRegression,
    first_visit_regression,
)
from outcomes.statistics.effect_size.imputation import Pooled, pool_imputations
from outcomes.statistics.effect_size.ladder import Ladder, change_ladder
from outcomes.statistics.effect_size.leavers import compare_leavers, missing_bounds
from outcomes.statistics.effect_size.location import typical_change
from outcomes.statistics.effect_size.mean_change import mean_change
from outcomes.statistics.effect_size.missing import (
    likely_change,
    sensitivity_to_missing,
    tipping_point,
)
from outcomes.statistics.effect_size.missing_visits import (
    STORIES,
    CourseImputations,
    course_sensitivity,
    course_tipping_point,
    impute_course,
    leavers_course,
    missing_patterns,
)
from outcomes.statistics.effect_size.multiplicity import (
    adjust_for_many,
    benjamini_hochberg,
    holm,
)
from outcomes.statistics.effect_size.ordinal import (
    chance_of_improving,
    cliffs_delta,
    common_language_effect,
    hodges_lehmann_shift,
)
from outcomes.statistics.effect_size.regression_to_mean import (
    expected_regression,
    mee_chua,
    mee_chua_range,
    selection_regression,
)
from outcomes.statistics.effect_size.shares import (
    number_needed,
    share,
    share_difference,
    share_interval,
    verdict_shares,
)
from outcomes.statistics.effect_size.standardised import (
    STANDARDISERS,
    hedges_correction,
    noncentral_t_interval,
    standardised_change,
)
from outcomes.statistics.effect_size.table import effect_table
from outcomes.statistics.effect_size.two_groups import (
    compare_groups,
    pre_post_control,
    standardised_difference,
)

__all__ = [
    "BOOTSTRAPPED",
    "STANDARDISERS",
    "STORIES",
    "STUDENTISED",
    "CourseImputations",
    "FirstVisitRegression",
    "Ladder",
    "Pooled",
    "adjust_for_many",
    "benjamini_hochberg",
    "bootstrap_interval",
    "chance_of_improving",
    "change_ladder",
    "cliffs_delta",
    "common_language_effect",
    "compare_groups",
    "compare_leavers",
    "course_sensitivity",
    "course_tipping_point",
    "effect_table",
    "expected_regression",
    "first_visit_regression",
    "hedges_correction",
    "hodges_lehmann_shift",
    "holm",
    "impute_course",
    "leavers_course",
    "likely_change",
    "mean_change",
    "mee_chua",
    "mee_chua_range",
    "missing_bounds",
    "missing_patterns",
    "noncentral_t_interval",
    "number_needed",
    "pool_imputations",
    "pre_post_control",
    "selection_regression",
    "sensitivity_to_missing",
    "share",
    "share_difference",
    "share_interval",
    "standardised_change",
    "standardised_difference",
    "tipping_point",
    "typical_change",
    "verdict_shares",
]
