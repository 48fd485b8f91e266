"""Vaults on the board: searched for, and the story of one."""

from __future__ import annotations

from typing import Annotated

from fastapi import FastAPI, Form, HTTPException, Request
from fastapi.responses import Response

from vaultplan.web import tasks
from vaultplan.web.board import Board
from vaultplan.web.guard import check_csrf


def vault_pages(app: FastAPI, board: Board) -> None:
    """Add the pages of vaults."""
    data = board.data

    @app.get("/vaults", include_in_schema=False)
    def vaults(request: Request) -> Response:
        session = board.person(request)
        return board.show(request, "vaults.html", session, text="", found=None)

    @app.post("/vaults", include_in_schema=False)
    def find(
        request: Request,
        text: Annotated[str, Form(max_length=80)] = "",
        csrf: Annotated[str, Form()] = "",
    ) -> Response:
        session = board.person(request)
        check_csrf(session, csrf)
        return board.show(request, "vaults.html", session, text=text, found=data.find(text))

    @app.post("/vault/story", include_in_schema=False)
    def story(
        request: Request,
        vault_id: Annotated[str, Form(max_length=80)] = "",
        csrf: Annotated[str, Form()] = "",
    ) -> Response:
        session = board.person(request)
        check_csrf(session, csrf)
        if data.vault(vault_id) is None:
            raise HTTPException(404, "there is no such vault")
        task = board.desk.ask(
            ("story", vault_id),
            f"Vault {vault_id} over time",
            session.name,
            tasks.draw_vault,
            data.database.location,
            vault_id,
            board.settings,
            back=f"/vault/{vault_id}",
        )
        return board.to_task(task)

    @app.get("/vault/{vault_id:path}", include_in_schema=False)
    def vault(request: Request, vault_id: str) -> Response:
        session = board.person(request)
        found = data.vault(vault_id)
        if found is None:
            raise HTTPException(404, "there is no such vault")
        drawn = board.desk.latest(("story", vault_id))
        return board.show(request, "vault.html", session, vault=found, drawn=drawn)
