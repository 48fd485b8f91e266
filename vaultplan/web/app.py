"""The board's pages and its JSON, each behind a role."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, time
from importlib.resources import files
from typing import Annotated, Any, Final

import jinja2
import pandas as pd
from fastapi import FastAPI, Form, HTTPException, Request
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from fastapi.templating import Jinja2Templates
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException as PageError

from vaultplan import __version__, mending
from vaultplan.errors import VaultplanError
from vaultplan.outputs.cautions import CAUTIONS
from vaultplan.settings import Settings
from vaultplan.store.accounts import Session
from vaultplan.store.database import Database
from vaultplan.web.data import OUTCOME_WORDS, BoardData, page_of
from vaultplan.web.edits import ASKS, ask, take_back
from vaultplan.web.guard import COOKIE, Door, Guard, check_csrf, must
from vaultplan.web.results import FIELDS, Answer, choices, new_key, take

_STATIC: Final = {
    "board.css": "text/css",
    "board.js": "text/javascript",
    "outbox.js": "text/javascript",
}
#: Whatever the environment says, no collector is told of requests; older releases lack the part.
_TELLS_NOBODY: Final[Any] = dict.fromkeys(
    ("auto_configure", "tracing", "metrics", "logs", "operation_spans"), False
)
_CHOICES: Final = ("finding", "grade", "disposal", "volume_basis")


class Result(BaseModel):
    """A result of a visit, as another system sends it."""

    key: str = Field(pattern="^[0-9a-f]{32}$", description="of the sender's own: once is once")
    values: dict[str, str] = Field(max_length=len(FIELDS), description="columns of visits as text")


class Taken(BaseModel):
    """What became of a result."""

    visit_id: str
    was_new: bool
    faults: list[str]
    doubts: list[str]
    differs: str


@dataclass(slots=True)
class Board:
    """What every page needs: the data, the door and the settings."""

    data: BoardData
    door: Door
    settings: Settings
    templates: Jinja2Templates

    def show(
        self, request: Request, name: str, session: Session | None, status: int = 200, **more: Any
    ) -> HTMLResponse:
        """Return a page."""
        told = {
            "session": session,
            "may_record": session is not None and session.may("record"),
            "may_plan": session is not None and session.may("plan"),
            "cautions": CAUTIONS,
            "fleet": self.data.database.name or "this fleet",
            **more,
        }
        page: HTMLResponse = self.templates.TemplateResponse(request, name, told, status)
        return page

    def person(self, request: Request, what: str = "see") -> Session:
        """Return who asks, if their role allows it."""
        return must(self.door.session(request), what)


def make_app(database: Database, door: Door, settings: Settings, hosts: frozenset[str]) -> FastAPI:
    """Return the board over a database.

    Parameters
    ----------
    door
        Who is let in.
    hosts
        Names and ports by which it may be reached, as browsers send them.
    """
    source = files("vaultplan.web").joinpath("templates")
    loader = jinja2.FunctionLoader(lambda name: source.joinpath(name).read_text(encoding="utf-8"))
    environment = jinja2.Environment(
        loader=loader, autoescape=True, undefined=jinja2.StrictUndefined
    )
    templates = Jinja2Templates(env=environment)
    board = Board(BoardData(database), door, settings, templates)
    app = FastAPI(
        title="vaultplan board", version=__version__, docs_url=None, redoc_url=None,
        openapi_url=None, telemetry=_TELLS_NOBODY,
    )  # fmt: skip
    app.add_middleware(Guard, hosts=hosts)
    _doors(app, board)
    _pages(app, board)
    _edits(app, board)
    _results(app, board)
    _api(app, board)
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
        check_csrf(board.person(request), csrf)
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


def _pages(app: FastAPI, board: Board) -> None:
    data = board.data

    @app.get("/", include_in_schema=False)
    def week(request: Request, outcome: str = "", page: int = 1) -> Response:
        return _week(request, None, outcome, page)

    @app.get("/week/{plan_id}", include_in_schema=False)
    def one_week(request: Request, plan_id: str, outcome: str = "", page: int = 1) -> Response:
        return _week(request, plan_id, outcome, page)

    def _week(request: Request, plan_id: str | None, outcome: str, page: int) -> Response:
        session = board.person(request)
        found = data.week(plan_id)
        if found is None and plan_id is not None:
            raise HTTPException(404, "there is no such plan, or it does not count any more")
        return board.show(
            request, "week.html", session, week=found, outcomes=OUTCOME_WORDS, outcome=outcome,
            left=None if found is None else data.left_out(found.plan_id, outcome, page),
            edits=data.edits(),
            others=data.plans()[:20],
        )  # fmt: skip

    @app.get("/week/{plan_id}/{on}/{truck_id:path}", include_in_schema=False)
    def day(request: Request, plan_id: str, truck_id: str, on: str) -> Response:
        session = board.person(request)
        stops = data.day(plan_id, truck_id, on)
        if stops is None:
            raise HTTPException(404, "that truck has no stops that day")
        return board.show(
            request, "day.html", session, plan_id=plan_id, truck_id=truck_id, on=on, stops=stops,
            choices=data.choices(plan_id), asks=ASKS,
        )  # fmt: skip

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

    @app.get("/vault/{vault_id:path}", include_in_schema=False)
    def vault(request: Request, vault_id: str) -> Response:
        session = board.person(request)
        found = data.vault(vault_id)
        if found is None:
            raise HTTPException(404, "there is no such vault")
        return board.show(request, "vault.html", session, vault=found)

    @app.get("/data", include_in_schema=False)
    def loads(request: Request, page: int = 1) -> Response:
        session = board.person(request)
        entries = mending.loads(data.database.location)
        waiting = mending.quarantine(data.database.location)
        newest = entries.sort_values("loaded_at", ascending=False, ignore_index=True)
        return board.show(
            request, "data.html", session, loads=page_of(newest, page), waiting=len(waiting),
            zone=data.zone,
        )  # fmt: skip


def _edits(app: FastAPI, board: Board) -> None:
    @app.post("/edits", include_in_schema=False)
    def put(
        request: Request,
        csrf: Annotated[str, Form()] = "",
        order_id: Annotated[str, Form(max_length=80)] = "",
        asks: Annotated[str, Form(max_length=10)] = "",
        truck_id: Annotated[str, Form(max_length=80)] = "",
        on: Annotated[str, Form(max_length=10)] = "",
        why: Annotated[str, Form(max_length=500)] = "",
    ) -> Response:
        session = board.person(request, "plan")
        check_csrf(session, csrf)
        given = {
            "order_id": order_id, "asks": asks, "truck_id": truck_id, "on": on, "why": why,
        }  # fmt: skip
        faults = ask(board.data.database, given, session.name)
        if faults:
            words = f"Nothing was noted: {'; '.join(faults)}"
            return board.show(request, "fault.html", session, 422, words=words)
        return RedirectResponse("/#asked", 303)

    @app.post("/edits/back", include_in_schema=False)
    def back(
        request: Request,
        csrf: Annotated[str, Form()] = "",
        edit_id: Annotated[str, Form(max_length=80)] = "",
    ) -> Response:
        session = board.person(request, "plan")
        check_csrf(session, csrf)
        if not take_back(board.data.database, edit_id, session.name):
            raise HTTPException(409, "somebody took it back before")
        return RedirectResponse("/#asked", 303)


def _results(app: FastAPI, board: Board) -> None:
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
        session = board.person(request, "record")
        return form(request, session, blank(), None, new_key())

    @app.get("/record/{vault_id:path}", include_in_schema=False)
    def ask_of(request: Request, vault_id: str) -> Response:
        session = board.person(request, "record")
        planned = board.data.planned_orders(vault_id)
        order_id = planned[0] if len(planned) == 1 else ""
        given = blank() | {"vault_id": vault_id, "order_id": order_id}
        return form(request, session, given, None, new_key())

    def blank() -> dict[str, str]:
        now = pd.Timestamp.now(board.data.zone)
        return dict.fromkeys(FIELDS, "") | {"visited_at": f"{now:%Y-%m-%dT%H:%M}"}

    @app.post("/record", include_in_schema=False)
    async def send(request: Request) -> Response:
        session = board.person(request, "record")
        sent = await request.form()
        given = {name: str(sent.get(name, "")) for name in FIELDS}
        check_csrf(session, str(sent.get("csrf", "")))
        key = str(sent.get("key", ""))
        answer = await _in_thread(board, key, given, session)
        if answer.faults:
            return form(request, session, given, answer, key or new_key())
        return form(request, session, dict.fromkeys(FIELDS, ""), answer, new_key())


async def _in_thread(board: Board, key: str, given: dict[str, str], session: Session) -> Answer:
    from starlette.concurrency import run_in_threadpool

    return await run_in_threadpool(
        take, board.data.database, key, given, session.name, board.settings
    )


def _api(app: FastAPI, board: Board) -> None:
    @app.get("/api/openapi.json", include_in_schema=False)
    def described(request: Request) -> Response:
        board.person(request)
        return JSONResponse(app.openapi())

    @app.get("/api/session", responses={401: {}})
    def session(request: Request) -> dict[str, str]:
        """Return who is logged in, their role, and the token that changes must carry."""
        own = board.person(request)
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

    @app.post("/api/results", responses={401: {}, 403: {}, 413: {}})
    def results(request: Request, result: Result) -> Taken:
        """Record a result; the same key again changes nothing. Needs the session's token."""
        session = board.person(request, "record")
        check_csrf(session, request.headers.get("x-csrf-token", ""))
        unknown = sorted(set(result.values) - set(FIELDS))
        if unknown:
            raise HTTPException(422, f"no such columns: {', '.join(unknown)}")
        answer = take(board.data.database, result.key, result.values, session.name, board.settings)
        return Taken(
            visit_id=answer.visit_id, was_new=answer.was_new, faults=list(answer.faults),
            doubts=list(answer.doubts), differs=answer.differs,
        )  # fmt: skip


def _plain(value: Any) -> Any:
    """Return what JSON can hold: moments as ISO 8601, numbers of arrays as plain ones."""
    if isinstance(value, dict):
        return {key: _plain(inside) for key, inside in value.items()}
    if isinstance(value, list):
        return [_plain(inside) for inside in value]
    if isinstance(value, date | time):
        return value.isoformat()
    return value.item() if hasattr(value, "item") else value


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
