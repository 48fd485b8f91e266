"""The week on the board: trucks by days, orders moved, solved again and published."""

from __future__ import annotations

from typing import Annotated, Any, Final

from fastapi import FastAPI, Form, HTTPException, Request
from fastapi.responses import JSONResponse, RedirectResponse, Response
from pydantic import BaseModel, Field

from vaultplan.drafting import Draft
from vaultplan.errors import ScheduleError
from vaultplan.store.accounts import Session
from vaultplan.web import tasks
from vaultplan.web.board import Board
from vaultplan.web.data import OUTCOME_WORDS
from vaultplan.web.edits import ASKS, ask, take_back
from vaultplan.web.guard import check_csrf
from vaultplan.web.moves import Moved, move

_SHORT: Final = 80
_MOST_PLACES: Final = 200


class Move(BaseModel):
    """An order to be kept to a truck on a day."""

    plan_id: str = Field(max_length=_SHORT)
    revision: str = Field(max_length=_SHORT, description="of the draft that was seen")
    order_id: str = Field(max_length=_SHORT)
    truck_id: str = Field(max_length=_SHORT)
    on: str = Field(pattern=r"^\d{4}-\d{2}-\d{2}$", description="day")
    place: int | None = Field(
        default=None, ge=1, le=_MOST_PLACES, description="which of that day's orders it is to be"
    )
    why: str = Field(default="", max_length=500)
    insists: bool = Field(default=False, description="keep it though others must make room")


def week_pages(app: FastAPI, board: Board) -> None:
    """Add the pages of the week."""
    data = board.data

    @app.get("/", include_in_schema=False)
    def week(request: Request, outcome: str = "", page: int = 1, trucks: int = 1) -> Response:
        session = board.person(request)
        return _week(request, session, None, outcome, page, trucks)

    @app.get("/week/{plan_id}", include_in_schema=False)
    def one_week(
        request: Request, plan_id: str, outcome: str = "", page: int = 1, trucks: int = 1
    ) -> Response:
        session = board.person(request)
        return _week(request, session, plan_id, outcome, page, trucks)

    def _week(
        request: Request,
        session: Session,
        plan_id: str | None,
        outcome: str,
        page: int,
        trucks: int,
    ) -> Response:
        found = data.week(plan_id)
        if found is None:
            if plan_id is not None:
                raise HTTPException(404, "there is no such plan, or it does not count any more")
            return board.show(request, "week.html", session, week=None)
        draft = board.drafts.draft(found.plan_id)
        grid, left = data.grid(found, draft, trucks), data.left_out(draft, outcome, page)
        may_plan = session.may("plan")
        trucks_table = data.once(
            draft, ("trucks table", grid.number, may_plan),
            lambda: board.part(
                "week_trucks.html", week=found, draft=draft, grid=grid, may_plan=may_plan
            ),
        )  # fmt: skip
        left_table = data.once(
            draft, ("left table", outcome if outcome in OUTCOME_WORDS else "", left.number),
            lambda: board.part("week_left.html", left=left),
        )  # fmt: skip
        return board.show(
            request, "week.html", session, week=found, outcomes=OUTCOME_WORDS, outcome=outcome,
            grid=grid, trucks_table=trucks_table, left=left, left_table=left_table, draft=draft,
            changes=data.changes(draft), is_solved=board.drafts.is_solved_again(found.plan_id),
            edits=data.edits(), others=data.plans()[:20], may_publish=board.out is not None,
            published=board.desk.latest(("publish", found.plan_id)),
        )  # fmt: skip

    @app.get("/week/{plan_id}/{on}/{truck_id:path}", include_in_schema=False)
    def day(request: Request, plan_id: str, truck_id: str, on: str) -> Response:
        session = board.person(request)
        draft = _draft(plan_id)
        stops = data.day(draft, truck_id, on)
        if stops is None:
            raise HTTPException(404, "that truck has no stops that day")
        return board.show(
            request, "day.html", session, plan_id=plan_id, truck_id=truck_id, on=on, stops=stops,
            choices=data.choices(plan_id), asks=ASKS, revision=draft.revision,
            orders=sum(stop["order_id"] is not None for stop in stops),
        )  # fmt: skip

    def _draft(plan_id: str) -> Draft:
        try:
            return board.drafts.draft(plan_id)
        except ScheduleError as error:
            raise HTTPException(404, str(error)) from error

    _changing(app, board)


