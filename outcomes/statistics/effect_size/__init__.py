"""How large the change of a group of clients was, and how much of it to believe."""

from outcomes.statistics.effect_size.bootstrap import BOOTSTRAPPED, bootstrap_interval
from outcomes.statistics.effect_size.location import typical_change
from outcomes.statistics.effect_size.mean_change import mean_change
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
from outcomes.statistics.effect_size.two_groups import (
    compare_groups,
    pre_post_control,
    standardised_difference,
)

__all__ = [
    "BOOTSTRAPPED",
    "STANDARDISERS",
    "adjust_for_many",
    "benjamini_hochberg",
    "bootstrap_interval",
    "chance_of_improving",
    "cliffs_delta",
    "common_language_effect",
    "compare_groups",
    "hedges_correction",
    "hodges_lehmann_shift",
    "holm",
    "mean_change",
    "noncentral_t_interval",
    "number_needed",
    "pre_post_control",
    "share",
    "share_difference",
    "share_interval",
    "standardised_change",
    "standardised_difference",
    "typical_change",
    "verdict_shares",
]
