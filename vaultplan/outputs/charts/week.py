"""The week of crews and vacuum trucks: who is where when, a row per truck and a chart per day."""

from __future__ import annotations

import html
from pathlib import Path
from typing import Any, Final

import pandas as pd

from vaultplan import schema
from vaultplan.outputs.cautions import CAUTIONS
from vaultplan.outputs.files import whole_file
from vaultplan.outputs.labels import printable
from vaultplan.outputs.pages.html import section, table
from vaultplan.outputs.pages.seal import filled, own_text
from vaultplan.outputs.plan_view import part, plan_of, stops_in_full, time_zone_of
from vaultplan.settings import Settings
from vaultplan.styles import DIVERGING, GRADE_COLOURS, METHOD_GRADES, OUTLINE

WIDE: Final = 1120
_LEFT: Final = 92
_ROW: Final = 40
_TOP: Final = 26
_BAR: Final = 22
_SOFT: Final = "#57524A"
_DUMP: Final = DIVERGING[6]
#: The glyph of the grade whose colour a bar has: no meaning hangs on colour alone.
_MARKS: Final = {
    GRADE_COLOURS["clear"]: "\u25cf",
    GRADE_COLOURS["light"]: "\u25a0",
    GRADE_COLOURS["heavy"]: "\u25b2",
}
_KINDS: Final = {
    "pump_out": "pump out, then work",
    "work": "work after the vacuum truck",
    "vacuum": "take the water away",
    "dump": "dump",
}

Row = dict[str, Any]


def write_week_chart(frames: schema.Frames, path: Path, *, settings: Settings) -> None:
    """Write the week's chart as one page that works with no network, a chart per day.

    Parameters
    ----------
    frames
        Tables of one plan: ``plans``, ``plan_stops``, ``plan_jobs``, ``trucks``, ``plan_unserved``.
    path
        Page to write; one that is there is replaced, whole or not at all.
    settings
        For the time zone and the utility's name.

    Raises
    ------
    OutputError
        If the folder does not exist or there is not exactly one plan.

    Notes
    -----
    Each chart has its rows as a table below it, for readers who cannot see it. Times are local.
    The page holds no script; the same plan gives the same bytes.
    """
    plan, zone = plan_of(frames), time_zone_of(frames, settings.time_zone)
    stops = stops_in_full(frames, zone)
    for name in ("arrive", "start", "leave"):
        local = stops[f"{name}_at"].dt.tz_convert(zone).dt.tz_localize(None)
        stops[name] = (local - stops["on"]).dt.total_seconds() / 3600.0
    trucks: dict[str, Row] = {
        str(row["truck_id"]): {str(key): value for key, value in row.items()}
        for row in part(frames, "trucks").to_dict("records")
    }
    holds = _holds(stops, part(frames, "plan_jobs"))
    days = [(pd.Timestamp(str(on)), mine) for on, mine in stops.groupby("on", sort=True)]
    left = part(frames, "plan_unserved")["outcome"].value_counts()
    kept_out = ", ".join(f"{count:,} {str(name).replace('_', ' ')}" for name, count in left.items())
    title = f"Week of {_day(plan['week_of'])} {plan['week_of']:%Y}: crews and trucks"
    links = "".join(f'<a href="#{on:%Y-%m-%d}">{_day(on)}</a>' for on, _ in days)
    parts = {
        "title": html.escape(title),
        "style": own_text("pages/plain.css") + own_text("charts/week.css"),
        "about": html.escape(
            f"{settings.outputs.utility + ': ' if settings.outputs.utility else ''}"
            f"plan {plan['plan_id']}, {plan['state']}; times local ({settings.time_zone}). "
            + (f"Not in the week: {kept_out}." if kept_out else "Every order is in the week.")
        ),
        "invented": "",
        "nav": f'<nav aria-label="Days">{links}</nav>{_legend()}',
        "sections": "\n".join(_section(on, mine, trucks, holds) for on, mine in days)
        or "<p>No stop is planned.</p>",
        "cautions": html.escape(" ".join(CAUTIONS)),
    }
    with whole_file(path) as unfinished:
        text = filled(own_text("pages/plain.html"), parts)
        unfinished.write_text(text, encoding="utf-8", newline="\n")


