"""How large the change of a group of clients was, and how much of it to believe."""

from outcomes.statistics.effect_size.mean_change import mean_change
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

__all__ = [
    "STANDARDISERS",
    "hedges_correction",
    "mean_change",
    "noncentral_t_interval",
    "number_needed",
    "share",
    "share_difference",
    "share_interval",
    "standardised_change",
    "verdict_shares",
]
