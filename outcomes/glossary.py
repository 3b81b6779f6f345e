"""Every column of every result, defined once.

Statistics return frames whose columns stand here; a test walks the results and refuses a column
that does not. The workbook's Definitions sheet and the data dictionaries are drawn from this page.
Units: a column without a unit of its own is in the unit of its row (`unit`).
"""

from __future__ import annotations

from collections.abc import Iterable

from outcomes.errors import DataError

__all__ = ["COLUMNS", "check_result", "define"]

#: Names shared by many results.
_SHARED = {
    "client": "Client code.",
    "clinic": "Clinic (site) code.",
    "practitioner": "Practitioner code.",
    "episode": "Episode of care of this client, counted from 1.",
    "visit": "Visit of this episode, counted from 1.",
    "date": "Calendar date.",
    "day": "Days since the first visit of the episode.",
    "week": "Weeks since the first visit of the episode (days / 7).",
    "quarter": "Calendar quarter, as 2026Q2.",
    "measure": "Measure, by its code in the catalogue.",
    "side": "Side of the body: left, right, midline, or both (mean of left and right).",
    "mode": "Active (the client moves) or passive (the practitioner moves).",
    "instrument": "What the reading was taken with.",
    "rater": "Who took the reading.",
    "moment": "Before or after the treatment of that visit.",
    "trial": "Repeated reading within one visit, counted from 1.",
    "value": "A reading or score.",
    "unit": "Unit of the row's numbers.",
    "group": "Group that the row describes.",
    "level": "Level of a factor, or level of the model that a variance belongs to.",
    "term": "Term of the model.",
    "quantity": "What the row's estimate is of.",
    "question": "The question that this number answers.",
    "use_when": "When this number is the right one.",
    "do_not_use_when": "When it is not.",
    "source": "Publication or data that the number rests on.",
    "method": "Estimator and interval, in field terms.",
    "notes": "What a careful reader must know.",
    "estimate": "The value, unrounded.",
    "standard_error": "Standard error of the estimate.",
    "ci_low": "Lower end of the interval.",
    "ci_high": "Upper end of the interval.",
    "ci_level": "Level of the interval, between 0 and 1.",
    "df": "Degrees of freedom.",
    "df1": "Numerator degrees of freedom.",
    "df2": "Denominator degrees of freedom.",
    "statistic": "Test statistic (t, F, z or chi-square, as the method says).",
    "p_value": "Two-sided p-value unless the method says otherwise.",
    "n": "Clients (or subjects) that the row rests on.",
    "n_readings": "Readings that the row rests on.",
    "count": "Number of cases.",
    "share": "Count divided by n, between 0 and 1.",
    "mean": "Arithmetic mean.",
    "sd": "Standard deviation (divisor n - 1).",
    "median": "Median.",
    "minimum": "Smallest value.",
    "maximum": "Largest value.",
    "confidence": "Confidence level at which a change counts as detectable.",
}

#: Change of one client and of the caseload.
_CHANGE = {
    "start_value": "Value at the first visit with a reading (mean of trials).",
    "latest_value": "Value at the latest visit with a reading (mean of trials).",
    "start_date": "Date of the start value.",
    "latest_date": "Date of the latest value.",
    "n_visits": "Visits with a before-treatment reading.",
    "change": "Latest minus start value, in the unit of the measure.",
    "improvement": "Change signed so that positive is better for the client.",
    "standard_error_of_measurement": "Standard deviation of the error of one recorded value.",
    "minimal_detectable_change": "Smallest change that error alone rarely produces.",
    "minimal_important_change": "Smallest change that clients call important.",
    "detectable": "Improvement or decline is at least the minimal detectable change.",
    "important": "Improvement reaches the minimal important change (empty: none defensible).",
    "verdict": "Both gates in words.",
}