def _holds(stops: pd.DataFrame, jobs: pd.DataFrame) -> dict[str, pd.Timestamp]:
    """Return by when the crew must begin at each order that a vacuum truck empties."""
    emptied = stops[stops["kind"].eq("vacuum")].groupby("order_id")["leave_at"].max()
    minutes = dict(zip(jobs["order_id"], jobs["refill_minutes"], strict=True))
    return {
        str(order): leave + pd.Timedelta(minutes=float(minutes[order]))
        for order, leave in emptied.items()
        if pd.notna(minutes.get(order))
    }


def _section(
    on: pd.Timestamp, stops: pd.DataFrame, trucks: dict[str, Row], holds: dict[str, pd.Timestamp]
) -> str:
    order = sorted(
        set(stops["truck_id"]),
        key=lambda name: (trucks.get(str(name), {}).get("kind") == "vacuum", str(name)),
    )
    rows: dict[str, list[Row]] = {
        str(name): [
            {str(key): value for key, value in row.items()}
            for row in stops[stops["truck_id"].eq(name)].to_dict("records")
        ]
        for name in order
    }
    drawn = day_chart(rows, trucks, holds)
    alt = f"{_day(on)}: {len(order)} trucks, {len(stops)} stops; the table below tells them."
    figure = (
        f'<div class="wide chart" tabindex="0" role="group" aria-label="{html.escape(alt)}">'
        f"{drawn}</div>"
    )
    lines = [
        (
            str(stop["truck_id"]),
            str(stop["stop_number"]),
            f"{_clock(stop['start'])} - {_clock(stop['leave'])}",
            printable(stop["site_name"] if stop["kind"] == "dump" else stop["vault_id"], 80),
            _KINDS[stop["kind"]],
            _begin_by(stop, holds),
            "" if pd.isna(stop["method"]) else str(stop["method"]).replace("_", " "),
        )
        for name in order
        for stop in rows[name]
    ]
    heads = ("Truck", "Stop", "Time", "Where", "What", "Begin before", "Water goes by")
    told = f"<details><summary>As a table</summary>{table(heads, lines, (1,))}</details>"
    return section(f"{on:%Y-%m-%d}", _day(on), figure, told)


def _begin_by(stop: Row, holds: dict[str, pd.Timestamp]) -> str:
    hold = holds.get(str(stop["order_id"]))
    if stop["kind"] != "work" or hold is None:
        return ""
    hours = stop["start"] + (hold - stop["start_at"]).total_seconds() / 3600.0
    return _clock(hours) if hours < 24.0 else f"{_clock(hours - 24.0)} next day"


