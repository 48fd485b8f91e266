"""Results on the board: the form that crews fill in."""

from __future__ import annotations

from typing import Final

import pandas as pd
from fastapi import FastAPI, Request
from fastapi.responses import Response
from starlette.concurrency import run_in_threadpool

from vaultplan.store.accounts import Session
from vaultplan.web.board import Board
from vaultplan.web.guard import check_csrf
from vaultplan.web.results import FIELDS, Answer, choices, new_key, take

_CHOICES: Final = ("finding", "grade", "disposal", "volume_basis")


def result_pages(app: FastAPI, board: Board) -> None:
    """Add the form for results."""

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
        answer = await _in_thread(board, key, given, session)
        if answer.faults:
            return form(request, session, given, answer, key or new_key())
        return form(request, session, dict.fromkeys(FIELDS, ""), answer, new_key())


async def _in_thread(board: Board, key: str, given: dict[str, str], session: Session) -> Answer:
    return await run_in_threadpool(
        take, board.data.database, key, given, session.name, board.settings
    )
