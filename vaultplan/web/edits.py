"""What a planner asks of the next plan: an order kept to a truck or day, or barred from it."""

from __future__ import annotations

import uuid
from typing import Final

import pandas as pd
import sqlalchemy as sa

from vaultplan.schema import table
from vaultplan.store.database import Database
from vaultplan.store.read import read_table
from vaultplan.store.write import delete_rows, upsert
from vaultplan.web.history import note

ASKS: Final = {"keep": "keep to", "bar": "bar from"}
_LONGEST: Final = 500


def ask(database: Database, given: dict[str, str], who: str) -> tuple[str, ...]:
    """Note an edit; return what is wrong with it, nothing if it was noted.

    Parameters
    ----------
    given
        ``order_id``, ``asks`` (keep or bar), ``truck_id`` and ``on`` (one may be blank), ``why``.
    """
    order_id, truck_id, on = (
        given.get(name, "").strip() for name in ("order_id", "truck_id", "on")
    )
    faults = []
    if given.get("asks") not in ASKS:
        faults.append("say whether to keep or to bar it")
    if read_table(database, "work_orders", where={"order_id": order_id}).empty:
        faults.append(f"there is no order {order_id or 'without an id'}")
    if truck_id and read_table(database, "trucks", where={"truck_id": truck_id}).empty:
        faults.append(f"there is no truck {truck_id}")
    day = pd.to_datetime(on, format="%Y-%m-%d", errors="coerce")
    if on and pd.isna(day):
        faults.append("a day is written YYYY-MM-DD")
    if not truck_id and not on:
        faults.append("name a truck, a day, or both")
    if not given.get("why", "").strip():
        faults.append("say why: others will read it")
    if faults:
        return tuple(faults)
    edit_id = f"B-{uuid.uuid4().hex}"
    row: dict[str, object] = {
        "edit_id": edit_id,
        "order_id": order_id,
        "asks": given["asks"],
        "truck_id": truck_id or None,
        "on": day if on else pd.NaT,
        "who": who,
        "why": given["why"].strip()[:_LONGEST],
    }
    with database.writing() as connection:
        upsert(connection, "plan_edits", table("plan_edits").conform(pd.DataFrame([row])))
        _change(connection, edit_id, who, after="came in")
    return ()


def take_back(database: Database, edit_id: str, who: str) -> bool:
    """Take an edit back; return whether there was one."""
    found = read_table(database, "plan_edits", where={"edit_id": edit_id})
    if found.empty:
        return False
    with database.writing() as connection:
        delete_rows(connection, "plan_edits", {"edit_id": edit_id})
        _change(connection, edit_id, who, before="came in", after="taken back")
    return True


def _change(connection: sa.Connection, edit_id: str, who: str, **words: str) -> None:
    why = "asked for on the board"
    note(connection, f"board-{uuid.uuid4().hex}", who, "plan_edits", edit_id, why=why, **words)
