"""A plan made again after something happened: rain, a truck down, orders, results."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any, Final, cast

import geopandas as gpd
import numpy as np
import pandas as pd

from vaultplan import schema, week
from vaultplan.discharge.rain import gauges_with_outlook, wet_members
from vaultplan.errors import OutputError, ScheduleError, SettingsError
from vaultplan.keeping import program_version
from vaultplan.loading import OnStep, is_same_file, silent
from vaultplan.outputs.publish import LAYERS, check_folder, write_outputs
from vaultplan.provisions import JobDraws
from vaultplan.schedule.changes import cost_of_change, plan_changes
from vaultplan.schedule.regret import regrets
from vaultplan.settings import Settings
from vaultplan.spread import Offer, Replanning, solve_each
from vaultplan.store.database import Database, open_database
from vaultplan.store.read import read_table

#: Days in doubt of which each is tried on hold alone, then all together.
_MOST_DOUBTFUL: Final = 3
AS_IT_STANDS: Final = "as the outlook stands"


@dataclass(frozen=True, slots=True)
class Replanned:
    """A plan made from another: what changed, what that costs, and what else was weighed."""

    plan_id: str
    replaces: str
    as_of: pd.Timestamp
    time_zone: str
    frames: schema.Frames
    changes: pd.DataFrame
    cost: dict[str, float]
    weighed: pd.DataFrame
    written: tuple[Path, ...]


def replan(
    location: str,
    *,
    out: Path,
    plan_id: str | None = None,
    as_of: pd.Timestamp | None = None,
    down: Sequence[str] = (),
    choose: str | None = None,
    begin: pd.DataFrame | None = None,
    seed: int = 1,
    made_at: pd.Timestamp | None = None,
    settings: Settings,
    on_step: OnStep = silent,
) -> Replanned:
    """Make a stored plan again for the days still to come, store it and write every output.

    Parameters
    ----------
    location
        The database, with what has happened since loaded: rain outlook, orders, visits, trucks.
    out
        Folder of the outputs.
    plan_id
        Plan to start from; the latest that counts if none.
    as_of
        Last day whose results are known; where the data end if none.
    down
        Trucks that are out, as ``TRUCK`` for the rest of the week or ``TRUCK@YYYY-MM-DD``.
    choose
        Name of the alternative to take; the least regretted if none.
    begin
        Table ``plan_stops`` to start from in place of that plan's own: those of a draft.
    seed, made_at, settings, on_step
        As in :func:`vaultplan.pipeline.plan`.

    Raises
    ------
    ScheduleError
        If there is no such plan, its week is over, or the new plan breaks a limit; then nothing is
        stored.
    ConflictError
        If somebody else stored or changed a plan of the week meanwhile; then nothing is stored.
    SettingsError
        If ``down`` names no truck, or ``choose`` no alternative.
    OutputError
        If ``out`` cannot be written to, or an output would replace the database.

    Notes
    -----
    An order is done if it is no longer open, or a visit since the week began names it. What was
    planned for a day that has passed without a result is planned again. Where the outlook is in
    doubt, plans that hold each such day, and all of them, are made as well and weighed by
    :func:`vaultplan.schedule.regret.regrets`.
    """
    check_folder(out)
    if is_same_file(out / LAYERS, location):
        raise OutputError(f"{LAYERS} in {out} is the database; name another folder")
    with open_database(location) as database:
        stored = week.read_plan_versions(database)
        before = _stored(database, plan_id)
    week_of = pd.Timestamp(before["plans"]["week_of"].iloc[0])
    ahead = week.open_week(location, week_of, as_of, settings, on_step)
    # What is replaced is what was read first, not what may have come while the rest was read.
    ahead = replace(ahead, seen=week.versions_seen(stored, ahead.monday))
    frames, settings = ahead.frames, ahead.settings
    made_from = str(before["plans"]["plan_id"].iloc[0])
    done = _done(before, frames["work_orders"], ahead.monday, settings.time_zone)
    orders = frames["work_orders"]
    frames["work_orders"] = orders.assign(
        status=orders["status"].mask(orders["order_id"].isin(done), "done")
    )
    frames["trucks"] = without_trucks(frames["trucks"], down, ahead.days)
    week.judge(ahead, on_step, everywhere=True)
    new_id = week.plan_id_of(ahead, seed, made_from + ";".join(down) + (choose or ""))
    left, draws = week.choose_jobs(ahead, new_id, seed, on_step)
    to_come = before["plan_stops"]["on"] > ahead.as_of
    stops = before["plan_stops"][to_come].reset_index(drop=True)
    started = stops if begin is None else begin[begin["on"] > ahead.as_of].reset_index(drop=True)
    plans = _alternatives(ahead, before, started, left, draws, new_id, seed, on_step)
    on_step("Weigh the alternatives")
    wet = _wet(ahead, settings)
    weighed = regrets(plans, wet, frames["trucks"], settings=settings.schedule)
    name = choose or str(weighed.loc[weighed["is_chosen"], "plan"].iloc[0])
    if name not in plans:
        raise SettingsError(f"there is no alternative {name!r}; choose one of: {', '.join(plans)}")
    weighed["is_chosen"] = weighed["plan"] == name
    frames.update(plans[name])
    frames["plan_changes"] = plan_changes(
        {**before, "plan_stops": stops}, frames, done, settings=settings.schedule
    )
    moment = made_at or pd.Timestamp.now("UTC")
    week.complete(ahead, new_id, draws, seed, moment, on_step, replaces=made_from)
    week.store_checked(location, ahead, on_step)
    written = write_outputs(
        frames, out, settings=settings, on_step=on_step, program=program_version()
    )
    ahead.kept.wait()
    cost = cost_of_change(stops, frames["plan_stops"], frames["trucks"])
    return Replanned(
        new_id,
        made_from,
        ahead.as_of,
        settings.time_zone,
        frames,
        frames["plan_changes"],
        cost,
        weighed,
        written,
    )


def _stored(database: Database, plan_id: str | None) -> dict[str, pd.DataFrame]:
    plans = read_table(database, "plans").sort_values("made_at")
    counted = plans[plans["state"] == "checked"]
    if plan_id is not None:
        counted = plans[plans["plan_id"] == plan_id]
    if counted.empty:
        known = ", ".join(plans["plan_id"].tail(10)) or "none"
        named = f"no plan {plan_id}" if plan_id else "no plan"
        raise ScheduleError(
            f"there is {named} to start from (stored: {known}); make one with `vaultplan plan`"
        )
    chosen = str(counted["plan_id"].iloc[-1])
    found = {
        name: read_table(database, name, where={"plan_id": chosen})
        for name in ("plan_jobs", "plan_stops", "plan_unserved")
    }
    orders = found["plan_jobs"]["order_id"].tolist()
    columns = ["order_id", "visited_at"]
    visits = read_table(database, "visits", where={"order_id": orders}, columns=columns)
    return {**found, "plans": counted.tail(1), "visits": visits}


def _done(
    before: schema.Frames, orders: pd.DataFrame, monday: pd.Timestamp, time_zone: str
) -> set[str]:
    """Return the plan's orders that are no longer open or have a visit since the week began."""
    is_open = orders["status"].isna() | orders["status"].eq("open")
    closed = set(orders.loc[~is_open, "order_id"])
    visits = before["visits"]
    since = visits["visited_at"] >= monday.tz_localize(time_zone)
    seen = set(visits.loc[since, "order_id"].dropna())
    return set(before["plan_jobs"]["order_id"]) & (closed | seen)


