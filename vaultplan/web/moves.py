"""An order moved on the board: kept to a truck and day, if the week stays within every limit."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from typing import Any, Final

import pandas as pd

from vaultplan.drafting import Draft, Drafts, revision_of
from vaultplan.schema import table
from vaultplan.store.database import Database
from vaultplan.store.read import read_table
from vaultplan.store.write import delete_rows, upsert
from vaultplan.web.history import note

_LONGEST: Final = 500
_MOVED: Final = "moved on the board"


@dataclass(frozen=True, slots=True)
class Moved:
    """What became of a move.

    ``words`` say what was done or what is in the way; ``others`` what other planners asked since
    the week was seen, where that is why nothing was done.
    """

    is_done: bool
    words: str
    revision: str
    is_conflict: bool = False
    others: tuple[str, ...] = ()


def move(
    database: Database,
    drafts: Drafts,
    plan_id: str,
    order_id: str,
    truck_id: str,
    on: str,
    *,
    seen: str,
    who: str,
    why: str = "",
    place: int | None = None,
    insists: bool = False,
) -> Moved:
    """Keep an order to a truck on a day, in place of what it was kept to before.

    Parameters
    ----------
    seen
        Revision of the draft that the planner looked at.
    place
        Which of that day's orders it is to be, 1 the first; the others are then kept in their order
        around it. Where it costs least if none.
    insists
        Keep it there though it does not fit: it is left out until the week is solved again, when
        others make room for it.

    Raises
    ------
    ScheduleError
        If there is no such plan, or it does not count any more.
    """
    draft = drafts.draft(plan_id)
    if draft.revision != seen:
        return _conflict(drafts, draft, seen)
    fault = _fault(draft, drafts, order_id, truck_id, on)
    if fault:
        return Moved(False, fault, draft.revision)
    asked = drafts.edits(plan_id)
    ordered = [order_id] if place is None else _in_order(draft, order_id, truck_id, on, place)
    edits: list[dict[str, Any]] = [
        {
            "edit_id": f"B-{uuid.uuid4().hex}",
            "order_id": each,
            "asks": "keep",
            "truck_id": truck_id,
            "on": pd.Timestamp(on),
            "place": None if place is None else number,
            "who": who,
            "why": why.strip()[:_LONGEST] or _MOVED,
        }
        for number, each in enumerate(ordered, start=1)
    ]
    replaced = asked[asked["order_id"].isin(ordered) & asked["asks"].eq("keep")]
    rows = table("plan_edits").conform(pd.DataFrame(edits))
    kept = asked[~asked["edit_id"].isin(replaced["edit_id"])]
    tried = drafts.draft(plan_id, edits=pd.concat([kept, rows], ignore_index=True))
    words = _what_forbids(tried, order_id, truck_id, on)
    for other in ordered:
        if not words and other != order_id:
            said = _what_forbids(tried, other, truck_id, on)
            words = f"{other} would have to go: {said}" if said else ""
    if words and not insists:
        return Moved(False, words, draft.revision)
    with database.writing("plans") as connection:
        now = read_table(database, "plan_edits", connection=connection)
        of_plan = now[now["order_id"].isin(draft.frames["plan_jobs"]["order_id"])]
        version = int(seen.split("-")[0])
        if revision_of(version, of_plan) != seen:
            return _conflict(drafts, draft, seen)
        for old in replaced.to_dict("records"):
            delete_rows(connection, "plan_edits", {"edit_id": old["edit_id"]})
            note(
                connection, f"board-{uuid.uuid4().hex}", who, "plan_edits", str(old["edit_id"]),
                before=_slot(old), after="moved", why=str(edits[0]["why"]),
            )  # fmt: skip
        upsert(connection, "plan_edits", rows)
        for edit in edits:
            note(
                connection, f"board-{uuid.uuid4().hex}", who, "plan_edits", str(edit["edit_id"]),
                after=_slot(edit), why=str(edit["why"]),
            )  # fmt: skip
    done = drafts.draft(plan_id)
    where = f"{order_id} is kept to {truck_id} on {pd.Timestamp(on):%A}"
    if place is not None:
        where += f" as number {1 + ordered.index(order_id)} of {len(ordered)} in their order"
    told = f"{where}. It does not fit there yet: {words}." if words else f"{where}."
    return Moved(True, told, done.revision)


def _fault(draft: Draft, drafts: Drafts, order_id: str, truck_id: str, on: str) -> str:
    if not draft.frames["plan_jobs"]["order_id"].eq(order_id).any():
        return f"order {order_id or 'without an id'} is not one of this plan"
    trucks = drafts.crews(draft.plan_id)
    if truck_id not in trucks:
        return f"{truck_id or 'no truck'} is no crew truck; choose one of {', '.join(trucks)}"
    day = pd.to_datetime(on, format="%Y-%m-%d", errors="coerce")
    if pd.isna(day) or not 0 <= (day - draft.week_of).days < 7:
        return f"{on or 'no day'} is not a day of the week of {draft.week_of:%Y-%m-%d}"
    return ""


def _in_order(draft: Draft, order_id: str, truck_id: str, on: str, place: int) -> list[str]:
    """Return the orders of a crew's day in their order, with one of them at a place."""
    stops = draft.frames["plan_stops"]
    mine = stops["truck_id"].eq(truck_id) & stops["on"].eq(pd.Timestamp(on))
    day = stops[mine & stops["order_id"].notna()].sort_values("stop_number")["order_id"]
    others = [str(each) for each in day if each != order_id]
    return [*others[: place - 1], order_id, *others[place - 1 :]]


def _what_forbids(tried: Draft, order_id: str, truck_id: str, on: str) -> str:
    """Return why an order cannot be where it was moved; blank if it can."""
    if tried.place_of(order_id) != (truck_id, on):
        return tried.why_left_out(order_id) or "it cannot be done there"
    return "; ".join(str(breach) for breach in tried.breaches[:5])


def _conflict(drafts: Drafts, draft: Draft, seen: str) -> Moved:
    since = drafts.since(draft.plan_id, seen)
    if since is None:
        words = "the plan was made anew since you opened the week"
        return Moved(False, words, draft.revision, is_conflict=True)
    others = tuple(
        f"{row['who'] or 'somebody'}: {row['order_id']} {row['asks']}s to {_slot(row)}"
        if row["asks"] == "keep"
        else f"{row['who'] or 'somebody'}: {row['order_id']} is barred from {_slot(row)}"
        for row in since.to_dict("records")
    )
    words = "somebody changed the week since you opened it"
    return Moved(False, words, draft.revision, is_conflict=True, others=others)


def _slot(edit: dict[Any, Any]) -> str:
    truck = "any truck" if pd.isna(edit["truck_id"]) else str(edit["truck_id"])
    day = "any day" if pd.isna(edit["on"]) else f"{pd.Timestamp(edit['on']):%a %d %b}"
    place = edit.get("place")
    return f"{truck}, {day}" + ("" if pd.isna(place) else f", number {int(place)}")
