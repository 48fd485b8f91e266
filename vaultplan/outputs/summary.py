"""The week in words: what was planned, held, referred and left out, and why."""

from __future__ import annotations

import html
import re
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, Final, cast

import pandas as pd

from vaultplan import schema
from vaultplan.outputs.cautions import CAUTIONS
from vaultplan.outputs.files import whole_file
from vaultplan.outputs.plan_view import (
    local_clock,
    part,
    plan_of,
    stops_in_full,
    time_zone_of,
    unserved_in_full,
)
from vaultplan.settings import Settings

#: Discharge into such waters, or into nobody knows which, is put on the watch list.
_WATCHED: Final = ("elevated", "high", "protected", "unknown")
_OUTCOME_WORDS: Final = {
    "held": "Held",
    "referred": "Referred to the specialist",
    "not_scheduled": "Not scheduled",
    "not_possible": "Not possible",
}
_METHOD_WORDS: Final = {
    "storm_drain": "storm drain",
    "filter_sock": "filter sock",
    "vacuum_truck": "vacuum truck",
}


def write_summary(frames: schema.Frames, path: Path, *, settings: Settings) -> None:
    """Write the week's summary as Markdown.

    Raises
    ------
    OutputError
        If the folder does not exist or there is not exactly one plan.

    Notes
    -----
    Gallons of several vaults are added as expected values (means) only. Low and high values of
    single vaults are never added: rain makes their errors go together in part, so a sum of P10 or
    P90 would be a P10 or P90 of nothing.
    """
    plan = plan_of(frames)
    zone = time_zone_of(frames, settings.time_zone)
    stops, unserved = stops_in_full(frames, zone), unserved_in_full(frames)
    stops["from"] = local_clock(stops["arrive_at"], zone)
    stops["to"] = local_clock(stops["leave_at"], zone)
    utility = f"{_safe(settings.outputs.utility)}: " if settings.outputs.utility else ""
    sections = [
        [f"# {utility}week of {_day(plan['week_of'])} {plan['week_of']:%Y}"],
        _head(plan, zone.key),
        _planned(stops, part(frames, "plan_jobs")),
        _truck_days(stops, part(frames, "routes")),
        _left_out(unserved),
        _watch(stops, part(frames, "receiving_waters")),
        _low_confidence(stops),
        ["## Cautions", "", *(f"- {caution}" for caution in CAUTIONS)],
    ]
    text = "\n\n".join("\n".join(lines) for lines in sections)
    with whole_file(path) as unfinished:
        unfinished.write_text(f"{text}\n", encoding="utf-8", newline="\n")


def _head(plan: pd.Series[Any], zone: str) -> list[str]:
    made_at = plan["made_at"].tz_convert(zone)
    lines = [
        f"- Plan {_safe(plan['plan_id'])}, made {made_at:%Y-%m-%d %H:%M} ({zone})",
        f"- Knows results until {_day(plan['as_of_on'])} {plan['as_of_on']:%Y}",
        f"- Rules version {_stated(plan['rules_version'])}, "
        f"settings version {_stated(plan['settings_version'])}, seed {_stated(plan['seed'])}",
    ]
    if _stated(plan["state"]) != "checked":
        lines.append(f"- **This plan is {_stated(plan['state'])}: do not work from it.**")
    return lines


def _planned(stops: pd.DataFrame, jobs: pd.DataFrame) -> list[str]:
    crew = stops[stops["kind"].isin(["pump_out", "work"])]
    vacuum, dumps = stops[stops["kind"] == "vacuum"], stops[stops["kind"] == "dump"]
    lines = [
        "## What is planned",
        "",
        f"{_count(crew['order_id'].nunique(), 'job')} of {len(jobs):,} offered to the schedule, on "
        f"{_count(stops['on'].nunique(), 'day')} with "
        f"{_count(stops['truck_id'].nunique(), 'truck')}.",
        "",
    ]
    if len(crew):
        methods = crew.drop_duplicates("order_id")["method"].value_counts()
        listed = [f"{_METHOD_WORDS[m]} {methods[m]}" for m in schema.METHODS if m in methods.index]
        lines += [f"- Jobs by method: {', '.join(listed)}."]
        lines += [f"- {_expected(_emptying(stops))}"]
    if len(vacuum):
        lines += [
            f"- Vacuum trucks: {_count(len(vacuum), 'pick-up')}, {_count(len(dumps), 'dump trip')}."
        ]
    return lines


def _emptying(stops: pd.DataFrame) -> pd.DataFrame:
    return stops[stops["kind"].isin(["pump_out", "vacuum"])]


def _expected(stops: pd.DataFrame) -> str:
    means = stops["volume_gal_mean"].dropna()
    missing = len(stops) - len(means)
    text = (
        f"Expected water: {means.sum():,.0f} gal, a sum of expected values (means). "
        "Low and high values of single vaults must not be added; they stand in plan.csv."
    )
    if missing:
        text += f" {_count(missing, 'stop')} without an expected value not counted."
    return text


