"""Whether the mixed model fits: residuals, normal quantiles, variogram, influence."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from outcomes.reporting.picture import Picture
from outcomes.reporting.style import BAND, BLUE, CLAY, FAINT, INK, QUIET, house_style, new_figure
from outcomes.reporting.wording import count_of, number, plural, signed

__all__ = ["influence_figure", "quantile_figure", "residual_figure", "variogram_figure"]


def residual_figure(
    residuals: pd.DataFrame,
    *,
    along: dict[str, np.ndarray],
    trends: dict[str, pd.DataFrame],
    unit: str,
) -> Picture:
    """Draw residuals against the fitted value and against time, with means of classes.

    Parameters
    ----------
    residuals : DataFrame
        From `MixedModelFit.residuals`.
    along : dict of str to array
        What each panel is drawn against, by its axis label; one value per residual.
    trends : dict of str to DataFrame
        From `residual_trend`, under the same names.
    unit : str
        Of the measure, as written on an axis.

    Returns
    -------
    Picture
    """
    with house_style():
        figure, axes = new_figure(7.2, 3.3, columns=len(along), sharey=True)
        for ax, (name, place) in zip(axes, along.items(), strict=True):
            ax.plot(place, residuals["residual_client"], "o", color=QUIET, ms=2.2, alpha=0.35,
                    mew=0)  # fmt: skip
            ax.axhline(0, color=INK, lw=0.8)
            t = trends[name]
            ax.vlines(t["along"], t["ci_low"], t["ci_high"], color=BLUE, lw=2)
            ax.plot(t["along"], t["mean"], "o-", color=BLUE, ms=4.5, lw=1.2)
            odd = t[t["beyond_limits"]]
            ax.plot(odd["along"], odd["mean"], "D", color=CLAY, ms=6.5)
            ax.set_xlabel(name)
        axes[0].set_ylabel(f"residual ({unit})")
        axes[0].set_title("Residuals")
    parts = [
        f"by {name}, {count_of(int(t['beyond_limits'].sum()), len(t))} class means lie beyond "
        f"chance, spread from {number(t['sd'].min())} to {number(t['sd'].max())}"
        for name, t in trends.items()
    ]
    return Picture.of(
        figure,
        alt=f"Residuals of {plural(len(residuals), 'reading')}: {'; '.join(parts)}.",
        caption="Grey: readings. Blue: means of classes of equal size with 95% intervals; a clay "
        "diamond where the interval leaves zero out.",
    )


def quantile_figure(envelopes: pd.DataFrame, names: dict[str, str]) -> Picture:
    """Draw normal quantile plots with the envelopes of data simulated from the fit.

    Parameters
    ----------
    envelopes : DataFrame
        From `quantile_envelopes`.
    names : dict of str to str
        Title of each panel by the frame's `quantity`.

    Returns
    -------
    Picture
    """
    shown = [(q, rows) for q, rows in envelopes.groupby("quantity", sort=False)]
    with house_style():
        figure, axes = new_figure(7.2, 2.9, columns=len(shown))
        for ax, (quantity, rows) in zip(axes, shown, strict=True):
            x = rows["normal_quantile"]
            ax.fill_between(x, rows["lower_limit"], rows["upper_limit"], color=BAND, lw=0)
            ax.plot(x, x, color=QUIET, lw=0.8)
            inside = rows[~rows["beyond_limits"]]
            outside = rows[rows["beyond_limits"]]
            ax.plot(inside["normal_quantile"], inside["observed"], "o", color=BLUE, ms=2.4)
            ax.plot(outside["normal_quantile"], outside["observed"], "D", color=CLAY, ms=3.4)
            ax.set_title(names.get(str(quantity), str(quantity)), fontsize=9)
            ax.set_xlabel("normal quantile")
        axes[0].set_ylabel("observed, in SD")
    parts = [
        f"{names.get(str(q), str(q))}: {count_of(int(r['beyond_limits'].sum()), len(r))} points "
        "outside the envelope"
        for q, r in shown
    ]
    return Picture.of(
        figure,
        alt=f"Normal quantile plots. {'; '.join(parts)}.",
        caption="Grey: where 95% of data simulated from the fitted model lie at each point. Clay "
        "diamonds: outside it; one point in twenty is expected there.",
    )


def variogram_figure(variogram: pd.DataFrame, *, unit: str) -> Picture:
    """Draw how unlike two residuals of one client are, by the weeks between them.

    Parameters
    ----------
    variogram : DataFrame
        From `residual_variogram`.
    unit : str
        Of the measure, as written on an axis.

    Returns
    -------
    Picture
    """
    rows = variogram
    with house_style():
        figure, (ax,) = new_figure(5.4, 3.0)
        ax.fill_between(rows["lag"], rows["lower_limit"], rows["upper_limit"], color=BAND, lw=0)
        ax.plot(rows["lag"], rows["observed"], "o-", color=BLUE, ms=5)
        odd = rows[rows["beyond_limits"]]
        ax.plot(odd["lag"], odd["observed"], "D", color=CLAY, ms=7)
        ax.set(xlabel="weeks between two visits", ylabel=f"half squared difference ({unit}²)")
        ax.set_ylim(0, None)
        ax.set_title("Variogram of the residuals")
        ax.yaxis.grid(True, color=FAINT, lw=0.4)
    first, last = rows.iloc[0], rows.iloc[-1]
    alt = (
        f"Variogram of the residuals: {number(first['observed'])} at {number(first['lag'])} weeks, "
        f"{number(last['observed'])} at {number(last['lag'])} weeks; "
        f"{count_of(int(rows['beyond_limits'].sum()), len(rows))} points outside what the model "
        "allows."
    )
    return Picture.of(
        figure,
        alt=alt,
        caption="Grey: where 95% of data simulated from the fitted model lie. Points below the "
        "band on the left mean that readings close in time are more alike than the model says.",
    )


def influence_figure(influence: pd.DataFrame, *, client: str, most: int = 12) -> Picture:
    """Draw how far the estimate moves when each of the most influential clients is left out.

    Parameters
    ----------
    influence : DataFrame
        From `client_influence`, most influential first.
    client : str
        Column of the clients.
    most : int
        Clients drawn.

    Returns
    -------
    Picture
    """
    rows = influence.head(most)
    y = np.arange(len(rows))
    with house_style():
        figure, (ax,) = new_figure(6.0, 0.9 + 0.24 * len(rows))
        ax.axvline(0, color=QUIET, lw=0.8)
        ax.hlines(y, 0, rows["change_in_errors"], color=FAINT, lw=2)
        _influence_points(ax, rows, y)
        ax.set_yticks(y, rows[client].astype(str), color=INK, fontsize=8.5)
        ax.tick_params(axis="y", length=0)
        reach = 1.15 * max(float(rows["change_in_errors"].abs().max()), 0.5)
        ax.set(ylim=(len(rows) - 0.4, -0.6), xlim=(-reach, reach))
        ax.set_xlabel("change of the estimate without this client, in its standard errors")
        ax.set_title("Who the course rests on")
    top = rows.iloc[0]
    alt = (
        f"Influence of {plural(len(influence), 'client')}: without {top[client]} the estimate "
        f"moves by {signed(top['change_in_errors'])} standard errors, the most of all; "
        f"{int(influence['flagged'].sum())} have a Cook's distance above 4 / clients."
    )
    return Picture.of(
        figure,
        alt=alt,
        caption="The most influential clients by Cook's distance; diamonds: above 4 / clients, a "
        "place to look, no reason to leave anybody out.",
    )


def _influence_points(ax: Axes, rows: pd.DataFrame, y: np.ndarray) -> None:
    odd = rows["flagged"].to_numpy(bool)
    value = rows["change_in_errors"].to_numpy(float)
    ax.plot(value[~odd], y[~odd], "o", color=BLUE, ms=5.5)
    ax.plot(value[odd], y[odd], "D", color=CLAY, ms=6.5)