def without_trucks(
    trucks: pd.DataFrame, down: Sequence[str], days: Sequence[pd.Timestamp]
) -> pd.DataFrame:
    """Return the trucks without the days on which some are out.

    Raises
    ------
    SettingsError
        If a truck is not in the table or a day is not written YYYY-MM-DD.
    """
    trucks = trucks.copy()
    for word in down:
        truck, _, day = word.partition("@")
        of = trucks["truck_id"] == truck
        if not of.any():
            raise SettingsError(f"--down {word}: there is no truck {truck}")
        try:
            out = [date.fromisoformat(day)] if day else [on.date() for on in days]
        except ValueError as error:
            raise SettingsError(f"--down {word}: write the day as YYYY-MM-DD") from error
        names = {schema.WEEKDAYS[on.weekday()] for on in out}
        at = trucks.index[of][0]
        kept = [name for name in str(trucks.loc[at, "days"]).split(";") if name not in names]
        trucks.loc[at, "days"] = ";".join(kept) or None
    return trucks


def _alternatives(
    ahead: week.Week,
    before: schema.Frames,
    stops: pd.DataFrame,
    left: pd.DataFrame,
    draws: JobDraws,
    plan_id: str,
    seed: int,
    on_step: OnStep,
) -> dict[str, dict[str, pd.DataFrame]]:
    """Return the plan as the gates stand, and those that hold each day in doubt, and all."""
    jobs = ahead.frames["plan_jobs"]
    shared = Replanning(
        stops,
        ahead.monday.date(),
        {*before["plan_jobs"]["order_id"], *before["plan_unserved"]["order_id"]},
        plan_id,
        ahead.settings.time_zone,
        ahead.travel_settings,
        seed,
    )

    def made(asked: dict[str, tuple[pd.Timestamp, ...]]) -> dict[str, dict[str, pd.DataFrame]]:
        offered = {name: _without_days(jobs, days) for name, days in asked.items()}
        offers, steps = [], []
        for name, (kept, _) in offered.items():
            is_kept = jobs["order_id"].isin(kept["order_id"]).to_numpy(bool)
            frames = {**ahead.frames, "plan_jobs": kept}
            offers.append(Offer(frames, draws.volume_gal[:, is_kept]))
            steps.append(f"Schedule {len(kept):,} jobs again, {name}")
        solved = solve_each(
            shared,
            offers,
            lambda number, stage, part: on_step(
                f"{steps[number]}: {stage}", round(100 * part), 100
            ),
        )
        plans = {}
        for (name, (kept, kept_back)), (tours, unserved) in zip(
            offered.items(), solved, strict=True
        ):
            every = [part for part in (left, kept_back, unserved) if len(part)] or [left]
            plans[name] = {
                "plan_jobs": kept,
                "plan_stops": tours,
                "plan_unserved": pd.concat(every, ignore_index=True),
            }
        return plans

    plans = made({AS_IT_STANDS: ()})
    tours = plans[AS_IT_STANDS]["plan_stops"]
    drained = set(tours.loc[tours["kind"] == "pump_out", "on"])
    doubtful = [day for day in _doubtful(ahead) if day in drained]
    held: dict[str, tuple[pd.Timestamp, ...]] = {
        f"hold {day:%Y-%m-%d}": (day,) for day in doubtful[:_MOST_DOUBTFUL]
    }
    if len(doubtful) > 1:
        held["hold all days in doubt"] = tuple(doubtful)
    return plans | made(held)


