"""A planned week changed by hand: what a move does at once, and whether every limit still holds."""

from __future__ import annotations

import hashlib
import threading
from collections import OrderedDict
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd

from vaultplan import schema, week
from vaultplan.beside import Tell
from vaultplan.errors import ScheduleError
from vaultplan.schedule.bounds import what_was_asked
from vaultplan.schedule.build import week_model, week_places
from vaultplan.schedule.changes import plan_changes
from vaultplan.schedule.checker import Breach, check_plan
from vaultplan.schedule.clock import WeekClock
from vaultplan.schedule.model import Week
from vaultplan.schedule.replan import solve_read
from vaultplan.schedule.state import WeekState
from vaultplan.schedule.travel import TravelTimes, travel_times
from vaultplan.schedule.week import Progress, silent
from vaultplan.settings import Settings
from vaultplan.store.database import Database, open_database
from vaultplan.store.find import few_rows
from vaultplan.store.read import read_table

#: So many plans are held open: one that somebody looks up must not end what is done to another.
_MOST_OPEN: Final = 3
#: Of so many earlier states it is known what was asked, to say what came since.
_REMEMBERED: Final = 200
#: More is asked of no week.
MOST_EDITS: Final = 1_000_000
_EDIT_COLUMNS: Final = [column.name for column in schema.table("plan_edits").columns]
_PLANNED: Final = ("plan_jobs", "plan_stops", "plan_unserved")
_AROUND: Final = ("trucks", "depots", "disposal_sites", "roads")
_WORK: Final = ("pump_out", "work")
_TIMED: Final = (
    *("stop_number", "kind", "order_id", "site_id", "arrive_at", "start_at", "leave_at"),
    *("load_gal", "tank_after_gal", "socks"),
)


@dataclass(frozen=True, slots=True)
class Draft:
    """A stored plan as it would be with all that planners asked since.

    Attributes
    ----------
    revision
        Names the plan's version and everything asked: who sends a change says which one they saw.
    frames
        ``plan_jobs``, ``plan_stops`` and ``plan_unserved``.
    changes
        Table ``plan_changes`` against the stored plan.
    breaches
        Limits that it breaks, by the checker; none if it may be published.
    pinned
        Orders kept to a truck, a day or both.
    other_tours
        Truck-days whose stops or times are not those of the stored plan.
    """

    plan_id: str
    week_of: pd.Timestamp
    revision: str
    frames: schema.Frames
    changes: pd.DataFrame
    breaches: tuple[Breach, ...]
    pinned: frozenset[str]
    other_tours: int

    def place_of(self, order_id: str) -> tuple[str, str] | None:
        """Return truck and day (YYYY-MM-DD) of the crew that serves an order; none if left out."""
        stops = self.frames["plan_stops"]
        mine = stops[stops["order_id"].eq(order_id) & stops["kind"].isin(_WORK)]
        if mine.empty:
            return None
        return str(mine["truck_id"].iloc[0]), f"{mine['on'].iloc[0]:%Y-%m-%d}"

    def why_left_out(self, order_id: str) -> str:
        """Return why an order is left out; blank if it is not."""
        left = self.frames["plan_unserved"]
        words = left.loc[left["order_id"].eq(order_id), "reason"]
        return str(words.iloc[0]) if len(words) else ""


@dataclass(frozen=True, slots=True)
class _Opened:
    """A stored plan with what it takes to drive its tours again; ``empty`` has none of them."""

    version: int
    week_of: pd.Timestamp
    stored: schema.Frames
    orders: frozenset[str]
    around: schema.Frames
    places: gpd.GeoDataFrame
    travel: TravelTimes
    empty: WeekState


