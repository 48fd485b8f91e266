"""Where it is dirty, the yearly report, and other work that takes its time."""

from __future__ import annotations

import re
from typing import Annotated, Final

import pandas as pd
from fastapi import FastAPI, Form, HTTPException, Request
from fastapi.responses import FileResponse, HTMLResponse, Response

from vaultplan.analysing import PLACES
from vaultplan.store.read import read_table
from vaultplan.web import tasks
from vaultplan.web.board import Board
from vaultplan.web.data import rows_of
from vaultplan.web.desk import DONE
from vaultplan.web.guard import check_csrf

_ALONG: Final = {"straight": "straight", "streets": "along streets", "drains": "along drains"}
_BY: Final = {"vault": "vault by vault", "hex": "by hexagons", "outfall": "by outfall"}
_EARLIEST: Final = 1900
#: What a page that is one file says of itself; the browser is told the same by the board.
_POLICY: Final = re.compile(
    r'http-equiv="Content-Security-Policy" content="([^"]+)"', re.IGNORECASE
)


def finding_pages(app: FastAPI, board: Board) -> None:
    """Add the pages of findings, reports and work."""
    data, database = board.data, board.data.database

    @app.get("/dirty", include_in_schema=False)
    def dirty(request: Request) -> Response:
        session = board.person(request)
        work = board.desk.latest("dirty")
        found = work.result if work is not None and work.state == DONE else None
        return board.show(
            request, "dirty.html", session, work=work, found=found, by=_BY, along=_ALONG,
            clusters=[] if found is None else rows_of(found["clusters"]),
        )  # fmt: skip

    @app.post("/dirty", include_in_schema=False)
    def look(
        request: Request,
        csrf: Annotated[str, Form()] = "",
        by: Annotated[str, Form(max_length=20)] = "vault",
        along: Annotated[str, Form(max_length=20)] = "straight",
    ) -> Response:
        session = board.person(request)
        check_csrf(session, csrf)
        if by not in PLACES or along not in _ALONG:
            raise HTTPException(422, "choose one of what is offered")
        task = board.desk.ask(
            "dirty",
            f"Where it is dirty, {_BY[by]}",
            session.name,
            tasks.find_hot_spots,
            database.location,
            by,
            along,
            board.settings,
            back="/dirty",
        )
        return board.to_task(task)

    @app.get("/report", include_in_schema=False)
    def report(request: Request) -> Response:
        session = board.person(request)
        work = board.desk.latest("report")
        year = pd.Timestamp.now(data.zone).year
        locks = rows_of(read_table(database, "locked_periods"))
        return board.show(request, "report.html", session, work=work, year=year, locks=locks)

    @app.post("/report", include_in_schema=False)
    def make_report(
        request: Request,
        csrf: Annotated[str, Form()] = "",
        year: Annotated[str, Form(max_length=4)] = "",
    ) -> Response:
        session = board.person(request)
        check_csrf(session, csrf)
        if not year.isdecimal() or int(year) < _EARLIEST:
            raise HTTPException(422, "write the year with four digits")
        task = board.desk.ask(
            "report",
            f"The report of {year}",
            session.name,
            tasks.report_year,
            database.location,
            int(year),
            board.settings,
            back="/report",
        )
        return board.to_task(task)

    @app.get("/task/{task_id}", include_in_schema=False)
    def work(request: Request, task_id: str) -> Response:
        session = board.person(request)
        task = board.task(task_id)
        told = task.result if isinstance(task.result, dict) else {}
        vaults = rows_of(told["vaults"].head(500)) if "vaults" in told else None
        count = len(told["vaults"]) if "vaults" in told else 0
        learned = rows_of(told["learned"]) if "learned" in told else None
        return board.show(
            request,
            "work.html",
            session,
            task=task,
            told=told,
            vaults=vaults,
            count=count,
            learned=learned,
        )

    @app.get("/task/{task_id}/{name}", include_in_schema=False)
    def made(request: Request, task_id: str, name: str) -> Response:
        board.person(request)
        path = board.task(task_id).files.get(name)
        if path is None or not path.is_file():
            raise HTTPException(404, "there is no such file")
        if path.suffix != ".html":
            return FileResponse(path, filename=name)
        text = path.read_text(encoding="utf-8")
        own = _POLICY.search(text)
        if own is None:
            raise HTTPException(500, "the page does not say what it may do")
        policy = f"{own[1].replace('&#39;', chr(39))}; frame-ancestors 'none'"
        return HTMLResponse(text, headers={"content-security-policy": policy})