def _changing(app: FastAPI, board: Board) -> None:
    database = board.data.database

    @app.post("/api/moves", responses={401: {}, 403: {}, 404: {}, 409: {}, 413: {}})
    def moves(request: Request, asked: Move) -> Response:
        """Keep an order to a truck and day; told is what that does and which limit forbids it.

        409 where the week is not the one that was seen, or a limit is in the way; then nothing is
        changed. Needs the session's token.
        """
        session = board.person(request, "plan")
        check_csrf(session, request.headers.get("x-csrf-token", ""))
        found = _moved(asked, session)
        return JSONResponse(_told(found), 200 if found.is_done else 409)

    @app.post("/moves", include_in_schema=False)
    def moves_of_form(
        request: Request,
        csrf: Annotated[str, Form()] = "",
        plan_id: Annotated[str, Form(max_length=_SHORT)] = "",
        revision: Annotated[str, Form(max_length=_SHORT)] = "",
        order_id: Annotated[str, Form(max_length=_SHORT)] = "",
        truck_id: Annotated[str, Form(max_length=_SHORT)] = "",
        on: Annotated[str, Form(max_length=10)] = "",
        place: Annotated[str, Form(max_length=3)] = "",
        why: Annotated[str, Form(max_length=500)] = "",
        insists: Annotated[str, Form(max_length=3)] = "",
    ) -> Response:
        session = board.person(request, "plan")
        check_csrf(session, csrf)
        if place and not (place.isdecimal() and 1 <= int(place) <= _MOST_PLACES):
            raise HTTPException(422, f"a place in the day is a number, 1 to {_MOST_PLACES}")
        asked = Move.model_construct(
            plan_id=plan_id, revision=revision, order_id=order_id, truck_id=truck_id, on=on,
            place=int(place) if place else None, why=why, insists=insists == "yes",
        )  # fmt: skip
        found = _moved(asked, session)
        if not found.is_done:
            return board.show(
                request, "refused.html", session, 409, found=found, asked=asked, back="/"
            )
        return RedirectResponse("/", 303)

    def _moved(asked: Move, session: Session) -> Moved:
        try:
            return move(
                database, board.drafts, asked.plan_id, asked.order_id, asked.truck_id, asked.on,
                seen=asked.revision, who=session.name, why=asked.why, place=asked.place,
                insists=asked.insists,
            )  # fmt: skip
        except ScheduleError as error:
            raise HTTPException(404, str(error)) from error

    def adopt(solved: Draft) -> None:
        if not board.drafts.adopt(solved):
            raise ScheduleError("somebody changed the week meanwhile; solve it again")

    @app.post("/week/solve", include_in_schema=False)
    def solve(
        request: Request,
        csrf: Annotated[str, Form()] = "",
        plan_id: Annotated[str, Form(max_length=_SHORT)] = "",
    ) -> Response:
        session = board.person(request, "plan")
        check_csrf(session, csrf)
        draft = board.drafts.draft(plan_id)
        task = board.desk.ask(
            ("solve", draft.revision),
            "The week is solved again",
            session.name,
            tasks.solve,
            database.location,
            plan_id,
            board.settings,
            board.kept,
            back="/",
            then=adopt,
        )
        return board.to_task(task)

    @app.post("/week/unsolve", include_in_schema=False)
    def unsolve(
        request: Request,
        csrf: Annotated[str, Form()] = "",
        plan_id: Annotated[str, Form(max_length=_SHORT)] = "",
    ) -> Response:
        check_csrf(board.person(request, "plan"), csrf)
        board.drafts.forget_solved(plan_id)
        return RedirectResponse("/", 303)

    @app.post("/week/publish", include_in_schema=False)
    def publish(
        request: Request,
        csrf: Annotated[str, Form()] = "",
        plan_id: Annotated[str, Form(max_length=_SHORT)] = "",
        revision: Annotated[str, Form(max_length=_SHORT)] = "",
    ) -> Response:
        session = board.person(request, "plan")
        check_csrf(session, csrf)
        if board.out is None:
            raise HTTPException(
                409, "the board was started without --out, a folder to publish into"
            )
        draft = board.drafts.draft(plan_id)
        if draft.revision != revision:
            raise HTTPException(409, "somebody changed the week since; look at it again first")
        if draft.breaches:
            raise HTTPException(409, "the week breaks a limit; mend that first")
        task = board.desk.ask(
            ("publish", plan_id),
            "The plan is made and published",
            session.name,
            tasks.publish,
            database.location,
            board.out,
            plan_id,
            draft.frames["plan_stops"],
            board.settings,
            back="/",
        )
        return board.to_task(task)

    @app.post("/edits", include_in_schema=False)
    def put(
        request: Request,
        csrf: Annotated[str, Form()] = "",
        order_id: Annotated[str, Form(max_length=_SHORT)] = "",
        asks: Annotated[str, Form(max_length=10)] = "",
        truck_id: Annotated[str, Form(max_length=_SHORT)] = "",
        on: Annotated[str, Form(max_length=10)] = "",
        why: Annotated[str, Form(max_length=500)] = "",
    ) -> Response:
        session = board.person(request, "plan")
        check_csrf(session, csrf)
        given = {
            "order_id": order_id, "asks": asks, "truck_id": truck_id, "on": on, "why": why,
        }  # fmt: skip
        faults = ask(database, given, session.name)
        if faults:
            words = f"Nothing was noted: {'; '.join(faults)}"
            return board.show(request, "fault.html", session, 422, words=words)
        return RedirectResponse("/#asked", 303)

    @app.post("/edits/back", include_in_schema=False)
    def back(
        request: Request,
        csrf: Annotated[str, Form()] = "",
        edit_id: Annotated[str, Form(max_length=_SHORT)] = "",
    ) -> Response:
        session = board.person(request, "plan")
        check_csrf(session, csrf)
        if not take_back(database, edit_id, session.name):
            raise HTTPException(409, "somebody took it back before")
        return RedirectResponse("/#asked", 303)


def _told(found: Moved) -> dict[str, Any]:
    return {
        "is_done": found.is_done,
        "words": found.words,
        "is_conflict": found.is_conflict,
        "others": list(found.others),
        "revision": found.revision,
    }
