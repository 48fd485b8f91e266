"""What stands before every page: who may come in, what may be sent, what a browser may do."""

from __future__ import annotations

import secrets
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from typing import Final
from urllib.parse import urlsplit

from fastapi import HTTPException, Request, Response
from starlette.datastructures import Headers
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from vaultplan.store.accounts import SESSION_HOURS, Accounts, Session

COOKIE: Final = "vaultplan_session"
#: Largest form or result that is taken; rows of other systems and pictures may be longer.
MOST_BYTES: Final = 1_000_000
LONG_BYTES: Final = 12_000_000
LONG_PATHS: Final = ("/api/feeds/", "/api/photos/")
#: Nothing from elsewhere, no script or style in a page, no frame, no form to another place.
HEADERS: Final[dict[str, str]] = {
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; "
    "img-src 'self' data:; connect-src 'self'; worker-src 'self'; form-action 'self'; "
    "base-uri 'none'; frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    # With no-referrer a browser sends the board's own forms as if from nowhere.
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "geolocation=(), camera=(), microphone=()",
    "cache-control": "no-store",
}
_CHANGING: Final = ("POST", "PUT", "PATCH", "DELETE")


class Guard:
    """Refuses other hosts, other origins and bodies that are too long; adds the headers."""

    def __init__(self, app: ASGIApp, hosts: frozenset[str]) -> None:
        self._app, self._hosts = app, hosts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or answer it with what is wrong."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                own = message.get("headers", [])
                said = {name.lower() for name, _ in own}
                given = [(name.encode(), value.encode()) for name, value in HEADERS.items()]
                # A page that is one file brings a policy of its own.
                message["headers"] = [*own, *(each for each in given if each[0] not in said)]
            await send(message)

        fault = self._fault(scope, headers)
        if fault is not None:
            status, words = fault
            await Response(words, status, media_type="text/plain")(scope, receive, with_headers)
            return
        await self._app(scope, _limited(receive, most_bytes(scope["path"])), with_headers)

    def _fault(self, scope: Scope, headers: Headers) -> tuple[int, str] | None:
        host = headers.get("host", "")
        # A name that someone else points at this machine must not reach it.
        if host not in self._hosts:
            return 400, "this board does not answer to that name"
        if scope["method"] in _CHANGING:
            origin = headers.get("origin")
            if origin is not None and urlsplit(origin).netloc != host:
                return 403, "sent from another site"
            if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
                return 403, "sent from another site"
        length = headers.get("content-length", "0")
        most = most_bytes(scope["path"])
        if not length.isdecimal() or int(length) > most:
            return 413, f"more than {most:,} bytes"
        return None


def most_bytes(path: str) -> int:
    """Return how many bytes may be sent to a path."""
    return LONG_BYTES if path.startswith(LONG_PATHS) else MOST_BYTES


def _limited(receive: Receive, most: int) -> Callable[[], Awaitable[Message]]:
    """Return what receives a body until it is too long, whatever its length was said to be."""
    seen = 0

    async def received() -> Message:
        nonlocal seen
        message = await receive()
        seen += len(message.get("body", b""))
        if seen > most:
            raise HTTPException(413, f"more than {most:,} bytes")
        return message

    return received


@dataclass(slots=True)
class Door:
    """Lets people in: by account, or on this machine alone by the code that the program shows."""

    accounts: Accounts
    code: str = field(default_factory=lambda: "-".join(secrets.token_hex(2) for _ in range(4)))
    is_secure: bool = False

    @property
    def asks_for_names(self) -> bool:
        """Whether there are accounts; without any, the code is asked for."""
        return bool(self.accounts.names())

    def enter(self, name: str, word: str, address: str) -> str | None:
        """Return the secret of a new session, or none if the word is wrong.

        Raises
        ------
        HTTPException
            429, if the name or address tried in vain too often.
        """
        who = (f"name {name}", f"address {address}")
        if self.accounts.must_wait(*who):
            raise HTTPException(429, "too many attempts; wait a quarter of an hour")
        if self.asks_for_names:
            role = self.accounts.role_of(name, word)
        else:
            name = "this machine"
            role = "planner" if secrets.compare_digest(word.encode(), self.code.encode()) else None
        if role is None:
            self.accounts.note_try(*who)
            return None
        return self.accounts.begin(name, role)[0]

    def session(self, request: Request) -> Session | None:
        """Return who sent a request, if they are logged in or have a key."""
        scheme, _, key = request.headers.get("authorization", "").partition(" ")
        if scheme.lower() == "bearer":
            return self.accounts.program(key.strip())
        token = request.cookies.get(COOKIE)
        return self.accounts.session(token) if token else None

    def give_cookie(self, response: Response, token: str) -> None:
        """Let the browser keep the secret of a session, out of reach of scripts."""
        response.set_cookie(
            COOKIE, token, httponly=True, samesite="strict", secure=self.is_secure, path="/",
            max_age=int(3600 * SESSION_HOURS),
        )  # fmt: skip


def must(session: Session | None, what: str) -> Session:
    """Return the session, if its role allows what is asked.

    Raises
    ------
    HTTPException
        401 without a session, 403 where the role does not allow it.
    """
    if session is None:
        raise HTTPException(401, "log in first")
    if not session.may(what):
        raise HTTPException(403, f"the role {session.role} may not {what}")
    return session


def check_csrf(session: Session, given: str) -> None:
    """Refuse a form that does not carry its session's token; no browser sends a key by itself."""
    if session.has_key:
        return
    if not secrets.compare_digest(given.encode(), session.csrf.encode()):
        raise HTTPException(403, "the form is too old; load the page again")