def _truck_days(stops: pd.DataFrame, routes: pd.DataFrame) -> list[str]:
    driven = {(way["on"], way["truck_id"]): way for _, way in routes.iterrows()}
    rows = []
    for key, day in stops.groupby(["on", "truck_id"], sort=True):
        on, truck = cast("tuple[pd.Timestamp, str]", key)
        way = driven.get((on, truck))
        water = _emptying(day)["volume_gal_mean"]
        rows.append(
            (
                _day(on),
                truck,
                len(day),
                f"{day['from'].iloc[0]}-{day['to'].iloc[-1]}",
                _number(way["drive_minutes"] if way is not None else day["drive_minutes"].sum()),
                _number(way["drive_mi"] if way is not None else None, 1),
                _number(water.sum() if water.notna().any() else None),
                _number(day["socks"].sum()),
            )
        )
    heads = ("Day", "Truck", "Stops", "First-last", "Drive, min", "Drive, mi")
    return [
        "## Trucks and days",
        "",
        *_table((*heads, "Expected water, gal", "Socks"), rows, "No truck has a stop."),
    ]


def _left_out(unserved: pd.DataFrame) -> list[str]:
    lines = ["## What is not in the week, and why", ""]
    counts = unserved["outcome"].value_counts()
    told = [f"{words.lower()} {counts.get(key, 0)}" for key, words in _OUTCOME_WORDS.items()]
    lines += [f"{', '.join(told)}.".capitalize(), ""]
    rows = [
        (
            _OUTCOME_WORDS[row["outcome"]],
            row["order_id"],
            row["vault_id"],
            row["address"],
            _day(row["due_on"]),
            row["reason"],
        )
        for _, row in unserved.iterrows()
    ]
    heads = ("Outcome", "Order", "Vault", "Address", "Due", "Why, and what would free it")
    return lines + _table(heads, rows, "Every order offered is in the week.")


def _watch(stops: pd.DataFrame, waters: pd.DataFrame) -> list[str]:
    names = waters.set_index("water_id")["name"]
    drained = stops[stops["kind"].eq("pump_out") & stops["sensitivity"].isin(_WATCHED)]
    rows = [
        (
            _day(row["on"]),
            row["truck_id"],
            row["from"],
            row["vault_id"],
            _METHOD_WORDS.get(row["method"], row["method"]),
            row["outfall_id"],
            _waters(row["waters_passed"], names),
            row["sensitivity"],
        )
        for _, row in drained.iterrows()
    ]
    heads = ("Day", "Truck", "From", "Vault", "Method", "Outfall", "Waters", "Sensitivity")
    return [
        "## Watch: discharges toward sensitive or unknown waters",
        "",
        *_table(heads, rows, "None is planned."),
    ]


def _low_confidence(stops: pd.DataFrame) -> list[str]:
    unsure = _emptying(stops)
    unsure = unsure[unsure["confidence"].eq("low") | unsure["confidence"].isna()]
    rows = [
        (
            _day(row["on"]),
            row["truck_id"],
            row["vault_id"],
            _band(row),
            row["forecast_reason"],
        )
        for _, row in unsure.iterrows()
    ]
    heads = ("Day", "Truck", "Vault", "Water low - middle - high, gal", "Rests on")
    return [
        "## Watch: forecasts to trust least",
        "",
        *_table(heads, rows, "No planned stop rests on a forecast of low confidence."),
    ]


def _waters(passed: Any, names: pd.Series[Any]) -> str:
    if not isinstance(passed, str) or not passed:
        return "not known"
    return ", then ".join(str(names.get(water, water)) for water in passed.split(";"))


def _band(row: pd.Series[Any]) -> str:
    return " - ".join(_number(row[f"volume_gal_p{percent}"]) for percent in (10, 50, 90))


def _table(heads: Sequence[str], rows: Iterable[Sequence[Any]], without: str) -> list[str]:
    lines = [f"| {' | '.join(_safe(cell) for cell in row)} |" for row in rows]
    if not lines:
        return [without]
    return [f"| {' | '.join(heads)} |", "|" + "---|" * len(heads), *lines]


def _safe(cell: Any) -> str:
    """Return text that Markdown shows as it is: no tag, link, table cell or line break."""
    if cell is None or cell is pd.NaT or (not isinstance(cell, str) and pd.isna(cell)):
        return ""
    text = html.escape(" ".join(str(cell).split()), quote=False)
    return re.sub(r"([\\`*\[\]|~])|(?<![0-9A-Za-z])(_)|(_)(?![0-9A-Za-z])", r"\\\g<0>", text)


def _day(on: Any) -> str:
    return "" if pd.isna(on) else f"{on:%a} {on.day} {on:%b}"


def _number(value: Any, decimals: int = 0) -> str:
    return "" if value is None or pd.isna(value) else f"{value:,.{decimals}f}"


def _count(number: int, thing: str) -> str:
    return f"{number:,} {thing}{'' if number == 1 else 's'}"


def _stated(value: Any) -> str:
    return "not stated" if pd.isna(value) else _safe(value)
