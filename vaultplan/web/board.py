"""What every page of the board needs: the data, the door, drafts and long work."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fastapi import HTTPException, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from fastapi.templating import Jinja2Templates
from markupsafe import Markup

from vaultplan.drafting import Drafts
from vaultplan.outputs.cautions import CAUTIONS
from vaultplan.settings import Settings
from vaultplan.store.accounts import Session
from vaultplan.web.data import BoardData
from vaultplan.web.desk import Desk, Task
from vaultplan.web.fleet_tiles import FleetTiles
from vaultplan.web.guard import Door, must
from vaultplan.web.results import Answer, take


@dataclass(slots=True)
class Board:
    """The board over one database.

    Attributes
    ----------
    photos
        Folder of the pictures taken on visits.
    kept
        Folder in which runs of the program keep driving times; none if nothing is kept.
    out
        Folder that published plans are written into; none if the board publishes nothing.
    """

    data: BoardData
    door: Door
    settings: Settings
    templates: Jinja2Templates
    drafts: Drafts
    desk: Desk
    photos: Path
    tiles: FleetTiles
    kept: Path | None = None
    out: Path | None = None

    def show(
        self, request: Request, name: str, session: Session | None, status: int = 200, **more: Any
    ) -> HTMLResponse:
        """Return a page."""
        told = {
            "session": session,
            "may": (lambda what: session is not None and session.may(what)),
            "cautions": CAUTIONS,
            "fleet": self.data.database.name or "this fleet",
            **more,
        }
        page: HTMLResponse = self.templates.TemplateResponse(request, name, told, status)
        return page

    def part(self, name: str, **told: Any) -> Markup:
        """Return a part of a page that is the same for everyone who may see it."""
        # The template has escaped what it was told.
        return Markup(self.templates.get_template(name).render(told))  # noqa: S704

    def person(self, request: Request, what: str = "see") -> Session:
        """Return who asks, if their role allows it."""
        return must(self.door.session(request), what)

    def anyone(self, request: Request) -> Session:
        """Return who asks, whatever their role: a crew that came by its link too.

        Raises
        ------
        HTTPException
            401, if nobody is logged in.
        """
        session = self.door.session(request)
        if session is None:
            raise HTTPException(401, "log in first")
        return session

    def recorder(self, request: Request, vault_id: str = "") -> Session:
        """Return who asks, if they may record a result of a vault: a crew at its own stops.

        Without a vault it is asked whether they may record at all.
        """
        session = self.anyone(request)
        if session.scope is not None:
            if vault_id and not self.data.may_record(session.scope, vault_id):
                raise HTTPException(403, f"{vault_id} is none of {session.name}'s stops")
            return session
        return must(session, "record")

    def record(self, key: str, given: dict[str, str], who: str) -> Answer:
        """Record a result; see :func:`vaultplan.web.results.take`."""
        answer = take(self.data.database, key, given, who, self.settings)
        if not answer.faults:
            self.tiles.note_grade(given.get("vault_id", ""), given.get("grade", ""))
        return answer

    def to_task(self, task: Task) -> Response:
        """Lead a browser to the page of a piece of work."""
        return RedirectResponse(f"/task/{task.task_id}", 303)

    def task(self, task_id: str) -> Task:
        """Return a piece of work.

        Raises
        ------
        HTTPException
            404, if it is not known any more.
        """
        found = self.desk.task(task_id)
        if found is None:
            raise HTTPException(404, "that work is not known any more; ask for it again")
        return found