@dataclass(slots=True)
class Drafts:
    """The drafts of a database's plans; what does not change from move to move is kept.

    Driving times are looked up in ``folder``, where runs of the same program keep theirs.
    """

    database: Database
    settings: Settings
    folder: Path | None = None
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _opened: dict[str, _Opened] = field(default_factory=dict)
    _made: dict[str, Draft] = field(default_factory=dict)
    _solved: dict[str, Draft] = field(default_factory=dict)
    _asked_by: OrderedDict[str, frozenset[str]] = field(default_factory=OrderedDict)

    def draft(self, plan_id: str, *, edits: pd.DataFrame | None = None) -> Draft:
        """Return a plan with what was asked of it, or with other ``edits`` in its place.

        Tours of the stored plan, or of what was solved again since, are driven in their order; an
        order kept elsewhere goes into the best gap there and nothing makes room for it.

        Raises
        ------
        ScheduleError
            If there is no such plan, or it does not count any more.
        """
        # Who only looks does not wait for a move that somebody else tries.
        kept = self._made.get(plan_id) if edits is None else None
        if kept is not None and kept.revision == self._revision_now(plan_id):
            return kept
        with self._lock:
            opened = self._open(plan_id)
            asked = self._asked(opened) if edits is None else edits
            revision = revision_of(opened.version, asked)
            if edits is None:
                self._asked_by[revision] = frozenset(asked["edit_id"])
                while len(self._asked_by) > _REMEMBERED:
                    self._asked_by.popitem(last=False)
            kept = self._made.get(plan_id)
            if kept is not None and kept.revision == revision:
                return kept
            made = self._make(plan_id, opened, asked, revision, moves_others=False)
            if edits is None:
                self._made[plan_id] = made
            return made

    def crews(self, plan_id: str) -> tuple[str, ...]:
        """Return the crew trucks by name."""
        with self._lock:
            trucks = self._open(plan_id).around["trucks"]
        return tuple(sorted(trucks.loc[trucks["kind"].eq("crew"), "truck_id"]))

    def edits(self, plan_id: str) -> pd.DataFrame:
        """Return what planners asked of the orders of a plan, as ``plan_edits``."""
        with self._lock:
            return self._asked(self._open(plan_id))

    def adopt(self, solved: Draft) -> bool:
        """Take a draft of :func:`solve_draft` as what moves start from; False if it came too late.

        It is too late if the plan or what is asked of it changed meanwhile.
        """
        with self._lock:
            opened = self._open(solved.plan_id)
            if revision_of(opened.version, self._asked(opened)) != solved.revision:
                return False
            self._made[solved.plan_id] = self._solved[solved.plan_id] = solved
            return True

    def forget_solved(self, plan_id: str) -> None:
        """Go back to the tours of the stored plan."""
        with self._lock:
            self._solved.pop(plan_id, None)
            self._made.pop(plan_id, None)

    def is_solved_again(self, plan_id: str) -> bool:
        """Whether moves start from tours that were solved again and are not published."""
        return plan_id in self._solved

    def since(self, plan_id: str, revision: str) -> pd.DataFrame | None:
        """Return what was asked of a plan since a revision that somebody saw.

        None if it is not known any more what they saw, or the plan itself changed.
        """
        with self._lock:
            opened = self._open(plan_id)
            seen = self._asked_by.get(revision)
            if seen is None or not revision.startswith(f"{opened.version}-"):
                return None
            asked = self._asked(opened)
            return asked[~asked["edit_id"].isin(seen)].reset_index(drop=True)

    def solve(self, plan_id: str, *, on_progress: Progress = silent) -> Draft:
        """Return the draft with others making room, and with what was left out let in."""
        with self._lock:
            opened = self._open(plan_id)
            asked = self._asked(opened)
            revision = revision_of(opened.version, asked)
            return self._make(plan_id, opened, asked, revision, moves_others=True, tell=on_progress)

    def _open(self, plan_id: str) -> _Opened:
        names = ["state", "version", "week_of"]
        plans = few_rows(self.database, "plans", {"plan_id": plan_id}, columns=names, most=1)
        if not plans or plans[0]["state"] != "checked":
            raise ScheduleError(f"plan {plan_id} does not count any more; open the week again")
        version = int(plans[0]["version"] or 0)
        found = self._opened.get(plan_id)
        if found is None or found.version != version:
            while len(self._opened) >= _MOST_OPEN and plan_id not in self._opened:
                self._forget(next(iter(self._opened)))
            self._forget(plan_id)
            week_of = pd.Timestamp(plans[0]["week_of"])
            self._opened[plan_id] = self._read(plan_id, version, week_of)
        return self._opened[plan_id]

    def _forget(self, plan_id: str) -> None:
        for kept in (self._opened, self._made, self._solved):
            kept.pop(plan_id, None)

    def _read(self, plan_id: str, version: int, week_of: pd.Timestamp) -> _Opened:
        stored = {
            name: read_table(self.database, name, where={"plan_id": plan_id}) for name in _PLANNED
        }
        jobs = stored["plan_jobs"]
        around = {name: read_table(self.database, name) for name in _AROUND}
        for name, key in (("work_orders", "order_id"), ("vaults", "vault_id")):
            ids = jobs[key].drop_duplicates().tolist()
            around[name] = read_table(self.database, name, where={key: ids})
        places = week_places({**around, "plan_jobs": jobs})
        settings = self.settings.schedule
        if settings.travel_cache is None and self.folder is not None:
            settings = settings.model_copy(update={"travel_cache": self.folder})
        travel = travel_times(places, around["roads"], settings=settings)
        orders = frozenset(jobs["order_id"])
        model = self._model(week_of, {**around, "plan_jobs": jobs}, travel)
        empty = WeekState(model, np.random.default_rng(0))
        return _Opened(version, week_of, stored, orders, around, places, travel, empty)

    def _revision_now(self, plan_id: str) -> str | None:
        """Return the revision of a plan that is held open, read without its tables."""
        opened = self._opened.get(plan_id)
        names = ["state", "version"]
        plans = few_rows(self.database, "plans", {"plan_id": plan_id}, columns=names, most=1)
        if opened is None or not plans or plans[0]["state"] != "checked":
            return None
        names = ["edit_id", "order_id"]
        rows = few_rows(self.database, "plan_edits", {}, columns=names, most=MOST_EDITS)
        ids = [str(row["edit_id"]) for row in rows if row["order_id"] in opened.orders]
        return _revision(int(plans[0]["version"] or 0), ids)

    def _asked(self, opened: _Opened) -> pd.DataFrame:
        rows = few_rows(self.database, "plan_edits", {}, most=MOST_EDITS)
        mine = [row for row in rows if row["order_id"] in opened.orders]
        return schema.table("plan_edits").conform(pd.DataFrame(mine, columns=_EDIT_COLUMNS))

    def _make(
        self,
        plan_id: str,
        opened: _Opened,
        asked: pd.DataFrame,
        revision: str,
        *,
        moves_others: bool,
        tell: Progress = silent,
    ) -> Draft:
        jobs = opened.stored["plan_jobs"]
        jobs = jobs.assign(**what_was_asked(jobs["order_id"], asked))
        frames = {**opened.around, "plan_jobs": jobs}
        settings, zone = self.settings.schedule, self.database.time_zone
        solved = self._solved.get(plan_id)
        begin = opened.stored if solved is None else solved.frames
        stops, left = solve_read(
            self._model(opened.week_of, frames, opened.travel), opened.places,
            begin["plan_stops"], known=set(jobs["order_id"]), plan_id=plan_id, settings=settings,
            seed=1, moves_others=moves_others, like=opened.empty, tell=tell,
        )  # fmt: skip
        served = set(stops["order_id"].dropna())
        before = begin["plan_unserved"]
        gone = before["order_id"].isin(served) | before["order_id"].isin(left["order_id"])
        unserved = pd.concat([before[~gone], left], ignore_index=True)
        made = {"plan_jobs": jobs, "plan_stops": stops, "plan_unserved": unserved}
        changes = plan_changes(opened.stored, made, set(), settings=settings)
        same = _as_stored(stops, opened.stored["plan_stops"])
        breaches = check_plan({**frames, **made}, time_zone=zone, settings=settings, checked=same)
        kept = frozenset(asked.loc[asked["asks"].eq("keep"), "order_id"])
        tours = stops[["truck_id", "on"]].drop_duplicates()
        return Draft(
            plan_id, opened.week_of, revision, made, changes, tuple(breaches), kept,
            len(tours) - len(same),
        )  # fmt: skip

    def _model(self, week_of: pd.Timestamp, frames: schema.Frames, travel: TravelTimes) -> Week:
        monday: date = week_of.date()
        clock = WeekClock.of(monday, self.database.time_zone)
        return week_model(frames, clock, travel.place_ids, travel.seconds, self.settings.schedule)


