"""The board's pages and its JSON, each behind a role."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path
from typing import Annotated, Any, Final

import jinja2
from fastapi import FastAPI, Form, HTTPException, Request
from fastapi.responses import JSONResponse, RedirectResponse, Response
from fastapi.templating import Jinja2Templates
from starlette.exceptions import HTTPException as PageError

from vaultplan import __version__
from vaultplan.drafting import Drafts
from vaultplan.errors import VaultplanError
from vaultplan.keeping import keep_folder
from vaultplan.settings import Settings
from vaultplan.store.database import Database
from vaultplan.web.api import api
from vaultplan.web.board import Board
from vaultplan.web.crew_pages import crew_pages
from vaultplan.web.data import BoardData
from vaultplan.web.data_pages import data_pages
from vaultplan.web.desk import Desk
from vaultplan.web.finding_pages import finding_pages
from vaultplan.web.fleet_tiles import FleetTiles
from vaultplan.web.guard import COOKIE, Door, Guard, check_csrf
from vaultplan.web.lock_pages import lock_pages
from vaultplan.web.map_pages import map_pages
from vaultplan.web.result_pages import result_pages
from vaultplan.web.vault_pages import vault_pages
from vaultplan.web.water_pages import water_pages
from vaultplan.web.week_pages import week_pages

_STATIC: Final = {
    "board.css": "text/css",
    "board.js": "text/javascript",
    "outbox.js": "text/javascript",
    "week.js": "text/javascript",
    "crew.js": "text/javascript",
    "map.js": "text/javascript",
}
#: Whatever the environment says, no collector is told of requests; older releases lack the part.
_TELLS_NOBODY: Final[Any] = dict.fromkeys(
    ("auto_configure", "tracing", "metrics", "logs", "operation_spans"), False
)


def make_app(
    database: Database,
    door: Door,
    settings: Settings,
    hosts: frozenset[str],
    *,
    out: Path | None = None,
    photos: Path | None = None,
    desk: Desk | None = None,
) -> FastAPI:
    """Return the board over a database.

    Parameters
    ----------
    door
        Who is let in.
    hosts
        Names and ports by which it may be reached, as browsers send them.
    out
        Folder that published plans are written into; without one nothing is published.
    photos
        Folder that pictures are kept in; beside the accounts if none.
    desk
        Where long work is done; whoever gives one closes it.
    """
    source = files("vaultplan.web").joinpath("templates")
    loader = jinja2.FunctionLoader(lambda name: source.joinpath(name).read_text(encoding="utf-8"))
    environment = jinja2.Environment(
        loader=loader, autoescape=True, undefined=jinja2.StrictUndefined
    )
    templates = Jinja2Templates(env=environment)
    kept = keep_folder(database)
    own = door.accounts.path
    board = Board(
        BoardData(database), door, settings, templates, Drafts(database, settings, kept),
        desk or Desk(), photos or own.with_name(f"{own.stem}.photos"),
        FleetTiles(database), kept, out,
    )  # fmt: skip
    app = FastAPI(
        title="vaultplan board", version=__version__, docs_url=None, redoc_url=None,
        openapi_url=None, telemetry=_TELLS_NOBODY,
    )  # fmt: skip
    app.add_middleware(Guard, hosts=hosts)
    _doors(app, board)
    week_pages(app, board)
    vault_pages(app, board)
    map_pages(app, board)
    water_pages(app, board)
    finding_pages(app, board)
    data_pages(app, board)
    lock_pages(app, board)
    result_pages(app, board)
    crew_pages(app, board)
    api(app, board)
    _faults(app, board)
    return app


def _doors(app: FastAPI, board: Board) -> None:
    @app.get("/enter", include_in_schema=False)
    def show(request: Request) -> Response:
        return board.show(
            request, "enter.html", None, asks_for_names=board.door.asks_for_names, fault=""
        )

    @app.post("/enter", include_in_schema=False)
    def enter(
        request: Request,
        word: Annotated[str, Form(max_length=200)] = "",
        name: Annotated[str, Form(max_length=80)] = "",
    ) -> Response:
        address = request.client.host if request.client else ""
        token = board.door.enter(name, word, address)
        if token is None:
            return board.show(
                request, "enter.html", None, 403,
                asks_for_names=board.door.asks_for_names, fault="That did not fit. Try again.",
            )  # fmt: skip
        # Whoever held a session before has none of its secrets now.
        before = request.cookies.get(COOKIE)
        if before:
            board.door.accounts.end(before)
        answer = RedirectResponse("/", 303)
        board.door.give_cookie(answer, token)
        return answer

    @app.post("/leave", include_in_schema=False)
    def leave(request: Request, csrf: Annotated[str, Form()] = "") -> Response:
        check_csrf(board.anyone(request), csrf)
        board.door.accounts.end(request.cookies[COOKIE])
        answer = RedirectResponse("/enter", 303)
        answer.delete_cookie(COOKIE, path="/")
        return answer

    @app.get("/static/{name}", include_in_schema=False)
    def static(name: str) -> Response:
        if name not in _STATIC:
            raise HTTPException(404, "there is no such file")
        return Response(_own(name), media_type=_STATIC[name])

    # From the top, for it may only keep what lies below its own place.
    @app.get("/worker.js", include_in_schema=False)
    def worker() -> Response:
        return Response(_own("worker.js"), media_type="text/javascript")


def _own(name: str) -> str:
    return files("vaultplan.web").joinpath("static", name).read_text(encoding="utf-8")


def _faults(app: FastAPI, board: Board) -> None:
    def told(request: Request, words: str, status: int) -> Response:
        if request.url.path.startswith("/api/"):
            return JSONResponse({"detail": words}, status)
        if status == 401 and request.method == "GET":
            return RedirectResponse("/enter", 303)
        return board.show(request, "fault.html", board.door.session(request), status, words=words)

    @app.exception_handler(PageError)
    async def refused(request: Request, error: PageError) -> Response:
        return told(request, str(error.detail), error.status_code)

    # The database is busy, or gone: said as the command line says it, to be tried again.
    @app.exception_handler(VaultplanError)
    async def failed(request: Request, error: VaultplanError) -> Response:
        return told(request, str(error), 503)
