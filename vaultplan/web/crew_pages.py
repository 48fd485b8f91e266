"""Crews on the board: a signed link per truck, its own stops, and nothing else."""

from __future__ import annotations

import time
from datetime import timedelta
from typing import Annotated, Final

import pandas as pd
import segno
from fastapi import FastAPI, Form, HTTPException, Request
from fastapi.responses import RedirectResponse, Response

from vaultplan.store.accounts import CREW, Scope
from vaultplan.web.board import Board
from vaultplan.web.guard import check_csrf

#: A link is good until so many days after its last day, or after it was given where that is later.
_LATE_DAYS: Final = 2


def crew_pages(app: FastAPI, board: Board) -> None:
    """Add the pages of crews, and the one on which their links are given."""
    data, accounts = board.data, board.door.accounts

    @app.get("/crews", include_in_schema=False)
    def crews(request: Request) -> Response:
        session = board.person(request, "plan")
        week = data.week()
        links = []
        if week is not None:
            last = week.week_of + timedelta(days=6)
            over = (last + timedelta(days=1)).tz_localize(data.zone).timestamp()
            ends = max(over, time.time()) + 86_400.0 * _LATE_DAYS
            scopes = [
                Scope(truck, f"{week.week_of:%Y-%m-%d}", f"{last:%Y-%m-%d}")
                for truck in week.truck_ids
            ]
            for scope in scopes:
                # Behind the mark that no browser sends on: the code is in no log of any server.
                address = f"{request.base_url}crew#{accounts.link_code(scope, ends)}"
                code = segno.make(address, error="m").svg_data_uri(scale=3, border=4)
                links.append({"truck_id": scope.truck_id, "address": address, "code": code})
        return board.show(request, "crews.html", session, week=week, links=links)

    @app.post("/crews/void", include_in_schema=False)
    def void(request: Request, csrf: Annotated[str, Form()] = "") -> Response:
        check_csrf(board.person(request, "plan"), csrf)
        accounts.void_links()
        return RedirectResponse("/crews", 303)

    @app.get("/crew", include_in_schema=False)
    def door(request: Request) -> Response:
        return board.show(request, "crew_door.html", None, fault="")

    @app.post("/crew", include_in_schema=False)
    def come_in(request: Request, code: Annotated[str, Form(max_length=600)] = "") -> Response:
        address = request.client.host if request.client else ""
        if accounts.must_wait(f"link {address}"):
            raise HTTPException(429, "too many attempts; wait a quarter of an hour")
        token = accounts.begin_crew(code.rpartition("#")[2].strip())
        if token is None:
            accounts.note_try(f"link {address}")
            fault = "That link is not one of ours, or it is over. Ask the planner for a new one."
            return board.show(request, "crew_door.html", None, 403, fault=fault)
        answer = RedirectResponse("/crew/stops", 303)
        board.door.give_cookie(answer, token)
        return answer

    @app.get("/crew/stops", include_in_schema=False)
    def stops(request: Request) -> Response:
        session = board.door.session(request)
        if session is None or session.role != CREW or session.scope is None:
            raise HTTPException(403, "this page is for crews; open the link you were given")
        mine = data.crew_stops(session.scope)
        days: dict[str, list[dict[str, object]]] = {}
        for stop in mine:
            days.setdefault(f"{pd.Timestamp(stop['on']):%A %-d %B}", []).append(stop)
        return board.show(request, "crew.html", session, scope=session.scope, days=days)
