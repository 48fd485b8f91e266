"""One vault over time: what was seen, what is expected, how fast water comes back, how it looks."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.outputs.drawn.plots import MARKS, SOFT, drawing
from vaultplan.schema import GRADES
from vaultplan.styles import GRADE_COLOURS, GRADE_GLYPHS, OUTLINE, SEQUENTIAL

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Looks older than this are not drawn.
YEARS_BACK: Final = 4
_RULE: Final = "#D8D4CA"
_HATCHES: Final = {"clear": "", "light": "////", "heavy": "xxxx"}


def fan_picture(
    forecasts: pd.DataFrame, visits: pd.DataFrame, room: dict[str, Any], as_of: pd.Timestamp
) -> str:
    """Return past looks on the left, the fan of what is expected on the right, in inches.

    Parameters
    ----------
    forecasts
        Rows of one vault: on, depth_in_p10, _p25, _p50, _p75, _p90, in order of day.
    visits
        Its visits: ``on`` (local day), depth_in, grade.
    room
        ``depth_in`` (floor to cover), ``working_depth_in`` and ``gal_per_in``; blank if unknown.
    as_of
        Last day whose results are known.
    """
    with drawing(8.6, 3.9) as (figure, buffer):
        before, ahead = figure.subplots(1, 2, sharey=True, width_ratios=[1, 1.7])
        reach = _reach(forecasts, visits, room)
        _looks(before, visits, as_of)
        _fan(ahead, forecasts)
        for axes in (before, ahead):
            axes.set_ylim(0, reach)
            axes.grid(axis="y", color=_RULE)
            axes.set_axisbelow(True)
            level = room.get("working_depth_in")
            if level is not None:
                axes.axhline(level, color=OUTLINE, linewidth=1.0, linestyle=(0, (1, 2)))
            if room.get("depth_in") is not None:
                axes.axhline(room["depth_in"], color=OUTLINE, linewidth=1.4)
        before.set_ylabel("water, in")
        _gallons(ahead, room)
        _name_lines(ahead, room)
    return buffer.getvalue()


def _reach(forecasts: pd.DataFrame, visits: pd.DataFrame, room: dict[str, Any]) -> float:
    found = [forecasts["depth_in_p90"].max(), visits["depth_in"].max(), 8.0]
    found += [room[name] for name in ("depth_in", "working_depth_in") if room.get(name) is not None]
    return 1.1 * float(np.nanmax(np.array(found, dtype=float)))


def _looks(axes: Axes, visits: pd.DataFrame, as_of: pd.Timestamp) -> None:
    start = as_of - pd.DateOffset(years=YEARS_BACK)
    seen = visits[(visits["on"] >= start) & visits["depth_in"].notna()]
    for grade in ("unknown", *GRADES):
        mine = seen[seen["grade"].fillna("unknown") == grade]
        axes.plot(
            _number(mine["on"]), mine["depth_in"], MARKS[GRADE_GLYPHS[grade]], markersize=7,
            markerfacecolor=GRADE_COLOURS[grade], markeredgecolor=OUTLINE, linestyle="none",
            clip_on=False, zorder=3,
        )  # fmt: skip
    years = pd.date_range(start, as_of, freq="YS")
    _days(axes, pd.DatetimeIndex([start, as_of]), years, "%Y")
    axes.set_xlabel(f"seen, to {as_of.day} {as_of:%b %Y}")


def _fan(axes: Axes, forecasts: pd.DataFrame) -> None:
    on = _number(forecasts["on"])
    for low, high, fill in (("p10", "p90", SEQUENTIAL[1]), ("p25", "p75", SEQUENTIAL[2])):
        ends = (forecasts[f"depth_in_{low}"], forecasts[f"depth_in_{high}"])
        axes.fill_between(on, *ends, color=fill, edgecolor=OUTLINE, linewidth=0.6)
    axes.plot(on, forecasts["depth_in_p50"], color=OUTLINE, linewidth=2.2)
    _mondays(axes, forecasts["on"])
    axes.set_xlabel("expected, if nobody pumps")


def _number(days: Any) -> npt.NDArray[np.float64]:
    """Return days as numbers to draw by."""
    told = pd.DatetimeIndex(days)
    return np.asarray((told - pd.Timestamp("1970-01-01")).days, dtype=np.float64)


def _days(axes: Axes, ends: pd.DatetimeIndex, named: pd.DatetimeIndex, form: str) -> None:
    """Set the span of the days, and which of them are named."""
    low, high = _number(ends)
    axes.set_xlim(low, high)
    axes.set_xticks(_number(named).tolist(), [f"{day:{form}}" for day in named])


def _mondays(axes: Axes, on: pd.Series[Any]) -> None:
    days = pd.DatetimeIndex(on)
    _days(axes, days[[0, -1]], days[days.day_of_week == 0], "%-d %b")


def _gallons(axes: Axes, room: dict[str, Any]) -> None:
    per_in = room.get("gal_per_in")
    if per_in is None:
        return
    right = axes.secondary_yaxis(
        "right", functions=(lambda depth: depth * per_in, lambda gallons: gallons / per_in)
    )
    right.set_ylabel("gal")


def _name_lines(axes: Axes, room: dict[str, Any]) -> None:
    for name, words in (("working_depth_in", "pump from here"), ("depth_in", "full")):
        level = room.get(name)
        if level is not None:
            axes.annotate(
                words, (0.99, level), xycoords=("axes fraction", "data"), ha="right", va="bottom",
                fontsize=9.5,
            )  # fmt: skip


def refill_picture(curve: pd.DataFrame, hold_hours: float | None) -> str:
    """Return the chance that a vault stays workable, by hours since it was pumped dry.

    Parameters
    ----------
    curve
        hours and prob_workable, in order.
    hold_hours
        Time that the schedule gives a crew to come; a dashed line.
    """
    with drawing(3.9, 3.0) as (figure, buffer):
        axes = figure.add_subplot()
        hours = curve["hours"].to_numpy(float)
        chance = curve["prob_workable"].to_numpy(float)
        axes.fill_between(hours, 0, chance, color=SEQUENTIAL[1])
        axes.plot(hours, chance, color=OUTLINE, linewidth=2.2)
        if hold_hours is not None and hold_hours <= hours.max():
            axes.axvline(hold_hours, color=OUTLINE, linewidth=1.4, linestyle=(0, (5, 3)))
            axes.annotate(
                f"the plan's hold, {hold_hours:g} h", (1.15 * hold_hours, 0.04), rotation=90,
                ha="left", va="bottom", fontsize=9.5,
            )  # fmt: skip
        axes.set_ylim(0, 1.03)
        axes.set_xlim(0, hours.max())
        axes.yaxis.set_major_formatter(lambda value, _: f"{100 * value:.0f} %")
        axes.set_xlabel("hours after it was pumped dry")
        axes.set_ylabel("chance it is still workable")
        axes.grid(color=_RULE)
        axes.set_axisbelow(True)
    return buffer.getvalue()


def grades_picture(forecasts: pd.DataFrame) -> str:
    """Return the chance of each grade by day, stacked: prob_clear, prob_light, prob_heavy."""
    with drawing(3.9, 3.0) as (figure, buffer):
        axes = figure.add_subplot()
        on, low = _number(forecasts["on"]), np.zeros(len(forecasts))
        for grade in GRADES:
            share = forecasts[f"prob_{grade}"].to_numpy(float)
            axes.fill_between(
                on, low, low + share, facecolor=GRADE_COLOURS[grade],
                edgecolor="#FFFFFF" if grade != "clear" else OUTLINE, hatch=_HATCHES[grade],
                linewidth=0.0,
            )  # fmt: skip
            low = low + share
            axes.plot(on, low, color=OUTLINE, linewidth=1.0)
        axes.set_ylim(0, 1)
        _mondays(axes, forecasts["on"])
        axes.yaxis.set_major_formatter(lambda value, _: f"{100 * value:.0f} %")
        axes.set_ylabel("chance, if there is water")
        axes.tick_params(colors=OUTLINE)
        axes.spines["left"].set_color(SOFT)
    return buffer.getvalue()
