"""Pictures of how good forecasts were, as SVG text: no script, no network, legible in grey."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from vaultplan.outputs.drawn.plots import MARKS, SOFT, drawing
from vaultplan.styles import GRADE_COLOURS, GRADE_GLYPHS, OUTLINE, SEQUENTIAL

OWN: Final = SEQUENTIAL[4]
#: Groups by looks before, each with a mark of its own; the first is all of them.
_GROUP_MARKS: Final = (("o", OWN), ("D", "#FFFFFF"), ("s", SEQUENTIAL[1]), ("^", SEQUENTIAL[3]))
#: Mark and dashes of each method's line, the forecast's first.
_LINES: Final[tuple[tuple[str, Any], ...]] = (
    *(("o", "solid"), ("s", (0, (5, 2))), ("^", (0, (1, 1.5)))),
    *(("D", (0, (6, 2, 1, 2))), ("v", (0, (3, 1))), ("P", (0, (8, 3)))),
)
#: Normal quantile of 90 % intervals.
Z_90: Final = 1.645


def shares_picture(shares: pd.DataFrame, rivals: Sequence[str], groups: Sequence[str]) -> str:
    """Return the forecast's error as a share of each rival's, all and by looks before.

    Parameters
    ----------
    shares
        ``method`` (the rival), ``group``, ``value``, ``low``, ``high``.
    rivals
        From top to bottom.
    groups
        As many as there are marks at most; the first is drawn largest.
    """
    with drawing(7.4, 1.5 + 0.72 * len(rivals)) as (figure, buffer):
        axes = figure.add_subplot()
        by = {(told["method"], told["group"]): told for told in shares.to_dict("records")}
        reach = 1.0
        for row, rival in enumerate(rivals):
            for place, group in enumerate(groups):
                told = by.get((rival, group))
                if told is None or not np.isfinite(told["value"]):
                    continue
                value, low, high = (float(told[name]) for name in ("value", "low", "high"))
                reach = max(reach, value, high if np.isfinite(high) else 0.0)
                y = row + 0.19 * (place - (len(groups) - 1) / 2)
                mark, fill = _GROUP_MARKS[place]
                if np.isfinite(low):
                    axes.plot([low, high], [y, y], color=OUTLINE, linewidth=1.6, zorder=2)
                label = group if row == 0 else None
                size = 9 if place == 0 else 7
                axes.plot(
                    *([value], [y]), mark, markersize=size, markerfacecolor=fill,
                    markeredgecolor=OUTLINE, label=label, zorder=3, linestyle="none",
                )  # fmt: skip
        axes.axvline(1.0, color=OUTLINE, linewidth=1.2, linestyle=(0, (5, 3)))
        axes.set_yticks(range(len(rivals)), rivals)
        axes.set_ylim(len(rivals) - 0.45, -0.55)
        axes.set_xlim(0.0, min(reach * 1.08, 2.0))
        axes.set_xlabel("error of the forecast, as a share of the simpler rule's")
        axes.grid(axis="x", color="#D8D4CA")
        axes.set_axisbelow(True)
        _legend(figure, axes, len(groups))
    return buffer.getvalue()


def pit_picture(counts: Sequence[int]) -> str:
    """Return how often what was found fell into each tenth of the forecast.

    Bars would all be as high as the dashed line; between the dotted lines nine of ten bars of a
    right forecast end by chance alone.
    """
    with drawing(3.7, 2.7) as (figure, buffer):
        axes = figure.add_subplot()
        total, bins = int(sum(counts)), len(counts)
        share = np.array(counts) / max(total, 1)
        edges = np.arange(bins) / bins
        axes.bar(
            edges,
            share,
            1 / bins,
            align="edge",
            color=SEQUENTIAL[1],
            edgecolor=OUTLINE,
            linewidth=1,
        )
        axes.axhline(1 / bins, color=OUTLINE, linewidth=1.2, linestyle=(0, (5, 3)))
        if total:
            by_chance = Z_90 * np.sqrt((1 - 1 / bins) / bins / total)
            for edge in (1 / bins - by_chance, 1 / bins + by_chance):
                axes.axhline(edge, color=OUTLINE, linewidth=1.0, linestyle=(0, (1, 2)))
        axes.set_xlim(0, 1)
        axes.set_ylim(0, max(0.2, float(share.max(initial=0)) * 1.1))
        axes.set_xticks([0, 0.5, 1], ["less than\nforecast", "middle", "more than\nforecast"])
        axes.yaxis.set_major_formatter(_percent)
        axes.set_ylabel("share of looks")
    return buffer.getvalue()


def reliability_picture(table: pd.DataFrame, event: str = "") -> str:
    """Return how often an event happened where it was given about the same chance.

    ``table`` has ``from_frac``, ``to_frac``, ``points``, ``forecast_frac``, ``happened_frac``,
    ``low_frac`` and ``high_frac``. An event named as a grade is drawn in its colour and glyph.
    """
    fill = GRADE_COLOURS.get(event, OWN)
    mark = MARKS[GRADE_GLYPHS[event]] if event in GRADE_GLYPHS else "o"
    with drawing(3.7, 3.9) as (figure, buffer):
        top, bottom = figure.subplots(2, 1, height_ratios=[4, 1], sharex=True)
        x, y = table["forecast_frac"].to_numpy(float), table["happened_frac"].to_numpy(float)
        top.plot([0, 1], [0, 1], color=OUTLINE, linewidth=1.2, linestyle=(0, (5, 3)))
        for at, low, high in zip(x, table["low_frac"], table["high_frac"], strict=True):
            top.plot([at, at], [low, high], color=OUTLINE, linewidth=1.4, zorder=2)
        top.plot(
            *(x, y), marker=mark, markersize=8, markerfacecolor=fill, markeredgecolor=OUTLINE,
            color=SOFT, linewidth=0.8, zorder=3,
        )  # fmt: skip
        top.set_xlim(-0.02, 1.02)
        top.set_ylim(-0.03, 1.03)
        top.set_yticks([0, 0.25, 0.5, 0.75, 1])
        top.yaxis.set_major_formatter(_percent)
        top.set_ylabel("happened")
        top.grid(color="#D8D4CA")
        top.set_axisbelow(True)
        low, points = table["from_frac"].to_numpy(float), table["points"].to_numpy(float)
        width = (table["to_frac"] - table["from_frac"]).to_numpy(float)
        bottom.bar(
            low, points, width, align="edge", color=SEQUENTIAL[0], edgecolor=OUTLINE, linewidth=0.9
        )
        bottom.set_ylabel("looks")
        bottom.set_ylim(0, max(float(points.max(initial=1)) * 1.15, 1))
        bottom.yaxis.set_major_locator(mpl.ticker.MaxNLocator(2, integer=True))
        bottom.set_xticks([0, 0.25, 0.5, 0.75, 1])
        bottom.xaxis.set_major_formatter(_percent)
        bottom.set_xlabel("chance that was given")
    return buffer.getvalue()


def ahead_picture(errors: pd.DataFrame, methods: Sequence[str], groups: Sequence[str]) -> str:
    """Return the mean error of each method by days ahead.

    ``errors`` has ``method``, ``group``, ``value``, ``low`` and ``high``; the first of
    ``methods`` is the forecast's.
    """
    with drawing(7.4, 3.6) as (figure, buffer):
        axes = figure.add_subplot()
        by = {(told["method"], told["group"]): told for told in errors.to_dict("records")}
        for place, method in enumerate(methods):
            values = [by.get((method, group), {"value": np.nan})["value"] for group in groups]
            axes.plot(
                *(range(len(groups)), values), marker=_LINES[place][0], linestyle=_LINES[place][1],
                color=OWN if place == 0 else SOFT, linewidth=2.4 if place == 0 else 1.3,
                markersize=8 if place == 0 else 6, markeredgecolor=OUTLINE,
                markerfacecolor=OWN if place == 0 else "#FFFFFF", label=method,
            )  # fmt: skip
        for at, group in enumerate(groups):
            told = by.get((methods[0], group))
            if told is not None and np.isfinite(told["low"]):
                ends = [float(told["low"]), float(told["high"])]
                axes.plot([at, at], ends, color=OUTLINE, linewidth=1.6)
        axes.set_xticks(range(len(groups)), groups)
        axes.set_xlim(-0.3, len(groups) - 0.7)
        axes.set_ylim(bottom=0)
        axes.set_ylabel("mean error (CRPS), in")
        axes.set_xlabel("how far ahead")
        axes.grid(axis="y", color="#D8D4CA")
        axes.set_axisbelow(True)
        _legend(figure, axes, 3)
    return buffer.getvalue()


def _percent(value: float, _place: object = None) -> str:
    return f"{100 * value:.0f} %"


def _legend(figure: Figure, axes: Axes, columns: int) -> None:
    handles, labels = axes.get_legend_handles_labels()
    if handles:
        figure.legend(
            *(handles, labels), loc="outside upper left", ncols=columns, frameon=False,
            handletextpad=0.4, columnspacing=1.4,
        )  # fmt: skip