def day_chart(
    rows: dict[str, list[Row]], trucks: dict[str, Row], holds: dict[str, pd.Timestamp]
) -> str:
    """Return one day as SVG: a row per truck, time to the right.

    Parameters
    ----------
    rows
        Stops of each truck in order: stop_number, kind, method, order_id, vault_id, site_name,
        arrive, start and leave (hours of the day), drive_minutes and leave_at.
    trucks
        shift_from and shift_to by truck, as HH:MM.
    holds
        By order, until when a crew may begin after the vacuum truck.
    """
    spans = [_shift(trucks.get(name, {})) for name in rows]
    every = [stop for stops in rows.values() for stop in stops]
    begins = [stop["arrive"] - float(stop["drive_minutes"] or 0.0) / 60.0 for stop in every]
    first = int(min([*begins, *(low for low, _ in spans if low is not None)]))
    ends = [stop["leave"] for stop in every]
    last = int(max([*ends, *(high for _, high in spans if high is not None)])) + 1
    per_hour = (WIDE - _LEFT - 26) / max(last - first, 1)
    high = _TOP + _ROW * len(rows) + 8

    def x(hour: float) -> float:
        return _LEFT + (hour - first) * per_hour

    parts: list[str] = []
    bars: list[str] = []
    for hour in range(first, last + 1):
        parts.append(
            f'<path d="M{x(hour):.1f} {_TOP - 4}V{high - 6}" stroke="#D8D4CA"/>'
            f'<text x="{x(hour):.1f}" y="15" text-anchor="middle">{hour:02d}:00</text>'
        )
    at: dict[tuple[str, str], tuple[float, float]] = {}
    for place, (name, stops) in enumerate(rows.items()):
        y = _TOP + _ROW * place + 8
        low, until = spans[place]
        if low is not None and until is not None:
            parts.append(
                f'<rect class="shift" x="{x(low):.1f}" y="{y - 5}" '
                f'width="{(until - low) * per_hour:.1f}" height="{_BAR + 10}" fill="#F1EEE6"/>'
            )
        label = html.escape(printable(name, 10, may_break=False))
        parts.append(f'<text x="4" y="{y + 16}" class="name">{label}</text>')
        for stop in stops:
            bars.append(_stop(stop, x, y, per_hour))
            at[str(stop["order_id"]), stop["kind"]] = (
                (x(stop["leave"]), y + _BAR) if stop["kind"] == "vacuum" else (x(stop["start"]), y)
            )
    links, marks = _links(rows, at, holds, x)
    body = "".join([*parts, *links, *bars, *marks])
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDE} {high}" width="{WIDE}" '
        f'height="{high}" font-size="13" role="img" aria-hidden="true">{body}</svg>'
    )


def _stop(stop: Row, x: Any, y: float, per_hour: float) -> str:
    """Draw the drive to a stop, the wait there and the stop."""
    drive = float(stop["drive_minutes"] or 0.0) / 60.0
    middle = y + _BAR / 2
    here = x(stop["arrive"])
    parts = [
        f'<path class="drive" d="M{here - drive * per_hour:.1f} {middle}H{here:.1f}" '
        f'stroke="{OUTLINE}" stroke-width="2.5"/>'
    ]
    if stop["start"] > stop["arrive"]:
        parts.append(
            f'<path class="wait" d="M{x(stop["arrive"]):.1f} {middle}H{x(stop["start"]):.1f}" '
            f'stroke="{_SOFT}" stroke-width="2" stroke-dasharray="2 3"/>'
        )
    fill, ink = _look(stop)
    wide = max((stop["leave"] - stop["start"]) * per_hour, 3.0)
    number = str(stop["stop_number"])
    parts.append(
        f'<rect class="stop {stop["kind"]}" x="{x(stop["start"]):.1f}" y="{y}" width="{wide:.1f}" '
        f'height="{_BAR}" fill="{fill}" stroke="{OUTLINE}"/>'
    )
    mark = _MARKS.get(fill, "")
    label = f"{mark} {number}" if mark and wide >= 9.0 * (len(number) + 2) else number
    if wide >= 9.0 * len(number):
        parts.append(
            f'<text x="{x(stop["start"]) + wide / 2:.1f}" y="{middle + 4.5}" text-anchor="middle" '
            f'fill="{ink}" font-weight="700">{label}</text>'
        )
    return "".join(parts)


def _look(stop: Row) -> tuple[str, str]:
    """Return fill and letter colour of a stop's bar."""
    if stop["kind"] == "dump":
        return _DUMP, "#FFFFFF"
    if stop["kind"] == "work":
        return "#FFFFFF", OUTLINE
    method = "vacuum_truck" if stop["kind"] == "vacuum" else stop["method"]
    grade = METHOD_GRADES.get(str(method), "unknown")
    return GRADE_COLOURS[grade], "#FFFFFF" if grade in ("light", "heavy") else OUTLINE