#: The quarter's review.
_SERVICE = {
    "eligible": "Episodes with a kept appointment in the quarter.",
    "measured_at_start": "Of the eligible, those with a before-treatment reading.",
    "measured_again": "Of those, episodes with a before-treatment reading at a later visit.",
    "analysed": "Of those, episodes with both readings by the same instrument, mode and side.",
    "share_measured_at_start": "Measured at the start divided by eligible.",
    "share_followed_up": "Measured again divided by measured at the start.",
    "share_analysed": "Analysed divided by eligible.",
    "period": "Label of a point in time, as a quarter.",
    "phase": "Phase of a single-case design, or stretch of periods that share a centre.",
    "moving_range": "Distance of a point from the one before.",
    "centre": "Level around which points vary by chance.",
    "sigma": "Standard deviation of the point (or running mean) when nothing changes.",
    "lower_limit": "Lower limit of what chance does.",
    "upper_limit": "Upper limit of what chance does.",
    "moving_range_limit": "Upper limit of the moving range.",
    "beyond_limits": "The point lies outside its limits.",
    "running_mean": "Exponentially weighted running mean.",
    "sum_high": "Sum of departures upwards, in sigma.",
    "sum_low": "Sum of departures downwards, in sigma.",
    "beyond_3": "One point beyond 3 sigma (or beyond the chart's own limits).",
    "two_of_three": "Two of three points in a row beyond 2 sigma on one side.",
    "four_of_five": "Four of five points in a row beyond 1 sigma on one side.",
    "eight_one_side": "Eight points in a row on one side of the centre.",
    "six_trend": "Six points in a row, all rising or all falling.",
    "signal": "Any of the rules asked for speaks at this point.",
    "points": "Points of a simulated series that are judged.",
    "baseline": "Points (or readings) before, that set the level and the spread.",
    "rules": "Run rules used together.",
    "estimated": "Centre and limits are estimated from the same points.",
    "series": "Series simulated.",
    "share_of_points": "Share of points with an alarm.",
    "share_of_series": "Share of series with at least one alarm.",
    "exposure": "Visits (or weeks) in which events could happen.",
    "target": "Share that groups are held against.",
    "dispersion": "Spread of groups relative to chance; 1 where not applied.",
    "lower_95": "Lower 95% funnel limit.",
    "upper_95": "Upper 95% funnel limit.",
    "lower_998": "Lower 99.8% funnel limit.",
    "upper_998": "Upper 99.8% funnel limit.",
    "position": "Where the group lies: inside, beyond 95%, beyond 99.8%.",
    "severity": "Severity of unwanted events, as recorded; any counts all.",
    "clients": "Clients concerned.",
    "visits": "Kept visits.",
    "rate_per_1000": "Events per 1,000 kept visits.",
    "other_quarter": "Quarter compared with.",
    "other_n": "Clients of the other quarter (or group).",
    "other_mean": "Mean (or share) of the other quarter (or group).",
    "adjusted": "Adjusted for who the clients were.",
    "observed": "Plain mean of the group, before adjusting and shrinking.",
    "deviation": "Shrunken distance of the group's mean from its site's (a site's: from the whole).",
    "deviation_low": "Lower end of its interval.",
    "deviation_high": "Upper end of its interval.",
    "chance_above": "Chance that the group's true mean lies above.",
    "adjusted_deviation": "Distance after adjusting, before shrinking; for a funnel.",
    "stands_out": "Differs by more than chance explains, in a test of all together first.",
    "n_practitioners": "Practitioners in the comparison.",
    "chance_real": "Chance that groups differ at all; equal odds beforehand.",
    "chance_real_sites": "Chance that sites differ at all; equal odds beforehand.",
    "typical_difference": "Standard deviation of the groups' true means.",
    "typical_low": "Lower end of its interval.",
    "typical_high": "Upper end of its interval.",
    "anyone_stands_out": "Whether any group stands out.",
    "serial_correlation": "Correlation of successive periods (mean over what is plausible).",
    "reason": "Why the meeting should speak about this client.",
    "event": "Unwanted event, as recorded.",
    "days": "Days since the event, the last kept visit or the last reading.",
    "by": "Column that groups clients.",
    "hidden": "Numbers hidden because the count is small, or would give one away.",
    "adherence": "Share of the prescribed home exercise that was done, at most 1.",
    "share_keeping": "Share of diary keepers who still wrote in that week.",
    "dose": "Column that says how much treatment or exercise there was.",
    "correlation": "Spearman's rank correlation.",
    "correlation_low": "Lower end of its interval.",
    "correlation_high": "Upper end of its interval.",
    "table": "Table of the caseload.",
    "rule": "Rule of the ledger.",
    "action": "What was done: set aside, changed, asked.",
    "expected_share": "Share that chance alone would give.",
    "flagged": "Beyond chance, after adjusting for all looked at together.",
    "rounding_sd": "Standard deviation of the error that rounding adds.",
    "compared_with": "Colleagues who share clients, directly or through others.",
}

