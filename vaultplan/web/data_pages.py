"""Data on the board: loads, what waits in quarantine and why, and repairs."""

from __future__ import annotations

from typing import Annotated, Final

from fastapi import FastAPI, Form, HTTPException, Request
from fastapi.responses import Response

from vaultplan import mending
from vaultplan.intake.rules import RULES
from vaultplan.store.read import read_table
from vaultplan.web import tasks
from vaultplan.web.board import Board
from vaultplan.web.data import page_of, rows_of
from vaultplan.web.guard import check_csrf

_REPAIRS: Final = {name: rule.repair for name, rule in RULES.items() if rule.repair}


def data_pages(app: FastAPI, board: Board) -> None:
    """Add the pages of data."""
    data, database = board.data, board.data.database

    @app.get("/data", include_in_schema=False)
    def loads(request: Request, page: int = 1) -> Response:
        session = board.person(request)
        entries = read_table(database, "loads")
        newest = entries.sort_values("loaded_at", ascending=False, ignore_index=True)
        return board.show(
            request, "data.html", session, loads=page_of(newest, page), zone=data.zone,
            waiting=int(entries["rows_quarantined"].fillna(0).sum()), changes=data.history(),
        )  # fmt: skip

    @app.get("/data/{load_id}", include_in_schema=False)
    def load(request: Request, load_id: str, page: int = 1) -> Response:
        session = board.person(request)
        entry = read_table(database, "loads", where={"load_id": load_id})
        if entry.empty:
            raise HTTPException(404, "there is no such load")
        waiting = mending.quarantine(database.location, load_id)
        return board.show(
            request, "load.html", session, entry=rows_of(entry)[0], zone=data.zone,
            waiting=page_of(waiting, page), findings=_by_rule(load_id), repairs=_REPAIRS,
        )  # fmt: skip

    def _by_rule(load_id: str) -> list[dict[str, object]]:
        found = read_table(
            database, "findings", where={"load_id": load_id},
            columns=["rule", "severity", "fault", "remedy", "proposal", "repaired"],
        )  # fmt: skip
        if found.empty:
            return []
        told = found.assign(
            mendable=found["proposal"].fillna("").ne("") & ~found["repaired"].eq(True),
            repaired=found["repaired"].eq(True),
        )
        sums = told.groupby("rule", as_index=False).agg(
            severity=("severity", "first"), fault=("fault", "first"), remedy=("remedy", "first"),
            rows=("rule", "size"), mendable=("mendable", "sum"), repaired=("repaired", "sum"),
        )  # fmt: skip
        return rows_of(sums.sort_values(["severity", "rows"], ascending=[True, False]))

    @app.post("/data/repair", include_in_schema=False)
    def repair(
        request: Request,
        csrf: Annotated[str, Form()] = "",
        load_id: Annotated[str, Form(max_length=80)] = "",
        rule: Annotated[str, Form(max_length=80)] = "",
    ) -> Response:
        session = board.person(request, "mend")
        check_csrf(session, csrf)
        if rule not in _REPAIRS:
            raise HTTPException(422, "there is no such repair")
        if read_table(database, "loads", where={"load_id": load_id}).empty:
            raise HTTPException(404, "there is no such load")
        task = board.desk.ask(
            ("repair", load_id, rule),
            f"Repair of {load_id}: {_REPAIRS[rule]}",
            session.name,
            tasks.repair,
            database.location,
            load_id,
            (rule,),
            board.settings,
            back=f"/data/{load_id}",
        )
        return board.to_task(task)
