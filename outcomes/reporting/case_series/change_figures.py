"""Change of the clients side by side: the forest, and start against end."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from outcomes.reporting.case_series.figure_style import (
    BLACK,
    DARK,
    LIGHT,
    MIDDLE,
    PaperFigure,
    inches,
)
from outcomes.reporting.case_series.formats import axis_name, digits_of, with_unit_words
from outcomes.reporting.wording import number, plural, signed
from outcomes.statistics.single_case.summary import LEAST_BASELINE, MeasureSeries

__all__ = ["forest_figure", "forest_rows", "start_end_figure"]


_GAIN = "gain of level"


def forest_rows(one: MeasureSeries) -> tuple[pd.DataFrame, str]:
    """Rows of the forest (client, estimate, low, high) and what they are, in words.

    Gain of level with its interval where phases can be compared, otherwise improvement from start
    to latest with the interval that measurement error alone gives.
    """
    if len(one.levels) and one.levels["estimate"].notna().any():
        rows = one.levels.dropna(subset=["estimate"]).drop_duplicates("client")
        frame = rows[["client", "estimate", "ci_low", "ci_high"]]
        return frame.reset_index(drop=True), _GAIN
    judged = one.judged
    half = judged["minimal_detectable_change"].astype(float).fillna(0.0)
    frame = pd.DataFrame(
        {
            "client": judged["client"].astype(str),
            "estimate": judged["improvement"].astype(float),
            "ci_low": judged["improvement"].astype(float) - half,
            "ci_high": judged["improvement"].astype(float) + half,
        }
    )
    return frame.reset_index(drop=True), "improvement from start to latest"


def forest_figure(one: MeasureSeries, *, figure_number: str, level: str) -> PaperFigure:
    """Make the forest of clients of one measure."""
    rows, what = forest_rows(one)
    summary = _summary(one, what)
    error = "its interval" if what == _GAIN else "the interval of measurement error"
    caption = (
        f"Figure {figure_number}. {one.measure.name}: {what} of each client with {error} "
        f"({level}), positive being better."
    )
    if summary is not None:
        caption += " Diamond: mean across clients with its interval."
        if summary["next_low"] is not None:
            caption += " Next: interval expected for a next such client."
    if what == _GAIN and summary is not None:
        caption += (
            " A client's own gain allows for serial correlation and leans to the step at the "
            "change of phase where a gain is gradual; the mean compares whole phases."
        )
    if what == _GAIN:
        caption += f" Clients with at least {LEAST_BASELINE} baseline readings."
    elif _mdc(one):
        caption += " Dashed: minimal detectable change."
    if one.importance is not None:
        caption += " Dotted: minimal important change."
    digits = digits_of(one.measure)
    words = [f"Forest plot of {what} in {one.measure.name}, {plural(len(rows), 'client')}."]
    words += [
        f"{r['client']}: {signed(r['estimate'], digits)} ({signed(r['ci_low'], digits)} to "
        f"{signed(r['ci_high'], digits)})."
        for r in rows.sort_values("client").to_dict("records")
    ]
    if summary is not None:
        words.append(
            f"Mean: {signed(summary['estimate'], digits)} ({signed(summary['low'], digits)} to "
            f"{signed(summary['high'], digits)})."
        )
    return PaperFigure(
        figure_number,
        f"figure_{figure_number.lower()}_forest_{one.measure.code}",
        caption,
        " ".join(words),
        lambda width: _draw_forest(one, width),
    )


def start_end_figure(one: MeasureSeries, *, figure_number: str, level: str) -> PaperFigure:
    """Make the plot of latest against start of one measure."""
    caption = (
        f"Figure {figure_number}. {one.measure.name}: latest against first reading of each client. "
        f"Full line: no change."
    )
    if _mdc(one):
        caption += f" Grey band: within the minimal detectable change ({level})."
        caption += " Filled: detectable improvement; open: not detectable; triangle: detectable"
        caption += " decline."
    if one.importance is not None:
        caption += " Dotted line: minimal important change."
    judged = one.judged
    up = int((judged["improvement"] > 0).sum())
    alt = (
        f"Scatter of latest against first {one.measure.name} of {plural(len(judged), 'client')}: "
        f"{up} better, {int((judged['improvement'] < 0).sum())} worse, "
        f"{int((judged['improvement'] == 0).sum())} the same."
    )
    digits = digits_of(one.measure)
    alt += " " + " ".join(
        f"{r['client']}: {number(r['start_value'], digits)} to {number(r['latest_value'], digits)}."
        for r in judged.sort_values("client").to_dict("records")
    )
    return PaperFigure(
        figure_number,
        f"figure_{figure_number.lower()}_start_end_{one.measure.code}",
        caption,
        alt,
        lambda width: _draw_start_end(one, width),
    )


def _draw_forest(one: MeasureSeries, width: float) -> Figure:
    rows, what = forest_rows(one)
    rows = rows.sort_values("estimate", ignore_index=True)
    summary = _summary(one, what)
    lines = len(rows) + (2 if summary is not None else 0)
    height = 5.2 * lines + 17
    figure = Figure(figsize=(inches(width), inches(height)))
    ax = figure.add_axes((14 / width, 11 / height, 1 - 17 / width, 1 - 14 / height))
    place = np.arange(len(rows)) + (2 if summary is not None else 0)
    ax.hlines(place, rows["ci_low"], rows["ci_high"], color=BLACK, lw=0.9)
    ax.plot(rows["estimate"], place, "s", color=BLACK, markersize=3.4)
    ax.axvline(0, color=DARK, lw=0.7)
    mdc = _mdc(one)
    if mdc and what != _GAIN:
        for at in (-mdc, mdc):
            ax.axvline(at, color=MIDDLE, lw=0.8, ls=(0, (4, 2)), zorder=0)
    if one.importance is not None:
        ax.axvline(one.importance.value, color=MIDDLE, lw=1.1, ls=(0, (1, 1.5)), zorder=0)
    ticks, labels = list(place), rows["client"].tolist()
    if summary is not None:
        _diamond(ax, summary)
        ticks, labels = [0.25, *ticks], ["Mean", *labels]
        if summary["next_low"] is not None:
            ticks, labels = [-0.55, *ticks], ["Next", *labels]
    ax.set_yticks(ticks, labels)
    ax.tick_params(axis="y", length=0)
    ax.set_ylim(-1.1, lines - 0.3)
    words = "Gain of level" if what == _GAIN else "Improvement"
    ax.set_xlabel(with_unit_words(f"{words}, {axis_name(one.measure)}", one.measure))
    ax.spines["left"].set_visible(False)
    return figure


def _diamond(ax, summary: dict) -> None:
    middle, low, high = summary["estimate"], summary["low"], summary["high"]
    ax.fill([low, middle, high, middle], [0.25, 0.6, 0.25, -0.1], color=BLACK, lw=0, zorder=3)
    if summary["next_low"] is not None:
        ax.plot([summary["next_low"], summary["next_high"]], [-0.55, -0.55], color=DARK, lw=0.8)
        for end in (summary["next_low"], summary["next_high"]):
            ax.plot([end, end], [-0.7, -0.4], color=DARK, lw=0.8)


def _draw_start_end(one: MeasureSeries, width: float) -> Figure:
    judged = one.judged
    side = min(width, 110.0)
    figure = Figure(figsize=(inches(width), inches(side)))
    edge_left, edge_bottom, edge_top = 14.0, 11.0, 3.0
    square = side - edge_bottom - edge_top
    ax = figure.add_axes(
        (edge_left / width + max(0.0, (width - square - edge_left - 3) / 2 / width),
         edge_bottom / side, min(square, width - edge_left - 3) / width, square / side)
    )  # fmt: skip
    x = judged["start_value"].to_numpy(dtype=float)
    y = judged["latest_value"].to_numpy(dtype=float)
    low, high = float(min(x.min(), y.min())), float(max(x.max(), y.max()))
    pad = 0.08 * max(high - low, 1e-9)
    ends = np.array([low - pad, high + pad])
    mdc = _mdc(one)
    if mdc:
        ax.fill_between(ends, ends - mdc, ends + mdc, color=LIGHT, lw=0)
    ax.plot(ends, ends, color=DARK, lw=0.8)
    if one.importance is not None:
        sign = 1 if one.measure.better == "higher" else -1
        ax.plot(ends, ends + sign * one.importance.value, color=MIDDLE, lw=1.1, ls=(0, (1, 1.5)))
    detectable = judged["detectable"].fillna(False).to_numpy(dtype=bool)
    up = judged["improvement"].to_numpy(dtype=float) > 0
    for which, marker, face in (
        (detectable & up, "o", BLACK),
        (~detectable, "o", "white"),
        (detectable & ~up, "v", BLACK),
    ):
        ax.plot(x[which], y[which], marker, color=BLACK, markerfacecolor=face, markersize=4.2,
                markeredgewidth=0.8, ls="")  # fmt: skip
    _point_labels(ax, x, y, judged["client"].astype(str).tolist(), ends)
    ax.set_xlim(*ends)
    ax.set_ylim(*ends)
    name = axis_name(one.measure)
    ax.set_xlabel(with_unit_words(f"First reading, {name}", one.measure))
    ax.set_ylabel(with_unit_words(f"Latest reading, {name}", one.measure))
    ax.annotate(
        "better" if one.measure.better == "higher" else "worse",
        (0.02, 0.98), xycoords="axes fraction", va="top", fontsize=7, color=DARK,
    )  # fmt: skip
    ax.annotate(
        "worse" if one.measure.better == "higher" else "better",
        (0.98, 0.02), xycoords="axes fraction", ha="right", fontsize=7, color=DARK,
    )  # fmt: skip
    return figure


def _point_labels(ax, x: np.ndarray, y: np.ndarray, names: list[str], ends: np.ndarray) -> None:
    """Write the client's label beside its point, on the side with more room."""
    span = ends[1] - ends[0]
    together: dict[tuple[float, float], list[str]] = {}
    for at_x, at_y, name in zip(x, y, names, strict=True):
        together.setdefault((float(at_x), float(at_y)), []).append(name)
    points = np.array(list(together))
    x, y = points[:, 0], points[:, 1]
    for i, shared in enumerate(together.values()):
        name = ", ".join(shared)
        others = np.delete(points, i, axis=0)
        best, room = (5.0, 0.0), -1.0
        for dx, dy in ((5, 0), (-5, 0), (0, 6), (0, -6), (4, 5), (-4, 5), (4, -5), (-4, -5)):
            at = np.array([x[i] + dx * span / 90, y[i] + dy * span / 90])
            nearest = np.min(np.linalg.norm(others - at, axis=1)) if len(others) else span
            inside = np.min([at - ends[0], ends[1] - at])
            score = min(nearest, 2 * inside)
            if score > room:
                best, room = (dx, dy), score
        ax.annotate(
            name, (x[i], y[i]), xytext=best, textcoords="offset points", fontsize=6, color=DARK,
            ha="left" if best[0] > 0 else "right" if best[0] < 0 else "center",
            va="bottom" if best[1] > 0 else "top" if best[1] < 0 else "center",
        )  # fmt: skip


def _mdc(one: MeasureSeries) -> float:
    if one.error is None or not len(one.judged):
        return 0.0
    return float(one.judged["minimal_detectable_change"].iloc[0])


def _summary(one: MeasureSeries, what: str) -> dict | None:
    if one.across.empty:
        return None
    rows = one.across.set_index("quantity")
    name = (
        "mean gain of level, multilevel model"
        if what == _GAIN
        else "mean improvement, start to latest"
    )
    if name not in rows.index or not np.isfinite(rows.loc[name, "ci_low"]):
        return None
    row = rows.loc[name]
    out = {
        "estimate": float(row["estimate"]),
        "low": float(row["ci_low"]),
        "high": float(row["ci_high"]),
        "next_low": None,
        "next_high": None,
    }
    if what == _GAIN and "gain of the next client" in rows.index:
        out["next_low"] = float(rows.loc["gain of the next client", "ci_low"])
        out["next_high"] = float(rows.loc["gain of the next client", "ci_high"])
    return out
