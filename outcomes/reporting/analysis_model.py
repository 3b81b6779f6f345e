"""What the rebuilt analysis says of its course: the mixed model, and the same by other software."""

from __future__ import annotations

from html import escape

import numpy as np
import pandas as pd

from outcomes.measures.catalogue import Measure
from outcomes.reporting.picture import Html
from outcomes.reporting.tables import table
from outcomes.reporting.wording import interval, number, plural, signed, with_unit
from outcomes.statistics.mixed_model import MixedModelFit
from outcomes.statistics.sensitivity import compare_engines

__all__ = ["engines", "model"]


def model(fit: MixedModelFit, rows: pd.DataFrame, measure: Measure) -> Html:
    """Show the mean course and the variation between and within clients."""
    unit = measure.unit
    fixed = fit.fixed.assign(
        text=[with_unit(e, unit, sign=True) for e in fit.fixed["estimate"]],
        range=[interval(a, b) for a, b in zip(fit.fixed["ci_low"], fit.fixed["ci_high"],
                                              strict=True)],
    )  # fmt: skip
    first = table(
        fixed,
        {"term": "Term", "text": ("Estimate", str), "range": ("95% interval", str),
         "df": ("df", number)},
        caption=f"Mean course: {fit.formula}, by {fit.method}",
    )  # fmt: skip
    parts = fit.variances
    parts = parts.assign(
        name=[_variance_name(r) for r in parts.itertuples()],
        text=[number(e) for e in parts["scaled_estimate"]],
        range=[interval(a, b) for a, b in zip(parts["ci_low"], parts["ci_high"], strict=True)],
    )
    second = table(
        parts,
        {"name": "Between and within clients", "text": ("SD or correlation", str),
         "range": ("95% interval", str)},
        caption="Variation around the mean course",
    )  # fmt: skip
    words = f"{_course_words(fit, rows, measure)} {_fit_words(fit)}"
    return first + second + Html(f"<p>{escape(words)}</p>")


def _course_words(fit: MixedModelFit, rows: pd.DataFrame, measure: Measure) -> str:
    """Say what the mean course comes to by the middle of the last visits."""
    last = rows.groupby("care").tail(1)
    week = float(last["week"].median())
    near = (rows["week"] - week).abs().argsort().iloc[0]
    start, end = (rows.iloc[[i]] for i in (int(rows["week"].argmin()), int(near)))
    gain = fit.predict_contrast(start, end, level="population").iloc[0]
    low, high = sorted(measure.sign * gain[["ci_low", "ci_high"]].to_numpy(float))
    return (
        f"From week {number(start['week'].iloc[0], 0)} to week {number(end['week'].iloc[0])}, the "
        f"middle of the last visits, the mean course improves by "
        f"{with_unit(measure.sign * gain['estimate'], measure.unit)} "
        f"({interval(low, high, measure.unit)})."
    )


def _variance_name(row) -> str:  # noqa: ANN001
    if str(row.level) == "residual":
        return "one reading around the client's own course"
    names = {"Intercept": "level", "1": "level", "time": "slope"}
    first = names.get(str(row.term), str(row.term))
    other = str(row.other_term) if isinstance(row.other_term, str) else ""
    if not other or other == str(row.term):
        return f"{first}, between clients"
    return f"correlation of {first} and {names.get(other, other)}"


def _fit_words(fit: MixedModelFit) -> str:
    lines = [
        f"{plural(fit.n_rows, 'reading')} of {plural(fit.n_clients, 'episode')}; "
        + ("converged." if fit.converged else "not converged: do not use it.")
    ]
    if fit.boundary:
        lines.append("At the edge of what is possible: " + " ".join(fit.boundary))
    lines += list(fit.notes)
    return " ".join(lines)


def engines(rows: pd.DataFrame, formula: str) -> Html:
    """Fit the course again with other software, and show the differences."""
    found = compare_engines(rows, formula, time="time", groups="care")
    shown = found.assign(
        text=[_digits(e) for e in found["estimate"]],
        error=[_digits(e) for e in found["standard_error"]],
        gap=["" if e == "this project" else _small(d) for e, d in
             zip(found["engine"], found["difference"], strict=True)],
        in_errors=["" if e == "this project" else _small(d) for e, d in
                   zip(found["engine"], found["difference_in_errors"], strict=True)],
        done=found["converged"].map({True: "yes", False: "no"}),
    )  # fmt: skip
    listed = table(
        shown,
        {"engine": "Engine", "term": "Term", "text": ("Estimate", str),
         "error": ("Standard error", str), "gap": ("Difference", str),
         "in_errors": ("In our standard errors", str), "done": "Converged"},
        caption="The same course by other software",
    )  # fmt: skip
    return listed + Html(f"<p>{escape(_engine_words(found))}</p>")


def _engine_words(found: pd.DataFrame) -> str:
    slope = found[found["term"] == "time"]
    mixed, gee = (
        slope[slope["engine"] == name].iloc[0]
        for name in ("statsmodels mixed model", "statsmodels GEE")
    )
    if bool(mixed["converged"]) and np.isfinite(mixed["difference"]):
        apart = _small(abs(float(mixed["difference_in_errors"]))).lstrip("+")
        text = f"The mixed model of statsmodels agrees in the slope to {apart} standard errors."
    else:
        text = "The mixed model of statsmodels does not converge on these data."
    apart = abs(float(gee["difference_in_errors"]))
    verdict = (
        "which is little"
        if apart < 1
        else "which is much: missed visits may depend on how a client is doing"
    )
    return (
        f"{text} GEE, which rests on another principle, differs by {number(apart)} standard "
        f"errors, {verdict}."
    )


def _digits(value: float) -> str:
    return number(value, 5)


def _small(value: float) -> str:
    if not np.isfinite(value) or abs(value) >= 0.001:
        return signed(value)
    return f"{value:.0e}".replace("-", "\N{MINUS SIGN}")