#: Verdicts on one client, and sizes of change of a group.
_VERDICTS = {
    "better": "Direction that is good for the client: higher or lower.",
    "start_visit": "Visit of the start value.",
    "latest_visit": "Visit of the latest value.",
    "n_readings_not_paired": "Readings with another instrument or mode, left out of the pair.",
    "worsened": "Declined by at least the minimal detectable change.",
    "chance_improved": "Chance that the client's true improvement is above zero.",
    "chance_important": "Chance that the true improvement reaches the minimal important change.",
    "chance_worse": "Chance that the client is truly worse than at the start.",
    "denominator": "What a standardised change is divided by.",
    "denominator_value": "Its value, in the unit of the measure.",
    "uncorrected": "The value before the small-sample correction.",
    "d_ppc1": "Standardised difference in change, each group over its own starting SD.",
    "d_ppc2": "Standardised difference in change, over the pooled starting SD.",
    "p_value_holm": "p-value adjusted by Holm for all rows of the table.",
    "p_value_bh": "p-value adjusted by Benjamini and Hochberg for all rows of the table.",
    "first_time": "Time of the first reading, in weeks or visits.",
    "latest_time": "Time of the latest reading, in weeks or visits.",
    "first_value": "Value of the first reading.",
    "chance_importantly_worse": "Chance that the true decline is as large as the minimal important change.",
    "model_verdict": "The model's verdict in words, from all visits.",
    "verdicts_differ": "Cut-off and model do not say the same.",
    "reconciliation": "How the cut-off's verdict and the model's fit together, in words.",
    "state": "Where the client stands: getting worse, still gaining, levelled off, or too little data to say.",
    "chance_of_state": "Chance that the state is the true one (empty where too little data).",
    "gain_so_far": "Improvement of the client's course from the first to the latest visit.",
    "further_gain": "Expected further improvement over the visits ahead.",
    "worthwhile": "Further gain that is worth going on for.",
    "chance_worthwhile": "Chance that the further gain is at least worthwhile.",
    "chance_at_line": "Chance to be at the importance line or goal after the visits ahead.",
    "visits_to_line_50": "Fewest further visits after which the chance to be at the line is 50 % (0: now).",
    "visits_to_line_80": "Fewest further visits after which the chance to be at the line is 80 % (0: now).",
    "latest_against_course": "Latest reading minus the client's course, in scatter SDs; positive is better.",
    "corrects": "What the variant corrects for.",
    "critical": "Size from which the index counts as reliable.",
    "reliable": "Improved, worsened or unchanged, by the index.",
    "cutoff": "Cut-off by its letter in the source.",
    "meaning": "What the row's value says.",
    "affected_side": "Side that brought the client.",
    "affected_start": "Start value of the affected side.",
    "affected_latest": "Latest value of the affected side.",
    "other_start": "Start value of the other side.",
    "other_latest": "Latest value of the other side.",
    "start_deficit": "Other side minus affected side at the start; positive: affected side worse.",
    "latest_deficit": "Other side minus affected side at the latest visit; positive: affected side worse.",
    "deficit_error": "Standard error of measurement of a difference between sides.",
    "deficit_closed": "Start deficit minus latest deficit.",
    "deficit_closed_error": "Standard error of measurement of the closing of the deficit.",
    "deficit_detectable": "The start deficit is beyond its measurement error.",
    "closing_detectable": "The deficit changed beyond measurement error.",
    "back_to_other_side": "The affected side is no longer detectably worse than the other.",
    "back_in_range": "The latest value of the affected side lies in the usual range.",
    "other_side_changed": "The other side itself changed detectably.",
    "moved": "Better, worse, not shown, or not judged, allowing for the number of measures.",
    "n_measures": "Measures of the client that were judged.",
    "immediate_gain": "Gain within a visit, after minus before treatment; positive is better.",
    "kept_gain": "Change of the before-treatment level to the next visit; positive is better.",
    "days_to_next": "Days to the next visit with a reading.",
    "share_kept": "Kept gains divided by immediate gains.",
    "diary_days": "Diary lines between the two visits.",
    "gain_per_week": "Gain of the before-treatment level per week; positive is better.",
    "n_intervals": "Pairs of consecutive visits.",
    "population_mean": "Usual level of the people whom the clients come from.",
    "n_leavers": "Clients not measured again.",
    "n_stayers": "Clients measured again.",
    "leavers_mean": "Mean of those not measured again.",
    "stayers_mean": "Mean of those measured again.",
    "delta": "How much worse leavers are taken to be than stayers who started alike.",
    "share_missing_information": "Share of the information about the estimate that is missing.",
    "rung": "Rung of the ladder from the raw mean change down.",
    "step": "What the rung takes away.",
    "step_low": "Lower end of the interval of the step.",
    "step_high": "Upper end of the interval of the step.",
    "chance_above_line": "Chance that what is left exceeds the importance line.",
    "caution": "Sentence that belongs under the result.",
}

