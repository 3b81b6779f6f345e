"""Published worked examples on measurement error, agreement, one client and groups."""

from __future__ import annotations

import math
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import numpy as np
import pandas as pd
import published_data as data
import repeatability_nist_anova as nist
from published_check import Check, against, load, series

__all__ = ["agreement", "change_of_one_client", "effect_size", "repeatability"]

TESTS = Path(__file__).parents[1]


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
        known="computed",
        least=4,
        why="computed with 1.96 for 1.959964",
    )

    knee = measurement_error(load(TESTS / "statistics/repeatability/knee.py").knee_readings())
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
        known="computed",
    )

    from outcomes.statistics.repeatability.analysis_of_variance import one_way

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
    correction, corrections = hedges_correction(18), hedges_correction([2, 5, 10, 20])
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
        series("2_df 5_df 10_df 20_df", "0.5642 0.8407 0.9227 0.9619", corrections),
        known="computed",
    )
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