def revision_of(version: int, asked: pd.DataFrame) -> str:
    """Return what names a plan's version and everything that is asked of it."""
    return _revision(version, asked["edit_id"].astype(str))


def _revision(version: int, edit_ids: Iterable[str]) -> str:
    told = " ".join(sorted(edit_ids))
    return f"{version}-{hashlib.sha256(told.encode()).hexdigest()[:16]}"


def solve_draft(
    location: str, plan_id: str, settings: Settings, folder: Path | None, *, tell: Tell
) -> Draft:
    """Return :meth:`Drafts.solve` of a plan, as work for another process."""
    with open_database(location) as database:
        drafts = Drafts(database, week.in_zone(settings, database.time_zone), folder)
        return drafts.solve(plan_id, on_progress=lambda stage, part: tell((stage, part)))


def _as_stored(stops: pd.DataFrame, stored: pd.DataFrame) -> frozenset[tuple[str, str]]:
    """Return the truck-days whose stops are to the second those of a plan that was checked."""
    told: list[dict[tuple[str, str], int]] = []
    for frame in (stored, stops):
        rows = pd.util.hash_pandas_object(frame[[*_TIMED]], index=False)
        tours = [frame["truck_id"].astype("str"), frame["on"].dt.strftime("%Y-%m-%d")]
        sums = rows.groupby(tours).sum()
        told.append(dict(zip(sums.index.to_list(), sums.to_list(), strict=True)))
    was, now = told
    return frozenset(key for key, rows in now.items() if was.get(key) == rows)
