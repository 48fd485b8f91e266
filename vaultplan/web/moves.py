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
    insists: bool = False,
) -> Moved:
    """Keep an order to a truck on a day, in place of what it was kept to before.

    Parameters
    ----------
    seen
        Revision of the draft that the planner looked at.
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
    replaced = asked[asked["order_id"].eq(order_id) & asked["asks"].eq("keep")]
    edit: dict[str, Any] = {
        "edit_id": f"B-{uuid.uuid4().hex}",
        "order_id": order_id,
        "asks": "keep",
        "truck_id": truck_id,
        "on": pd.Timestamp(on),
        "who": who,
        "why": why.strip()[:_LONGEST] or _MOVED,
    }
    row = table("plan_edits").conform(pd.DataFrame([edit]))
    kept = asked[~asked["edit_id"].isin(replaced["edit_id"])]
    tried = drafts.draft(plan_id, edits=pd.concat([kept, row], ignore_index=True))
    words = _what_forbids(tried, order_id, truck_id, on)
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
                before=_slot(old), after="moved", why=str(edit["why"]),
            )  # fmt: skip
        upsert(connection, "plan_edits", row)
        note(
            connection, f"board-{uuid.uuid4().hex}", who, "plan_edits", str(edit["edit_id"]),
            after=_slot(edit), why=str(edit["why"]),
        )  # fmt: skip
    done = drafts.draft(plan_id)
    where = f"{order_id} is kept to {truck_id} on {pd.Timestamp(on):%A}"
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
    return f"{truck}, {day}"
