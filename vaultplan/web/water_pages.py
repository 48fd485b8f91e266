"""Sensitive waters on the board: the watch-list, what lies behind a place, overrides."""

from __future__ import annotations

import uuid
from typing import Annotated, Any, Final

import pandas as pd
from fastapi import FastAPI, Form, HTTPException, Request
from fastapi.responses import RedirectResponse, Response

from vaultplan.schema import GATES, METHODS, table
from vaultplan.store.read import count_rows, read_table
from vaultplan.store.write import delete_rows, upsert
from vaultplan.web import tasks
from vaultplan.web.board import Board
from vaultplan.web.data import page_of, rows_of
from vaultplan.web.guard import check_csrf
from vaultplan.web.history import note

_SHORT: Final = 80
#: An override is looked at again after so many days at the latest; assumed.
MOST_DAYS: Final = 90
_STEPS: Final = {"method": METHODS, "gate": GATES}


def water_pages(app: FastAPI, board: Board) -> None:
    """Add the pages of waters."""
    data, database = board.data, board.data.database

    @app.get("/waters", include_in_schema=False)
    def waters(request: Request, page: int = 1) -> Response:
        session = board.person(request)
        plan = data.week()
        watched = None if plan is None else board.desk.latest(("watch", plan.plan_id))
        found = watched.result if watched is not None and watched.state == "done" else None
        rows = pd.DataFrame() if found is None else found["frames"]["discharges"]
        return board.show(
            request, "waters.html", session, plan=plan, watched=watched, found=found,
            frames={} if found is None else _told(found["frames"]), discharges=page_of(rows, page),
            overrides=rows_of(read_table(database, "overrides")), steps=_STEPS,
            today=pd.Timestamp.now(data.zone).date(), fault="",
        )  # fmt: skip

    @app.post("/waters/watch", include_in_schema=False)
    def watch(request: Request, csrf: Annotated[str, Form()] = "") -> Response:
        session = board.person(request)
        check_csrf(session, csrf)
        plan = data.week()
        if plan is None:
            raise HTTPException(409, "there is no plan yet; make one first")
        task = board.desk.ask(
            ("watch", plan.plan_id),
            "The watch-list",
            session.name,
            tasks.watch,
            database.location,
            plan.plan_id,
            board.settings,
            back="/waters",
        )
        return board.to_task(task)

    @app.post("/waters/behind", include_in_schema=False)
    def behind(
        request: Request,
        csrf: Annotated[str, Form()] = "",
        place: Annotated[str, Form(max_length=_SHORT)] = "",
    ) -> Response:
        session = board.person(request)
        check_csrf(session, csrf)
        wanted = place.strip()
        if not wanted:
            raise HTTPException(422, "name an inlet, pipe, outfall or water")
        task = board.desk.ask(
            ("behind", wanted),
            f"Everything behind {wanted}",
            session.name,
            tasks.look_behind,
            database.location,
            wanted,
            board.settings,
            back="/waters",
        )
        return board.to_task(task)

    @app.post("/overrides", include_in_schema=False)
    def put(
        request: Request,
        csrf: Annotated[str, Form()] = "",
        vault_id: Annotated[str, Form(max_length=_SHORT)] = "",
        step: Annotated[str, Form(max_length=30)] = "",
        why: Annotated[str, Form(max_length=500)] = "",
        expires_on: Annotated[str, Form(max_length=10)] = "",
    ) -> Response:
        session = board.person(request, "override")
        check_csrf(session, csrf)
        today = pd.Timestamp(pd.Timestamp.now(data.zone).date())
        ends = pd.to_datetime(expires_on, format="%Y-%m-%d", errors="coerce")
        faults = _faults(vault_id.strip(), step, why, ends, today)
        if faults:
            words = f"Nothing was decided: {'; '.join(faults)}"
            return board.show(request, "fault.html", session, 422, words=words)
        row: dict[str, Any] = {
            "override_id": f"B-{uuid.uuid4().hex}",
            "vault_id": vault_id.strip(),
            "ladder": "method" if step in METHODS else "gate",
            "step": step,
            "who": session.name,
            "why": why.strip(),
            "made_on": today,
            "expires_on": ends,
        }
        with database.writing() as connection:
            upsert(connection, "overrides", table("overrides").conform(pd.DataFrame([row])))
            _note(connection, row["override_id"], session.name, after=step, why=row["why"])
        return RedirectResponse("/waters#overrides", 303)

    @app.post("/overrides/end", include_in_schema=False)
    def end(
        request: Request,
        csrf: Annotated[str, Form()] = "",
        override_id: Annotated[str, Form(max_length=_SHORT)] = "",
    ) -> Response:
        session = board.person(request, "override")
        check_csrf(session, csrf)
        with database.writing() as connection:
            if not delete_rows(connection, "overrides", {"override_id": override_id}):
                raise HTTPException(409, "somebody ended it before")
            why = "ended on the board"
            _note(connection, override_id, session.name, before="in force", after="ended", why=why)
        return RedirectResponse("/waters#overrides", 303)

    def _faults(vault_id: str, step: str, why: str, ends: Any, today: pd.Timestamp) -> list[str]:
        faults = []
        if not count_rows(database, "vaults", {"vault_id": vault_id}):
            faults.append(f"there is no vault {vault_id or 'without an id'}")
        if step not in (*METHODS, *GATES):
            faults.append("choose what it is set to")
        if not why.strip():
            faults.append("say why: the sheet and the report show it")
        if pd.isna(ends) or ends < today:
            faults.append("name the last day it holds, today or later")
        elif (ends - today).days > MOST_DAYS:
            faults.append(f"it may hold {MOST_DAYS} days at the most")
        return faults


def _note(connection: Any, override_id: str, who: str, **words: str) -> None:
    note(connection, f"board-{uuid.uuid4().hex}", who, "overrides", override_id, **words)


def _told(frames: dict[str, pd.DataFrame]) -> dict[str, list[dict[str, Any]]]:
    """Return waters with the week's gallons, notices and what was kept back, as rows."""
    totals = frames["totals"]
    of_week = totals[totals["on"].isna()].drop(columns=["on", "discharges"])
    waters = frames["waters"].merge(of_week, on="water_id", how="left")
    return {"waters": rows_of(waters), "notices": rows_of(frames["notices"])}
