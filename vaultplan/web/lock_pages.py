"""Periods that a manager locks: their visits stay as they are, and the report with them."""

from __future__ import annotations

import uuid
from typing import Annotated

import pandas as pd
from fastapi import FastAPI, Form, HTTPException, Request
from fastapi.responses import RedirectResponse, Response

from vaultplan.schema import table
from vaultplan.store.write import delete_rows, upsert
from vaultplan.web.board import Board
from vaultplan.web.guard import check_csrf
from vaultplan.web.history import note


def lock_pages(app: FastAPI, board: Board) -> None:
    """Add what locks a period and opens it again."""
    database = board.data.database

    @app.post("/locks", include_in_schema=False)
    def lock(
        request: Request,
        csrf: Annotated[str, Form()] = "",
        first_on: Annotated[str, Form(max_length=10)] = "",
        last_on: Annotated[str, Form(max_length=10)] = "",
        why: Annotated[str, Form(max_length=500)] = "",
    ) -> Response:
        session = board.person(request, "lock")
        check_csrf(session, csrf)
        first, last = (
            pd.to_datetime(day, format="%Y-%m-%d", errors="coerce") for day in (first_on, last_on)
        )
        if pd.isna(first) or pd.isna(last) or last < first or not why.strip():
            words = "Nothing was locked: name the first and the last day, and say why."
            return board.show(request, "fault.html", session, 422, words=words)
        row = {
            "lock_id": f"B-{uuid.uuid4().hex}", "first_on": first, "last_on": last,
            "who": session.name, "why": why.strip(), "locked_at": pd.Timestamp.now("UTC"),
        }  # fmt: skip
        with database.writing() as connection:
            frame = table("locked_periods").conform(pd.DataFrame([row]))
            upsert(connection, "locked_periods", frame)
            note(
                connection, f"board-{row['lock_id']}", session.name, "locked_periods",
                str(row["lock_id"]), after=f"{first_on} to {last_on}", why=str(row["why"]),
            )  # fmt: skip
        return RedirectResponse("/report#locks", 303)

    @app.post("/locks/lift", include_in_schema=False)
    def lift(
        request: Request,
        csrf: Annotated[str, Form()] = "",
        lock_id: Annotated[str, Form(max_length=80)] = "",
    ) -> Response:
        session = board.person(request, "lock")
        check_csrf(session, csrf)
        with database.writing() as connection:
            if not delete_rows(connection, "locked_periods", {"lock_id": lock_id}):
                raise HTTPException(409, "somebody opened it before")
            note(
                connection, f"board-{uuid.uuid4().hex}", session.name, "locked_periods", lock_id,
                before="locked", after="opened", why="opened on the board",
            )  # fmt: skip
        return RedirectResponse("/report#locks", 303)