def _links(
    rows: dict[str, list[Row]],
    at: dict[tuple[str, str], tuple[float, float]],
    holds: dict[str, pd.Timestamp],
    x: Any,
) -> tuple[list[str], list[str]]:
    """Join the vacuum truck's stop and the crew's at one order; mark until when it may begin."""
    links: list[str] = []
    marks: list[str] = []
    for stops in rows.values():
        for stop in stops:
            order = str(stop["order_id"])
            if stop["kind"] != "work":
                continue
            end = at[order, "work"]
            hold = holds.get(order)
            if hold is not None:
                later = stop["start"] + (hold - stop["start_at"]).total_seconds() / 3600.0
                if later < 24.0:
                    marks.append(
                        f'<path class="hold" d="M{x(later):.1f} {end[1] - 4}v{_BAR + 8}" '
                        f'stroke="{OUTLINE}" stroke-width="2" stroke-dasharray="4 2"/>'
                    )
            begin = at.get((order, "vacuum"))
            if begin is not None:
                middle = (begin[1] + end[1]) / 2
                links.append(
                    f'<path class="link" d="M{begin[0]:.1f} {begin[1]}C{begin[0]:.1f} {middle} '
                    f'{end[0]:.1f} {middle} {end[0]:.1f} {end[1]}" fill="none" '
                    f'stroke="{DIVERGING[0]}" stroke-width="1.6"/>'
                )
    return links, marks


def _legend() -> str:
    swatches = [
        *(
            (f'<rect width="26" height="16" x="1" y="1" fill="{GRADE_COLOURS[grade]}" '
             f'stroke="{OUTLINE}"/><text x="14" y="14" text-anchor="middle" font-size="13" '
             f'fill="{ink}">{_MARKS[GRADE_COLOURS[grade]]}</text>', words)
            for grade, ink, words in (
                ("clear", OUTLINE, "pumped to the storm drain"),
                ("light", "#FFFFFF", "pumped through a filter sock"),
                ("heavy", "#FFFFFF", "vacuum truck"),
            )
        ),
        (f'<rect width="26" height="16" x="1" y="1" fill="#FFFFFF" stroke="{OUTLINE}"/>',
         "work, emptied before"),
        (f'<rect width="26" height="16" x="1" y="1" fill="{_DUMP}" stroke="{OUTLINE}"/>', "dump"),
        (f'<path d="M1 9h26" stroke="{OUTLINE}" stroke-width="2.5"/>', "driving"),
        (f'<path d="M1 9h26" stroke="{_SOFT}" stroke-width="2" stroke-dasharray="2 3"/>',
         "waiting"),
        (f'<path d="M1 16C1 8 27 10 27 2" fill="none" stroke="{DIVERGING[0]}" stroke-width="1.6"/>',
         "vacuum truck, then crew"),
        (f'<path d="M14 1v16" stroke="{OUTLINE}" stroke-width="2" stroke-dasharray="4 2"/>',
         "the crew must begin before"),
    ]  # fmt: skip
    items = "".join(
        f'<li><svg viewBox="0 0 28 18" width="28" height="18" aria-hidden="true">{mark}</svg>'
        f"{words}</li>"
        for mark, words in swatches
    )
    return f'<ul class="keys" aria-label="Marks">{items}</ul>'


def _shift(truck: Row) -> tuple[float | None, float | None]:
    ends = [truck.get(name) for name in ("shift_from", "shift_to")]
    if any(not isinstance(end, str) for end in ends):
        return None, None
    hours = [int(str(end)[:2]) + int(str(end)[3:5]) / 60 for end in ends]
    return hours[0], hours[1]


def _clock(hour: float) -> str:
    minutes = round(hour * 60)
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def _day(on: Any) -> str:
    return f"{on:%a} {on.day} {on:%b}"