#: Mixed models.
_MIXED_MODEL = {
    "other_term": "Second term of a covariance; empty for a variance.",
    "scaled_estimate": "Standard deviation (of a variance) or correlation (of a covariance).",
    "conditional_sd": "Standard deviation of a client's deviation given the data and the model.",
    "df_reliable": "False where the degrees of freedom lean on a variance at its boundary.",
    "prediction_low": "Lower end of the interval for a new reading.",
    "prediction_high": "Upper end of the interval for a new reading.",
    "fitted_population": "Mean course at this row.",
    "fitted_client": "The client's own course at this row.",
    "residual_population": "Reading minus the mean course.",
    "residual_client": "Reading minus the client's own course.",
    "residual_standardised": "Residual of the client over the error's standard deviation.",
    "estimate_without": "Estimate without this client, variances held.",
    "change_without": "Estimate without this client minus the estimate.",
    "cooks_distance": "Change in all coefficients without this client, per coefficient.",
    "bias": "Mean over replicates minus the estimate.",
    "n_replicates": "Simulated data sets that the row rests on.",
    "course": "Shape of the course: straight, broken or plateau.",
    "n_parameters": "Parameters of the model.",
    "log_likelihood": "Logarithm of the likelihood.",
    "aic": "Akaike's information criterion; smaller is better.",
    "bic": "Bayes information criterion; smaller is better.",
}

#: Anonymised records, and codes that may belong to one person.
_PRIVACY = {
    "other_client": "Code of the other client of the pair.",
    "n_in": "Clients before.",
    "n_left_out": "Clients left out for want of consent to a case report.",
    "n_words_dropped": "Cells of rare words and free text that were emptied.",
    "smallest_group": "Clients in the smallest group that shares all identifying facts.",
    "n_groups": "Groups of clients with the same facts.",
    "n_unique": "Clients whose facts nobody shares.",
    "n_small": "Clients in groups that are too small.",
    "least": "Size from which a group is large enough.",
}

#: Scores of questionnaires from their items.
_FORMS = {
    "variant": "Which of the published scores of the questionnaire.",
    "n_answered": "Items answered.",
    "n_items": "Items that the score is built on.",
    "complete": "All items were answered.",
    "reason": "Why, in words.",
}

#: Published and own thresholds.
_THRESHOLDS = {
    "kind": "Kind of threshold: error, detectable change, important change, acceptable state.",
    "value_low": "Lower end of a printed range; equal to the value where one figure is printed.",
    "interval": "Time between the two readings of the study.",
    "test_position": "Position of the body in the study.",
    "population": "People of the study.",
    "anchor": "What told the study who had changed.",
    "citation": "The publication, in full.",
    "status": "How the figure is known: read, memory, common practice, derived, own study.",
    "default": "Used unless told otherwise.",
    "printed": "The figure as the publication prints it.",
    "n_studies": "Studies that the row rests on.",
    "other_study_low": "Lower end of the range for the value of another such study.",
    "other_study_high": "Upper end of the range for the value of another such study.",
}

