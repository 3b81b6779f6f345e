"""Single-case statistics: few clients, many visits, nothing hidden in an average.

One idea a file: `phases` cuts readings into series and phases; `trend` describes them;
`nonoverlap`, `rank` and `magnitude` hold the indices of one client, `facts` what each answers and
`indices` all of them in one frame; `serial` and `course` carry serial correlation further;
`designs`, `randomisation`, `recorded_design` and `power` belong to randomised designs;
`between_moment`, `between_restricted` and `across` look across clients; `start_end` and
`resampling` serve where only a start and an end exist; `masking` is for masked visual analysis.
"""

from outcomes.statistics.single_case.across import (
    AcrossClients,
    mean_of_client_effects,
    multilevel_effect,
)
from outcomes.statistics.single_case.between_moment import (
    BetweenCaseDifference,
    between_case_moment,
)
from outcomes.statistics.single_case.between_restricted import between_case_restricted
from outcomes.statistics.single_case.course import phase_effects
from outcomes.statistics.single_case.designs import (
    Design,
    alternating,
    blocked,
    multiple_baseline,
    phase_changes,
    random_start,
    staggered_starts,
)
from outcomes.statistics.single_case.facts import INDEX_FACTS, SingleCaseIndex, index_facts
from outcomes.statistics.single_case.indices import case_indices
from outcomes.statistics.single_case.magnitude import (
    log_response_ratio,
    two_sd_band,
    within_case_difference,
)
from outcomes.statistics.single_case.masking import chance_of_hits, masking_key
from outcomes.statistics.single_case.nonoverlap import (
    improvement_rate_difference,
    nonoverlap_of_all_pairs,
    percent_past_best,
    percent_past_median,
)
from outcomes.statistics.single_case.phases import Series, add_phases, read_series
from outcomes.statistics.single_case.power import randomisation_power
from outcomes.statistics.single_case.randomisation import RandomisationTest, randomisation_test
from outcomes.statistics.single_case.rank import baseline_corrected_tau, tau, tau_u
from outcomes.statistics.single_case.recorded_design import (
    RecordedDesign,
    recorded_randomisation_test,
)
from outcomes.statistics.single_case.resampling import (
    PermutedMean,
    bootstrap_t_interval,
    permutation_test_of_mean,
)
from outcomes.statistics.single_case.serial import serial_correlation
from outcomes.statistics.single_case.start_end import SignTest, sign_test
from outcomes.statistics.single_case.trend import celeration, describe_phases, trend_lines

__all__ = [
    "INDEX_FACTS",
    "AcrossClients",
    "BetweenCaseDifference",
    "Design",
    "PermutedMean",
    "RandomisationTest",
    "RecordedDesign",
    "Series",
    "SignTest",
    "SingleCaseIndex",
    "add_phases",
    "alternating",
    "baseline_corrected_tau",
    "between_case_moment",
    "between_case_restricted",
    "blocked",
    "bootstrap_t_interval",
    "case_indices",
    "celeration",
    "chance_of_hits",
    "describe_phases",
    "improvement_rate_difference",
    "index_facts",
    "log_response_ratio",
    "masking_key",
    "mean_of_client_effects",
    "multilevel_effect",
    "multiple_baseline",
    "nonoverlap_of_all_pairs",
    "percent_past_best",
    "percent_past_median",
    "permutation_test_of_mean",
    "phase_changes",
    "phase_effects",
    "random_start",
    "randomisation_power",
    "randomisation_test",
    "read_series",
    "serial_correlation",
    "sign_test",
    "staggered_starts",
    "tau",
    "tau_u",
    "recorded_randomisation_test",
    "trend_lines",
    "two_sd_band",
    "within_case_difference",
]