def _without_days(
    jobs: pd.DataFrame, days: Sequence[pd.Timestamp]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return jobs that discharge without some days, and those for which no day is left."""
    if not days:
        return jobs, schema.table("plan_unserved").empty()
    barred = {f"{day:%Y-%m-%d}" for day in days}
    kept = jobs["allowed_days"].map(
        lambda words: ";".join(day for day in words.split(";") if day not in barred)
    )
    drains = jobs["method"] != "vacuum_truck"
    allowed = jobs["allowed_days"].where(~drains, kept)
    shut = allowed == ""
    held = jobs.loc[shut, ["plan_id", "order_id", "vault_id"]].assign(
        outcome="held", reason=f"held on {', '.join(sorted(barred))}, in doubt of rain"
    )
    offered = jobs.assign(allowed_days=allowed)[~shut].reset_index(drop=True)
    return offered, schema.table("plan_unserved").conform(held)


def _doubtful(ahead: week.Week) -> list[pd.Timestamp]:
    """Return the days still to come that some members of the outlook make wet and some do not."""
    share: dict[pd.Timestamp, list[float]] = {}
    for (_, day), flags in _members(ahead).items():
        share.setdefault(day, []).append(float(flags.mean()))
    wanted = set(ahead.days)
    return sorted(
        day
        for day, shares in share.items()
        if day in wanted and any(0.0 < part < 1.0 for part in shares)
    )


def _members(ahead: week.Week) -> dict[tuple[str, pd.Timestamp], Any]:
    local = (ahead.as_of.normalize() + pd.Timedelta(days=1)).tz_localize(ahead.settings.time_zone)
    return wet_members(
        ahead.frames["rain_outlook"],
        known_until=local.tz_convert("UTC"),
        wet_day_in=ahead.settings.discharge.wet_day_in,
    )


def _wet(ahead: week.Week, settings: Settings) -> dict[tuple[str, pd.Timestamp], Any]:
    """Return, by vault with an order and day, whether each member makes it too wet to discharge."""
    frames = ahead.frames
    asked = frames["vaults"]["vault_id"].isin(frames["plan_jobs"]["vault_id"])
    vaults = cast(gpd.GeoDataFrame, frames["vaults"][asked])
    local = (ahead.as_of.normalize() + pd.Timedelta(days=1)).tz_localize(settings.time_zone)
    gauge = gauges_with_outlook(
        vaults,
        cast(gpd.GeoDataFrame, frames["gauges"]),
        frames["rain_outlook"],
        known_until=local.tz_convert("UTC"),
    )
    members = _members(ahead)
    wet = {}
    for vault, of in zip(vaults["vault_id"], gauge, strict=True):
        for day in ahead.days:
            flags = members.get((str(of), day))
            if flags is not None and np.any(flags):
                wet[(str(vault), day)] = flags
    return wet