#: Single-case designs: phases, indices, randomisation, across clients.
_SINGLE_CASE = {
    "phase_rule": "How the phase was found: recorded, or first treatment.",
    "comparison": "The two phases compared.",
    "index": "Single-case index, by its key in INDEX_FACTS.",
    "name": "Full name.",
    "n_baseline": "Readings in the baseline phase.",
    "n_treatment": "Readings in the phase after it.",
    "trend": "Robust (Theil-Sen) slope within the phase, per unit of time.",
    "sd_about_trend": "Standard deviation of readings about the phase's robust line.",
    "immediacy": "Median of the first 3 readings minus that of the last 3 before, better positive.",
    "overlap": "Share of readings inside the range of the phase before.",
    "slope": "Slope of the line, in the reading's unit per unit of time.",
    "intercept": "Height of the line at time 0.",
    "improving": "The slope's interval lies wholly on the better side.",
    "start_time": "First time of the phase.",
    "end_time": "Last time of the phase.",
    "lag_one": "Lag-1 correlation of residuals about phase means, plus 1 / n.",
    "median_gap": "Median time between neighbouring readings.",
    "serial_correlation": "Correlation of neighbouring readings of a client.",
    "smallest_p": "Smallest p-value that the randomisation could have given.",
    "n_assignments": "Assignments that could have been drawn.",
    "exact": "Every assignment or sign pattern was enumerated.",
    "alternative": "Direction of the test.",
    "effect": "Gain of the level in standard deviations within a phase.",
    "power": "Chance of a p-value at or under alpha.",
    "alpha": "Level of the test.",
    "sets": "Simulated studies.",
    "unadjusted": "Standardised difference before the small-sample factor.",
    "mean_change": "Improvement in the unit of the measure.",
    "total_sd": "Standard deviation of one reading across clients.",
    "intraclass_correlation": "Share of the variance that lies between clients.",
    "sd_between": "Standard deviation of the gain between clients.",
    "heterogeneity_p": "p-value of the test that all clients gain alike.",
    "new_client_low": "Lower end of the prediction interval of the next client's gain.",
    "new_client_high": "Upper end of the prediction interval of the next client's gain.",
    "share_worse": "Expected share of clients whose level gets worse.",
    "n_better": "Clients who got better.",
    "n_worse": "Clients who got worse.",
    "n_same": "Clients without a change.",
    "label": "Neutral label shown in place of the series.",
}

#: Time to a gain.
_TIME_TO_GAIN = {
    "left": "Time after which it happened: the last reading before (weeks or visits).",
    "right": "Time by which it had happened: the first reading after; infinite if never seen.",
    "reached": "The gain was reached.",
    "time": "Weeks or visits since the start.",
    "ending": "How it ended: gain, the recorded end, or no further record.",
    "at_risk": "Clients still in care and short of the gain just before.",
    "events": "Clients to whom it happened at this time (or in all).",
    "censored": "Clients whose record ends at this time.",
    "survival": "Share of clients still short of the gain.",
    "mass": "Share of clients whose gain lies in this interval.",
    "survival_left": "Share still short of the gain at the interval's left end.",
    "survival_right": "Share still short of the gain at its right end.",
    "expected": "Number to be expected if all groups were alike.",
    "score": "Score of the group; positive: earlier gains than all together.",
    "gained": "1 at the visit at which the gain was reached, else 0.",
}

#: Repeatability, agreement, and planning a repeatability study.
_REPEATABILITY = {
    "form": "Form of the intraclass correlation, in the notation of McGraw and Wong.",
    "also_called": "The same form in the notation of Shrout and Fleiss.",
    "model": "Statistical model that the form or estimate rests on.",
    "average_of": "What the reliability is of: a single reading, or the mean of several.",
    "n_raters": "Raters who took readings.",
    "design": "Clients, raters, sessions and readings of a study in words.",
    "session": "Day or sitting of a repeatability study, counted from 1.",
    "order": "Place in the order of measuring, counted from 1.",
    "trials_averaged": "Trials per rater averaged into one recorded value.",
    "raters_averaged": "Raters averaged into one recorded value.",
    "readings_per_value": "Readings behind one recorded value (trials times raters).",
    "share_of_single": "Error of the mean divided by the error of a single reading.",
    "bought_per_reading": "Fall of the detectable change per reading added to a single one.",
    "mean_difference": "Mean of first minus second.",
    "difference": "First minus second, for one client.",
    "difference_sd": "Standard deviation of the difference of two single readings.",
    "coverage": "Share of cases that limits should hold, or that an interval held.",
    "size": "Size of the reading (mean of first and second).",
    "lower_ci_low": "Lower end of the interval of the lower limit.",
    "lower_ci_high": "Upper end of the interval of the lower limit.",
    "upper_ci_low": "Lower end of the interval of the upper limit.",
    "upper_ci_high": "Upper end of the interval of the upper limit.",
    "ratio": "One quantity divided by another, as the result says.",
    "expected_low": "Lower end of the interval to be expected, divided by the estimate.",
    "expected_high": "Upper end of the interval to be expected, divided by the estimate.",
}

