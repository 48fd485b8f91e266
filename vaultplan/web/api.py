"""The board's JSON, for its own pages and for other systems."""

from __future__ import annotations

import hashlib
import threading
from dataclasses import asdict
from datetime import date, time
from typing import Annotated, Any, Literal

from fastapi import FastAPI, Header, HTTPException, Request
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel, Field

from vaultplan.errors import SchemaError
from vaultplan.web.board import Board
from vaultplan.web.feeds import MOST_ROWS, feed
from vaultplan.web.guard import check_csrf
from vaultplan.web.results import FIELDS


class Result(BaseModel):
    """A result of a visit, as another system sends it."""

    key: str = Field(pattern="^[0-9a-f]{32}$", description="of the sender's own: once is once")
    values: dict[str, str] = Field(max_length=len(FIELDS), description="columns of visits as text")


class Rows(BaseModel):
    """Rows of a feed, each a whole row: a column that is left out is blank."""

    rows: list[dict[str, str]] = Field(min_length=1, max_length=MOST_ROWS)


class FedRows(BaseModel):
    """What became of rows; findings name them by their place in what was sent, 0 first."""

    load_id: str
    rows: int
    new: int
    changed: int
    same: int
    set_aside: int
    findings: list[dict[str, str | int]]


class Taken(BaseModel):
    """What became of a result."""

    visit_id: str
    was_new: bool
    faults: list[str]
    doubts: list[str]
    differs: str


def api(app: FastAPI, board: Board) -> None:
    """Add what programs ask for."""

    @app.get("/api/openapi.json", include_in_schema=False)
    def described(request: Request) -> Response:
        board.person(request)
        return JSONResponse(app.openapi())

    @app.get("/api/session", responses={401: {}})
    def session(request: Request) -> dict[str, str]:
        """Return who is logged in, their role, and the token that changes must carry."""
        own = board.anyone(request)
        return {"name": own.name, "role": own.role, "csrf": own.csrf}

    @app.get("/api/vaults/{vault_id:path}", responses={404: {}, 401: {}, 403: {}})
    def vault(request: Request, vault_id: str) -> dict[str, Any]:
        """Return a vault's facts, its latest visits, its orders and what is planned for it."""
        board.person(request)
        found = board.data.vault(vault_id)
        if found is None:
            raise HTTPException(404, "there is no such vault")
        plain: dict[str, Any] = _plain(found)
        return plain

    _feeds(app, board)

    @app.post("/api/results", responses={400: {}, 401: {}, 403: {}, 413: {}})
    def results(request: Request, result: Result) -> Taken:
        """Record a result; the same key again changes nothing. Needs the session's token."""
        session = board.recorder(request, result.values.get("vault_id", "").strip())
        check_csrf(session, request.headers.get("x-csrf-token", ""))
        unknown = sorted(set(result.values) - set(FIELDS))
        if unknown:
            raise HTTPException(400, f"no such columns: {', '.join(unknown)}")
        answer = board.record(result.key, result.values, session.name)
        return Taken(
            visit_id=answer.visit_id, was_new=answer.was_new, faults=list(answer.faults),
            doubts=list(answer.doubts), differs=answer.differs,
        )  # fmt: skip


def _feeds(app: FastAPI, board: Board) -> None:
    one_at_a_time = threading.Lock()

    @app.post("/api/feeds/{name}", responses={400: {}, 401: {}, 403: {}, 409: {}, 413: {}})
    def feeds(
        request: Request,
        name: Literal["orders", "results"],
        sent: Rows,
        idempotency_key: Annotated[str, Header(pattern="^[A-Za-z0-9._~-]{8,80}$")],
    ) -> FedRows:
        """Take orders or results in, new ones and changes of known ones, all at once.

        The same rows under the same Idempotency-Key are taken once and answered alike; other rows
        under it are refused (409). Rows that cannot be read are set aside and told.
        """
        session = board.person(request, "feed")
        check_csrf(session, request.headers.get("x-csrf-token", ""))
        asked = hashlib.sha256(f"{name} {sent.model_dump_json()}".encode()).hexdigest()
        accounts = board.door.accounts
        with one_at_a_time:
            before = accounts.answer(session.name, idempotency_key)
            if before is not None:
                if before[0] != asked:
                    raise HTTPException(409, "other rows were sent under that Idempotency-Key")
                return FedRows.model_validate_json(before[1])
            try:
                found = feed(board.data.database, name, sent.rows, board.settings)
            except SchemaError as error:
                raise HTTPException(400, str(error)) from error
            told = FedRows(**{**asdict(found), "findings": list(found.findings)})
            accounts.keep_answer(session.name, idempotency_key, asked, told.model_dump_json())
        return told


def _plain(value: Any) -> Any:
    """Return what JSON can hold: moments as ISO 8601, numbers of arrays as plain ones."""
    if isinstance(value, dict):
        return {key: _plain(inside) for key, inside in value.items()}
    if isinstance(value, list):
        return [_plain(inside) for inside in value]
    if isinstance(value, date | time):
        return value.isoformat()
    return value.item() if hasattr(value, "item") else value
