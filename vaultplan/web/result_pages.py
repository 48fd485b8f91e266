"""Results on the board: the form that crews fill in."""

from __future__ import annotations

from typing import Annotated, Final

import pandas as pd
from fastapi import FastAPI, Form, HTTPException, Request
from fastapi.responses import FileResponse, Response
from starlette.concurrency import run_in_threadpool

from vaultplan.errors import SchemaError
from vaultplan.store.accounts import Session
from vaultplan.web import tasks
from vaultplan.web.board import Board
from vaultplan.web.guard import check_csrf
from vaultplan.web.photos import keep_photo, photo_file
from vaultplan.web.results import FIELDS, Answer, choices, new_key

_CHOICES: Final = ("finding", "grade", "disposal", "volume_basis")


def result_pages(app: FastAPI, board: Board) -> None:
    """Add the form for results, what the forecast learns of them, and pictures."""
    photo_pages(app, board)

    @app.post("/learned", include_in_schema=False)
    def learned(
        request: Request,
        csrf: Annotated[str, Form()] = "",
        visit_id: Annotated[str, Form(max_length=80)] = "",
    ) -> Response:
        session = board.person(request)
        check_csrf(session, csrf)
        vault_id = board.data.vault_of(visit_id)
        if not vault_id:
            raise HTTPException(404, "there is no such visit")
        task = board.desk.ask(
            ("learn", visit_id), f"What the forecast of {vault_id} learned", session.name,
            tasks.learn, board.data.database.location, visit_id, board.settings,
            back=f"/vault/{vault_id}",
        )  # fmt: skip
        return board.to_task(task)

    def form(
        request: Request, session: Session, given: dict[str, str], answer: Answer | None, key: str
    ) -> Response:
        status = 422 if answer is not None and answer.faults else 200
        return board.show(
            request, "record.html", session, status, given=given, answer=answer, key=key,
            choices={name: choices(name) for name in _CHOICES},
        )  # fmt: skip

    @app.get("/record", include_in_schema=False)
    def any_vault(request: Request) -> Response:
        session = board.recorder(request)
        return form(request, session, blank(), None, new_key())

    @app.get("/record/{vault_id:path}", include_in_schema=False)
    def ask_of(request: Request, vault_id: str) -> Response:
        session = board.recorder(request, vault_id)
        planned = board.data.planned_orders(vault_id)
        order_id = planned[0] if len(planned) == 1 else ""
        given = blank() | {"vault_id": vault_id, "order_id": order_id}
        return form(request, session, given, None, new_key())

    def blank() -> dict[str, str]:
        now = pd.Timestamp.now(board.data.zone)
        return dict.fromkeys(FIELDS, "") | {"visited_at": f"{now:%Y-%m-%dT%H:%M}"}

    @app.post("/record", include_in_schema=False)
    async def send(request: Request) -> Response:
        session = board.recorder(request)
        sent = await request.form()
        given = {name: str(sent.get(name, "")) for name in FIELDS}
        board.recorder(request, given["vault_id"].strip())
        check_csrf(session, str(sent.get("csrf", "")))
        key = str(sent.get("key", ""))
        answer = await run_in_threadpool(board.record, key, given, session.name)
        if answer.faults:
            return form(request, session, given, answer, key or new_key())
        return form(request, session, dict.fromkeys(FIELDS, ""), answer, new_key())


def photo_pages(app: FastAPI, board: Board) -> None:
    """Add what takes pictures in and shows them."""
    database = board.data.database

    @app.post("/api/photos/{visit_id:path}", responses={400: {}, 401: {}, 403: {}, 413: {}})
    async def keep(request: Request, visit_id: str) -> dict[str, str]:
        """Keep a picture of a visit (JPEG, PNG or WebP); the same again changes nothing."""
        session = board.recorder(request, board.data.vault_of(visit_id))
        check_csrf(session, request.headers.get("x-csrf-token", ""))
        sent = await request.body()
        try:
            photo_id = await run_in_threadpool(
                keep_photo, database, board.photos, visit_id, sent, session.name
            )
        except SchemaError as error:
            raise HTTPException(400, str(error)) from error
        return {"photo_id": photo_id}

    @app.get("/photos/{photo_id}", include_in_schema=False)
    def photo(request: Request, photo_id: str) -> Response:
        board.person(request)
        path = photo_file(database, board.photos, photo_id)
        if path is None:
            raise HTTPException(404, "there is no such picture")
        return FileResponse(path, media_type="image/jpeg")