#: The smallest change that clients call important.
_IMPORTANT_CHANGE = {
    "cut": "Change at or above which a client counts as changed importantly.",
    "sensitivity": "Share of clients improved by their own rating who reach the cut.",
    "specificity": "Share of the other clients who stay below the cut.",
    "origin": "Whether a threshold is published or the clinic's own.",
    "count_worse": "Clients whose decline is at least as large as the threshold.",
}

#: The quarter's review.
_REVIEW = {
    "standardised": "Mean improvement divided by the standard deviation at the start (Becker).",
    "standardised_ci_low": "Lower end of the interval of `standardised`.",
    "standardised_ci_high": "Upper end of the interval of `standardised`.",
    "share_surely_improved": "Share of clients with a chance of improvement of at least 95%.",
    "share_expected_important": "Mean chance of an important improvement over the clients.",
    "share_surely_worse": "Share of clients with a chance of a decline of at least 95%.",
    "share_detectable": "Share of clients with a detectable improvement, by cut-off.",
    "share_important": "Share of clients whose improvement reaches the important change.",
    "share_worsened": "Share of clients with a detectable decline, by cut-off.",
    "true_improvement": "Improvement by the model, from all visits of the client.",
    "true_ci_low": "Lower end of the interval of the model's improvement.",
    "true_ci_high": "Upper end of the interval of the model's improvement.",
    "worse": "Decline by either verdict: beyond measurement error, or surely by the model.",
    "better": "Direction that is better for the client: higher or lower.",
    "age": "Age in years at the start of the episode, from the year of birth.",
    "age_band": "Band of age.",
    "sex": "As recorded by the clinic.",
    "onset_weeks": "Weeks of symptoms before the first visit.",
    "complaint": "Region or label of the complaint.",
}

#: Plans of studies.
_PLANNING = {
    "n_per_group": "Clients analysed in each group.",
    "n_to_recruit": "Clients to recruit so that enough remain.",
    "drop_out": "Share of clients expected to be lost.",
    "achieved": "Power or half-width reached with these clients.",
    "target_is": "What is wanted: power, or the half-width of an interval.",
    "effect": "Difference or value planned for, in the unit of the measure.",
    "power": "Chance that the study shows it.",
    "power_low": "Lower end of the power's interval (or 10% of draws).",
    "power_high": "Upper end of the power's interval (or 90% of draws).",
    "power_median": "Median power over uncertain inputs.",
    "assurance": "Power averaged over uncertain inputs.",
    "chance_of_80": "Share of the draws with a power of at least 80%.",
    "studies": "Studies simulated.",
    "coverage": "Share of intervals that hold the true value.",
    "share_not_fitted": "Share of simulated studies that could not be analysed.",
    "readings": "Readings of each client.",
    "starts": "Starts of treatment that are allowed for each client.",
    "smallest_p": "Smallest p-value that the design can give.",
}

COLUMNS: dict[str, str] = {
    **_REVIEW,
    **_SHARED,
    **_MIXED_MODEL,
    **_CHANGE,
    **_SERVICE,
    **_VERDICTS,
    **_PRIVACY,
    **_FORMS,
    **_THRESHOLDS,
    **_SINGLE_CASE,
    **_TIME_TO_GAIN,
    **_REPEATABILITY,
    **_IMPORTANT_CHANGE,
    **_PLANNING,
}


def define(column: str) -> str:
    """Give the definition of one result column.

    Raises
    ------
    DataError
        If the column is not defined.

    Examples
    --------
    >>> define("ci_low")
    'Lower end of the interval.'
    """
    try:
        return COLUMNS[column]
    except KeyError:
        raise DataError(
            f"result column {column!r} must be defined in outcomes/glossary.py. Add its meaning."
        ) from None


def check_result(columns: Iterable[str]) -> None:
    """Refuse result columns that the glossary does not define, naming all of them."""
    missing = [str(column) for column in columns if column not in COLUMNS]
    if missing:
        raise DataError(
            f"result columns must be defined in outcomes/glossary.py; missing: "
            f"{', '.join(missing)}. Add their meaning."
        )
