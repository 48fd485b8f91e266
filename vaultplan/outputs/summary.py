"""The week in words: what was planned, held, referred and left out, and why."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final, cast

import pandas as pd

from vaultplan import schema
from vaultplan.outputs.cautions import CAUTIONS
from vaultplan.outputs.files import whole_file
from vaultplan.outputs.left_out import deciding_rules, reasons_of, rule_words
from vaultplan.outputs.markdown import about, count, day, days, joined, number, safe, stated, table
from vaultplan.outputs.plan_view import (
    local_clock,
    part,
    plan_of,
    stops_in_full,
    time_zone_of,
    unserved_in_full,
)
from vaultplan.outputs.summary_watch import METHOD_WORDS, watched_waters, weak_forecasts
from vaultplan.settings import Settings

_OUTCOME_WORDS: Final = {
    "held": "held",
    "referred": "referred",
    "not_scheduled": "not scheduled",
    "not_possible": "not possible",
}

#: Tables whose absence makes a plan look safer than it is, and what cannot be seen without them.
_NEEDED: Final = {
    "rain_outlook": "no rain outlook, so no day could be held for rain",
    "concern_sites": "no places of concern, so suspect ground goes unnoticed",
    "sensitive_areas": "no sensitive areas, so every water counts as not known",
    "receiving_waters": "no receiving waters, so no path is known to its end",
    "drain_pipes": "no drain pipes, so no path is known to its end",
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
    utility = f"{safe(settings.outputs.utility)}: " if settings.outputs.utility else ""
    title = f"# {utility}week of {day(plan['week_of'])} {plan['week_of']:%Y}"
    lead = [*_warning(plan), _lead(frames, stops, unserved, plan), *_not_loaded(frames)]
    sections = [
        [title],
        ["\n\n".join(lead)],
        _figures(stops),
        _truck_days(stops, part(frames, "routes")),
        _left_out(frames, unserved, plan),
        watched_waters(stops, part(frames, "receiving_waters")),
        weak_forecasts(_emptying(stops)),
        _about(plan, zone.key),
        ["## Cautions", "", *(f"- {caution}" for caution in CAUTIONS)],
    ]
    text = "\n\n".join("\n".join(lines) for lines in sections if lines)
    with whole_file(path) as unfinished:
        unfinished.write_text(f"{text}\n", encoding="utf-8", newline="\n")


def _warning(plan: pd.Series[Any]) -> list[str]:
    state = stated(plan["state"])
    return [] if state == "checked" else [f"**This plan is {state}: do not work from it.**"]


def _not_loaded(frames: schema.Frames) -> list[str]:
    """Return what the plan could not know because nobody loaded it: silence is not all clear."""
    missing = [words for name, words in _NEEDED.items() if not len(frames.get(name, ()))]
    return [f"**Not known, because nothing was loaded:** {'; '.join(missing)}."] if missing else []


def _lead(
    frames: schema.Frames, stops: pd.DataFrame, unserved: pd.DataFrame, plan: pd.Series[Any]
) -> str:
    """Return the week in one paragraph to be read aloud."""
    served = stops.loc[stops["kind"].isin(["pump_out", "work"]), "order_id"].nunique()
    truck_days = len(stops[["truck_id", "on"]].drop_duplicates())
    said = f"{served:,} of {count(served + len(unserved), 'order')} are planned"
    if len(stops):
        said += f", on {days(stops['on'])}, with {count(stops['truck_id'].nunique(), 'truck')}"
        said += f" ({count(truck_days, 'truck-day')})"
    parts = [f"{said}."]
    if len(unserved):
        parts.append(_outcomes(unserved, plan))
    emptied = _emptying(stops)
    if emptied["volume_gal_mean"].notna().any():
        gallons = emptied.groupby(emptied["kind"] == "vacuum")["volume_gal_mean"].sum()
        parts.append(
            f"About {about(gallons.sum())} gal are expected to be removed, "
            f"{about(gallons.get(True, 0.0))} of them by vacuum truck and "
            f"{about(gallons.get(False, 0.0))} to drains; these are sums of expected values."
        )
    parts.append(_held_days(frames))
    return " ".join(part for part in parts if part)


def _outcomes(unserved: pd.DataFrame, plan: pd.Series[Any]) -> str:
    counts = unserved["outcome"].value_counts()
    phrases = {
        "held": "{} held for the whole week",
        "referred": "{} referred to the environmental specialist",
        "not_scheduled": "{} not scheduled",
        "not_possible": "{} not possible as things stand",
    }
    told = [
        phrase.format(f"{counts[outcome]:,}")
        for outcome, phrase in phrases.items()
        if outcome in counts.index
    ]
    sunday = plan["week_of"] + pd.Timedelta(days=6)
    due = int((unserved["due_on"] <= sunday).sum())
    return f"Not in the week: {joined(told)}; {due:,} of these are due by {day(sunday)}."


def _held_days(frames: schema.Frames) -> str:
    """Return on which days orders must wait, and why, as far as the gates say."""
    ordered = {*part(frames, "plan_jobs")["vault_id"], *part(frames, "plan_unserved")["vault_id"]}
    everything = part(frames, "decisions")
    decisions = everything[everything["vault_id"].isin(ordered)]
    held = decisions[decisions["gate"] == "hold"]
    if held.empty:
        return "No day of the week is on hold." if len(decisions) else ""
    by_day = held.groupby("on")["vault_id"].nunique()
    low, high = int(by_day.min()), int(by_day.max())
    many = f"{high:,}" if low == high else f"{low:,} to {high:,}"
    overridden = part(frames, "overrides")["vault_id"]
    rules = deciding_rules(everything[~everything["vault_id"].isin(overridden)], "hold")
    words = rule_words(everything)
    why = [safe(words[rule]) for rule in sorted(rules & set(words))]
    quoted = f' ("{" ".join(why)}")' if why else ""
    return f"On {days(by_day.index)} {many} vaults with an order are on hold{quoted}."


def _figures(stops: pd.DataFrame) -> list[str]:
    crew = stops[stops["kind"].isin(["pump_out", "work"])]
    vacuum, dumps = stops[stops["kind"] == "vacuum"], stops[stops["kind"] == "dump"]
    lines = []
    if len(crew):
        methods = crew.drop_duplicates("order_id")["method"].value_counts()
        listed = [f"{METHOD_WORDS[m]} {methods[m]}" for m in schema.METHODS if m in methods.index]
        lines += [f"- Orders by method: {', '.join(listed)}.", f"- {_expected(_emptying(stops))}"]
    if len(vacuum):
        lines += [
            f"- Vacuum trucks: {count(len(vacuum), 'pick-up')}, {count(len(dumps), 'dump trip')}."
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
        text += f" {count(missing, 'stop')} without an expected value not counted."
    return text


def _truck_days(stops: pd.DataFrame, routes: pd.DataFrame) -> list[str]:
    driven = {(way["on"], way["truck_id"]): way for _, way in routes.iterrows()}
    rows = []
    for key, one in stops.groupby(["on", "truck_id"], sort=True):
        on, truck = cast("tuple[pd.Timestamp, str]", key)
        way = driven.get((on, truck))
        water = _emptying(one)["volume_gal_mean"]
        rows.append(
            (
                day(on),
                truck,
                len(one),
                f"{one['from'].iloc[0]}-{one['to'].iloc[-1]}",
                number(way["drive_minutes"] if way is not None else one["drive_minutes"].sum()),
                number(way["drive_mi"] if way is not None else None, 1),
                number(water.sum() if water.notna().any() else None),
                number(one["socks"].sum()),
            )
        )
    heads = ("Day", "Truck", "Stops", "First-last", "Drive, min", "Drive, mi")
    return [
        "## Trucks and days",
        "",
        *table((*heads, "Expected water, gal", "Socks"), rows, "No truck has a stop."),
    ]


def _left_out(frames: schema.Frames, unserved: pd.DataFrame, plan: pd.Series[Any]) -> list[str]:
    lines = ["## What is not in the week, and why", ""]
    if unserved.empty:
        return [*lines, "Every order offered is in the week."]
    reasons = reasons_of(frames, unserved)
    monday = plan["week_of"]
    is_urgent = (unserved["due_on"] < monday + pd.Timedelta(days=7)).to_list()
    tally: dict[Any, list[int]] = {}
    for whys, urgent in zip(reasons, is_urgent, strict=True):
        for why in whys:
            counted = tally.setdefault(why, [0, 0])
            counted[0] += 1
            counted[1] += urgent
    outcomes = unserved["outcome"].value_counts()
    told = [f"{words} {outcomes.get(key, 0)}" for key, words in _OUTCOME_WORDS.items()]
    most_first = sorted(tally.items(), key=lambda each: (-each[1][0], each[0].name))
    lines += [f"{', '.join(told)}.".capitalize(), ""]
    if max(len(whys) for whys in reasons) > 1:
        lines[-2] += " An order may have more than one reason."
    lines += table(
        ("Reason", "Orders", "Due this week or before", "In full, and what would free it"),
        [(why.name, number, urgent, why.words) for why, (number, urgent) in most_first],
        "",
    )
    rows = sorted(
        (
            (pd.isna(row["due_on"]), row["due_on"] if pd.notna(row["due_on"]) else monday, place)
            for place, (_, row) in enumerate(unserved.iterrows())
        ),
    )
    orders = []
    for *_, place in rows:
        row = unserved.iloc[place]
        orders.append(
            (
                row["order_id"],
                row["vault_id"],
                row["address"],
                _due(row["due_on"], monday),
                _OUTCOME_WORDS[row["outcome"]],
                ", ".join(why.own_name or why.name for why in reasons[place]),
            )
        )
    heads = ("Order", "Vault", "Address", "Due", "Outcome", "Reason")
    return [*lines, "", "The orders, those due first on top:", "", *table(heads, orders, "")]


def _due(on: Any, monday: pd.Timestamp) -> str:
    return f"{day(on)}, overdue" if pd.notna(on) and on < monday else day(on)


def _about(plan: pd.Series[Any], zone: str) -> list[str]:
    made_at = plan["made_at"].tz_convert(zone)
    return [
        "## About this plan",
        "",
        f"- Plan {safe(plan['plan_id'])}, made {day(made_at)} {made_at:%Y, %H:%M} ({zone})",
        f"- Knows results until {day(plan['as_of_on'])} {plan['as_of_on']:%Y}",
        f"- Rules version {stated(plan['rules_version'])}, "
        f"settings version {stated(plan['settings_version'])}, seed {stated(plan['seed'])}",
    ]
