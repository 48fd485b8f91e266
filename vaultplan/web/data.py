"""What the board's pages show, read from the database and put in words."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final, TypeVar
from zoneinfo import ZoneInfo

import pandas as pd

from vaultplan.drafting import MOST_EDITS, Draft
from vaultplan.outputs.watch.words import METHOD_WORDS
from vaultplan.schema import WEEKDAYS, table
from vaultplan.store.accounts import Scope
from vaultplan.store.database import Database
from vaultplan.store.find import few_rows, find_vaults
from vaultplan.store.read import count_rows, read_table

Row = dict[str, Any]
T = TypeVar("T")

ROWS_A_PAGE: Final = 50
TRUCKS_A_PAGE: Final = 12
#: So many weeks are kept as they are shown, and so many pages of each, until somebody changes it.
_MOST_DRAFTS: Final = 3
_MOST_SHOWN: Final = 500
#: So many pictures of a vault's latest visits are shown.
_MOST_PHOTOS: Final = 1_000
_REMOVED_WORDS: Final = {**METHOD_WORDS, "none": "none removed"}
OUTCOME_WORDS: Final = {
    "held": "held",
    "referred": "referred to the specialist",
    "not_scheduled": "no room in the week",
    "not_possible": "not possible",
}
_KIND_WORDS: Final = {
    "pump_out": "pump out", "work": "work", "vacuum": "vacuum", "dump": "empty the tank",
}  # fmt: skip

#: What removes the water, in a word; a crew after a vacuum truck finds the vault dry.
_MARKS: Final = {"storm_drain": "pump", "filter_sock": "sock", "vacuum_truck": "after vacuum"}


@dataclass(frozen=True, slots=True)
class Page:
    """Some rows of a longer list: ``number`` of ``pages``, ``total`` rows in all."""

    rows: list[Row]
    number: int
    pages: int
    total: int


@dataclass(frozen=True, slots=True)
class PlannedWeek:
    """The week's plan that counts: its facts, its days, all trucks, those of crews, its jobs.

    ``jobs`` are the orders by vault.
    """

    plan_id: str
    week_of: pd.Timestamp
    as_of: pd.Timestamp
    state: str
    days: list[pd.Timestamp]
    truck_ids: tuple[str, ...]
    crew_ids: tuple[str, ...]
    orders: int
    left_out: int
    jobs: dict[str, list[Row]]


@dataclass(slots=True)
class BoardData:
    """Reads for the pages; a plan is kept in memory as long as it is the one that counts."""

    database: Database
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _making: threading.Lock = field(default_factory=threading.Lock)
    _shown: OrderedDict[int, tuple[Draft, dict[tuple[Any, ...], Any]]] = field(
        default_factory=OrderedDict
    )
    _weeks: dict[tuple[str, int], tuple[PlannedWeek, dict[str, pd.DataFrame]]] = field(
        default_factory=dict
    )

    @property
    def zone(self) -> ZoneInfo:
        """Time zone of the database."""
        return ZoneInfo(self.database.time_zone)

    def plans(self) -> list[Row]:
        """Return the checked plans, latest week first, at most 200."""
        names = ["plan_id", "week_of", "as_of_on", "made_at", "state", "version"]
        plans = few_rows(
            self.database, "plans", {"state": "checked"}, columns=names, latest_by="week_of",
            most=200,
        )  # fmt: skip
        return sorted(plans, key=lambda plan: (plan["week_of"], plan["made_at"]), reverse=True)

    def week(self, plan_id: str | None = None) -> PlannedWeek | None:
        """Return the plan asked for, or the latest week's; none if there is none."""
        found = self._planned(plan_id)
        return None if found is None else found[0]

    def grid(self, week: PlannedWeek, draft: Draft, number: int) -> Page:
        """Return some trucks by the days of a week: the orders of each, as the draft has them."""
        key = ("grid", number)
        return self.once(draft, key, lambda: self._grid(week, draft, number))

    def once(self, draft: Draft, key: tuple[Any, ...], make: Callable[[], T]) -> T:
        """Return what was made of a draft before, or make it: many look at the same week."""
        with self._lock:
            # The draft itself is held beside, so that no other one can have its number.
            _, shown = self._shown.setdefault(id(draft), (draft, {}))
            self._shown.move_to_end(id(draft))
            while len(self._shown) > _MOST_DRAFTS:
                self._shown.popitem(last=False)
            if key in shown:
                found: T = shown[key]
                return found
        # One at a time: who asks for the same meanwhile waits for it instead of making it too.
        with self._making:
            if key in shown:
                made: T = shown[key]
                return made
            made = make()
            if len(shown) < _MOST_SHOWN:
                shown[key] = made
        return made

    def _grid(self, week: PlannedWeek, draft: Draft, number: int) -> Page:
        stops, jobs = draft.frames["plan_stops"], draft.frames["plan_jobs"]
        trucks = sorted({*week.truck_ids, *stops["truck_id"]})
        pages = max(1, -(-len(trucks) // TRUCKS_A_PAGE))
        number = min(max(number, 1), pages)
        some = trucks[(number - 1) * TRUCKS_A_PAGE : number * TRUCKS_A_PAGE]
        shown = stops[stops["truck_id"].isin(some)].merge(
            jobs[["order_id", "method", "task", "gate"]], on="order_id", how="left"
        )
        shown = shown.sort_values(["truck_id", "on", "stop_number"])
        shown["at"] = shown["arrive_at"].dt.tz_convert(self.zone).dt.strftime("%H:%M")
        shown["until"] = shown["leave_at"].dt.tz_convert(self.zone).dt.strftime("%H:%M")
        shown["words"] = shown["kind"].map(_KIND_WORDS)
        shown["mark"] = shown["method"].map(_MARKS).fillna("")
        shown["moves"] = shown["kind"].isin(["pump_out", "work"])
        shown["is_pinned"] = shown["order_id"].isin(draft.pinned)
        moved = set(draft.changes["order_id"])
        shown["is_moved"] = shown["order_id"].isin(moved)
        cells: dict[tuple[str, pd.Timestamp], list[Row]] = {}
        for row in rows_of(shown):
            cells.setdefault((row["truck_id"], row["on"]), []).append(row)
        rows: list[Row] = [
            {
                "truck_id": truck,
                "is_crew": truck in week.crew_ids,
                "cells": [
                    {"on": f"{day:%Y-%m-%d}", "stops": cells.get((truck, day), [])}
                    for day in week.days
                ],
            }
            for truck in some
        ]
        return Page(rows, number, pages, len(trucks))

    def changes(self, draft: Draft) -> list[Row]:
        """Return what the draft changes of the stored plan, order by order."""
        return self.once(draft, ("changes",), lambda: rows_of(draft.changes))

    def day(self, draft: Draft, truck_id: str, on: str) -> list[Row] | None:
        """Return the stops of a truck's day in order; none if the draft has no such day."""
        stops, jobs = draft.frames["plan_stops"], draft.frames["plan_jobs"]
        mine = stops[stops["truck_id"].eq(truck_id) & stops["on"].dt.strftime("%Y-%m-%d").eq(on)]
        if mine.empty:
            return None
        return self._told(mine, jobs)

    def _told(self, mine: pd.DataFrame, jobs: pd.DataFrame) -> list[Row]:
        """Return stops with what is expected of them, in the order they are made."""
        names = ["order_id", "task", "method", "gate", "volume_gal_p10", "volume_gal_p50"]
        names += ["volume_gal_p90", "reason"]
        told = mine.sort_values(["on", "stop_number"]).merge(
            jobs[names], on="order_id", how="left", validate="many_to_one"
        )
        for name in ("arrive_at", "leave_at"):
            told[name] = told[name].dt.tz_convert(self.zone).dt.strftime("%H:%M")
        told["kind"] = told["kind"].map(_KIND_WORDS)
        told["method"] = told["method"].map(METHOD_WORDS)
        return rows_of(told)

    def left_out(self, draft: Draft, outcome: str, number: int) -> Page:
        """Return the orders left out of a week, those of one outcome if it is named."""
        key = ("left", outcome if outcome in OUTCOME_WORDS else "", number)
        return self.once(draft, key, lambda: self._left_out(draft, outcome, number))

    def _left_out(self, draft: Draft, outcome: str, number: int) -> Page:
        jobs = draft.frames["plan_jobs"][["order_id", "task", "method", "rank", "due_on"]]
        rows = draft.frames["plan_unserved"].merge(jobs, on="order_id", how="left")
        rows = rows.sort_values(["rank", "order_id"], na_position="last", ignore_index=True)
        rows["outcome_words"] = rows["outcome"].map(OUTCOME_WORDS)
        if outcome in OUTCOME_WORDS and len(rows):
            rows = rows[rows["outcome"].eq(outcome)]
        return page_of(rows, number)

    def find(self, text: str) -> list[Row]:
        """Return vaults whose id or address begins with a text."""
        return find_vaults(self.database, text, most=ROWS_A_PAGE)

    def vault(self, vault_id: str) -> Row | None:
        """Return a vault's facts, visits, orders and planned stops; none if it is not known."""
        asked = {"vault_id": vault_id}
        facts = few_rows(self.database, "vaults", asked, most=1)
        if not facts:
            return None
        visits = few_rows(self.database, "visits", asked, latest_by="visited_at", most=ROWS_A_PAGE)
        of_visits = {"visit_id": [visit["visit_id"] for visit in visits]}
        taken = few_rows(
            self.database, "photos", of_visits, columns=["visit_id", "photo_id"], most=_MOST_PHOTOS
        ) if visits else []  # fmt: skip
        photos: dict[Any, list[str]] = {}
        for row in taken:
            photos.setdefault(row["visit_id"], []).append(str(row["photo_id"]))
        for visit in visits:
            visit["when"] = f"{visit['visited_at'].astimezone(self.zone):%Y-%m-%d %H:%M}"
            visit["removed"] = _REMOVED_WORDS.get(str(visit["disposal"]))
            visit["photos"] = photos.get(visit["visit_id"], [])
        planned = self._planned(None)
        jobs = [] if planned is None else planned[0].jobs.get(vault_id, [])
        return {
            "vault_id": vault_id,
            "facts": _facts(facts[0]),
            "visits": visits,
            "visit_count": count_rows(self.database, "visits", asked),
            "orders": few_rows(self.database, "work_orders", asked, most=ROWS_A_PAGE),
            "jobs": jobs,
        }

    def edits(self) -> list[Row]:
        """Return what was asked of the next plan, by order."""
        edits = few_rows(self.database, "plan_edits", {}, most=MOST_EDITS)
        return sorted(edits, key=lambda edit: (edit["order_id"], edit["edit_id"]))

    def crew_stops(self, scope: Scope) -> list[Row]:
        """Return the published stops that a crew's link is for, in order."""
        found = self._planned(None)
        if found is None:
            return []
        stops, jobs = found[1]["plan_stops"], found[1]["plan_jobs"]
        days = stops["on"].dt.strftime("%Y-%m-%d")
        mine = stops["truck_id"].eq(scope.truck_id) & days.between(scope.first_on, scope.last_on)
        return self._told(stops[mine], jobs)

    def vault_of(self, visit_id: str) -> str:
        """Return the vault of a visit; blank if there is no such visit."""
        rows = few_rows(
            self.database, "visits", {"visit_id": visit_id}, columns=["vault_id"], most=1
        )  # fmt: skip
        return str(rows[0]["vault_id"]) if rows else ""

    def may_record(self, scope: Scope, vault_id: str) -> bool:
        """Whether a vault is one of a crew's own stops."""
        return any(stop["vault_id"] == vault_id for stop in self.crew_stops(scope))

    def history(self) -> list[Row]:
        """Return what was changed last, on the board or by repairs, and by whom."""
        changes = few_rows(
            self.database, "changes", {}, latest_by="changed_at", most=ROWS_A_PAGE
        )  # fmt: skip
        for change in changes:
            change["when"] = f"{change['changed_at'].astimezone(self.zone):%Y-%m-%d %H:%M}"
        return changes

    def choices(self, plan_id: str) -> Row:
        """Return the trucks and days of a plan that an order can be kept to or barred from."""
        found = self._planned(plan_id)
        if found is None:
            return {"trucks": [], "days": []}
        return {
            "trucks": list(found[0].crew_ids),
            "days": [f"{day:%Y-%m-%d}" for day in found[0].days],
        }

    def planned_orders(self, vault_id: str) -> list[str]:
        """Return the orders that the latest week's plan has for a vault."""
        planned = self._planned(None)
        jobs = [] if planned is None else planned[0].jobs.get(vault_id, [])
        return sorted(job["order_id"] for job in jobs)

    def _planned(self, plan_id: str | None) -> tuple[PlannedWeek, dict[str, pd.DataFrame]] | None:
        plans = [plan for plan in self.plans() if plan_id in (None, plan["plan_id"])]
        if not plans:
            return None
        plan = plans[0]
        key = (str(plan["plan_id"]), int(plan["version"] or 0))
        with self._lock:
            if key not in self._weeks:
                self._weeks.clear()
                self._weeks[key] = self._read(plan)
            return self._weeks[key]

    def _read(self, plan: Row) -> tuple[PlannedWeek, dict[str, pd.DataFrame]]:
        plan_id = str(plan["plan_id"])
        frames = {
            name: read_table(self.database, name, where={"plan_id": plan_id})
            for name in ("plan_stops", "plan_jobs", "plan_unserved")
        }
        trucks = read_table(self.database, "trucks", columns=["truck_id", "kind", "days"])
        monday = pd.Timestamp(plan["week_of"])
        worked = set(";".join(trucks["days"].dropna()).split(";"))
        days = [monday + pd.Timedelta(days=n) for n, name in enumerate(WEEKDAYS) if name in worked]
        crews = trucks.loc[trucks["kind"].eq("crew"), "truck_id"]
        stops, planned = frames["plan_stops"], frames["plan_jobs"]
        jobs: dict[str, list[Row]] = {}
        for job in rows_of(planned.assign(method=planned["method"].map(METHOD_WORDS))):
            jobs.setdefault(job["vault_id"], []).append(job)
        served = stops.loc[stops["kind"].isin(["pump_out", "work"]), "order_id"].nunique()
        week = PlannedWeek(
            plan_id, monday, pd.Timestamp(plan["as_of_on"]), str(plan["state"]), days,
            tuple(sorted(trucks["truck_id"])), tuple(sorted(crews)), int(served),
            len(frames["plan_unserved"]), jobs,
        )  # fmt: skip
        return week, frames


def page_of(rows: pd.DataFrame, number: int) -> Page:
    """Return one page of a table; a number beyond the last gives the last."""
    pages = max(1, -(-len(rows) // ROWS_A_PAGE))
    number = min(max(number, 1), pages)
    some = rows.iloc[(number - 1) * ROWS_A_PAGE : number * ROWS_A_PAGE]
    return Page(rows_of(some), number, pages, len(rows))


def rows_of(frame: pd.DataFrame) -> list[Row]:
    """Return rows as mappings without shapes, blanks as ``None``."""
    plain = pd.DataFrame(frame.drop(columns="geometry", errors="ignore"))
    told = plain.astype(object).where(plain.notna(), None)
    return [{str(name): value for name, value in row.items()} for row in told.to_dict("records")]


def _facts(row: Row) -> list[Row]:
    """Return a vault's columns with their meaning and unit; blank ones are told as such."""
    declared = table("vaults")
    return [
        {
            "name": column.name,
            "meaning": column.meaning,
            "value": "not stated" if row.get(column.name) is None else str(row[column.name]),
            "unit": column.unit or "",
        }
        for column in declared.columns
        if column.type != "geometry" and column.name != "vault_id"
    ]
