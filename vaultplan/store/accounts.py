"""Who may use the board: accounts and open sessions, in a small file of their own.

They are not in the fleet's database, which others read, copy and open in desktop GIS.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import os
import secrets
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Final

from vaultplan.errors import SettingsError, StoreError

#: What each role may do on the board.
ROLES: Final[dict[str, frozenset[str]]] = {
    "reader": frozenset({"see"}),
    "planner": frozenset({"see", "record", "plan", "mend", "feed"}),
    "specialist": frozenset({"see", "record", "override"}),
    "manager": frozenset({"see", "record", "plan", "mend", "feed", "lock"}),
    # Another program, by its key: it has no password and opens no page that people see.
    "system": frozenset({"see", "record", "feed"}),
}
#: Roles that have a name and a password.
PEOPLE: Final = tuple(role for role in ROLES if role != "system")
#: A crew comes by a signed link, sees its own stops and records what it found there.
CREW: Final = "crew"
SESSION_HOURS: Final = 12.0
#: So many wrong passwords for a name, or from an address, within the minutes; then it waits.
MOST_TRIES, TRY_MINUTES = 8, 15.0
LEAST_PASSWORD: Final = 12
#: An answer to a program is given again for so long.
ANSWER_DAYS: Final = 7.0
_TABLES: Final = """
CREATE TABLE IF NOT EXISTS accounts (
    name TEXT PRIMARY KEY, role TEXT NOT NULL, password TEXT NOT NULL, is_open INTEGER NOT NULL
);
CREATE TABLE IF NOT EXISTS sessions (
    token_hash TEXT PRIMARY KEY, name TEXT NOT NULL, role TEXT NOT NULL, csrf TEXT NOT NULL,
    ends_at REAL NOT NULL
);
CREATE TABLE IF NOT EXISTS crew_sessions (
    token_hash TEXT PRIMARY KEY, csrf TEXT NOT NULL, ends_at REAL NOT NULL, truck_id TEXT NOT NULL,
    first_on TEXT NOT NULL, last_on TEXT NOT NULL
);
CREATE TABLE IF NOT EXISTS keys (key_hash TEXT PRIMARY KEY, name TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS answers (
    name TEXT NOT NULL, key TEXT NOT NULL, asked_hash TEXT NOT NULL, answer TEXT NOT NULL,
    at REAL NOT NULL, PRIMARY KEY (name, key)
);
CREATE TABLE IF NOT EXISTS secrets (name TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS tries (who TEXT NOT NULL, at REAL NOT NULL);
CREATE INDEX IF NOT EXISTS tries_who ON tries (who, at);
"""


@dataclass(frozen=True, slots=True)
class Scope:
    """What a crew's link is for: a truck, from its first day (YYYY-MM-DD) to its last."""

    truck_id: str
    first_on: str
    last_on: str


@dataclass(frozen=True, slots=True)
class Session:
    """Someone who is logged in; ``csrf`` must come back with every form.

    A program that came by its key ``has_key`` and sends none. A crew has a ``scope``.
    """

    name: str
    role: str
    csrf: str
    has_key: bool = False
    scope: Scope | None = None

    def may(self, what: str) -> bool:
        """Whether the role allows it."""
        return what in ROLES.get(self.role, frozenset())


class Accounts:
    """The file of accounts; made, for its owner alone, if it is not there.

    Raises
    ------
    StoreError
        If the file cannot be made, or is none of accounts.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            os.close(os.open(path, os.O_RDWR | os.O_CREAT, 0o600))
            with self._connected() as connection:
                connection.executescript(_TABLES)
        except (OSError, sqlite3.Error) as error:
            raise StoreError(f"{path} cannot be used for accounts: {error}") from error

    @contextmanager
    def _connected(self) -> Iterator[sqlite3.Connection]:
        with closing(sqlite3.connect(self.path, timeout=10.0)) as connection, connection:
            yield connection

    def names(self) -> dict[str, str]:
        """Return the roles of all open accounts by name."""
        with self._connected() as connection:
            rows = connection.execute("SELECT name, role FROM accounts WHERE is_open = 1")
            return dict(rows.fetchall())

    def put(self, name: str, role: str, password: str) -> None:
        """Make an account, or give one another role and password; its sessions end.

        Raises
        ------
        SettingsError
            If the role is none, the name blank or the password too short.
        """
        if role not in PEOPLE:
            raise SettingsError(f"no role {role!r}; choose one of {', '.join(PEOPLE)}")
        if not name.strip() or name != name.strip() or not name.isprintable():
            raise SettingsError("a name of an account has letters, and no blank at its ends")
        if len(password) < LEAST_PASSWORD:
            raise SettingsError(f"a password has at least {LEAST_PASSWORD} characters")
        from argon2 import PasswordHasher

        kept = PasswordHasher().hash(password)
        with self._connected() as connection:
            connection.execute(
                "INSERT OR REPLACE INTO accounts VALUES (?, ?, ?, 1)", (name, role, kept)
            )
            connection.execute("DELETE FROM sessions WHERE name = ?", (name,))

    def close(self, name: str) -> bool:
        """Close an account and end its sessions; return whether there was one."""
        with self._connected() as connection:
            found = connection.execute(
                "UPDATE accounts SET is_open = 0 WHERE name = ? AND is_open = 1", (name,)
            )
            connection.execute("DELETE FROM sessions WHERE name = ?", (name,))
            return found.rowcount > 0

    def role_of(self, name: str, password: str) -> str | None:
        """Return the role of an open account with that password; none if there is none.

        A name that is not known takes as long as a wrong password.
        """
        from argon2 import PasswordHasher
        from argon2.exceptions import Argon2Error, InvalidHashError

        hasher = PasswordHasher()
        with self._connected() as connection:
            row = connection.execute(
                "SELECT role, password FROM accounts WHERE name = ? AND is_open = 1", (name,)
            ).fetchone()
        try:
            hasher.verify(row[1] if row else _nobodys(), password)
        except (Argon2Error, InvalidHashError):
            return None
        return str(row[0]) if row else None

    def must_wait(self, *who: str) -> bool:
        """Whether a name or address tried in vain too often lately."""
        since = time.time() - 60.0 * TRY_MINUTES
        with self._connected() as connection:
            connection.execute("DELETE FROM tries WHERE at < ?", (since,))
            counts = [
                connection.execute("SELECT COUNT(*) FROM tries WHERE who = ?", (one,)).fetchone()[0]
                for one in who
            ]
        return max(counts, default=0) >= MOST_TRIES

    def note_try(self, *who: str) -> None:
        """Note a vain attempt of a name and an address."""
        with self._connected() as connection:
            connection.executemany(
                "INSERT INTO tries VALUES (?, ?)", [(w, time.time()) for w in who]
            )

    def begin(self, name: str, role: str) -> tuple[str, Session]:
        """Open a session; return its secret, which is kept only as a hash, and the session."""
        token, session = secrets.token_urlsafe(32), Session(name, role, secrets.token_urlsafe(24))
        ends = time.time() + 3600.0 * SESSION_HOURS
        with self._connected() as connection:
            connection.execute("DELETE FROM sessions WHERE ends_at < ?", (time.time(),))
            connection.execute(
                "INSERT INTO sessions VALUES (?, ?, ?, ?, ?)",
                (_hash(token), name, role, session.csrf, ends),
            )
        return token, session

    def session(self, token: str) -> Session | None:
        """Return the session of a secret, if it is open still."""
        with self._connected() as connection:
            row = connection.execute(
                "SELECT name, role, csrf FROM sessions WHERE token_hash = ? AND ends_at > ?",
                (_hash(token), time.time()),
            ).fetchone()
            crew = connection.execute(
                "SELECT csrf, truck_id, first_on, last_on FROM crew_sessions"
                " WHERE token_hash = ? AND ends_at > ?",
                (_hash(token), time.time()),
            ).fetchone()
        if crew is not None:
            return Session(f"crew {crew[1]}", CREW, crew[0], scope=Scope(*crew[1:]))
        return None if row is None else Session(*row)

    def end(self, token: str) -> None:
        """End a session."""
        with self._connected() as connection:
            for table in ("sessions", "crew_sessions"):
                connection.execute(f"DELETE FROM {table} WHERE token_hash = ?", (_hash(token),))  # noqa: S608

    def give_key(self, name: str) -> str:
        """Return a new key for another program, in place of any it had; only its hash is kept."""
        if not name.strip() or name != name.strip() or not name.isprintable():
            raise SettingsError("a name of an account has letters, and no blank at its ends")
        key = secrets.token_urlsafe(32)
        with self._connected() as connection:
            connection.execute("DELETE FROM keys WHERE name = ?", (name,))
            connection.execute("INSERT INTO keys VALUES (?, ?)", (_hash(key), name))
        return key

    def take_key(self, name: str) -> bool:
        """Make a program's key worth nothing; return whether it had one."""
        with self._connected() as connection:
            found = connection.execute("DELETE FROM keys WHERE name = ?", (name,))
            return found.rowcount > 0

    def program(self, key: str) -> Session | None:
        """Return the program that has a key."""
        with self._connected() as connection:
            row = connection.execute(
                "SELECT name FROM keys WHERE key_hash = ?", (_hash(key),)
            ).fetchone()
        return None if row is None else Session(str(row[0]), "system", "", has_key=True)

    def answer(self, name: str, key: str) -> tuple[str, str] | None:
        """Return what was asked (its hash) and answered under somebody's key before."""
        with self._connected() as connection:
            row = connection.execute(
                "SELECT asked_hash, answer FROM answers WHERE name = ? AND key = ?", (name, key)
            ).fetchone()
        return None if row is None else (str(row[0]), str(row[1]))

    def keep_answer(self, name: str, key: str, asked_hash: str, answer: str) -> None:
        """Keep an answer, to be given again to whoever asks the same under the same key."""
        with self._connected() as connection:
            old = time.time() - 86_400.0 * ANSWER_DAYS
            connection.execute("DELETE FROM answers WHERE at < ?", (old,))
            connection.execute(
                "INSERT OR IGNORE INTO answers VALUES (?, ?, ?, ?, ?)",
                (name, key, asked_hash, answer, time.time()),
            )

    def link_code(self, scope: Scope, ends: float) -> str:
        """Return the signed code of a crew's link, good until a time in seconds since 1970."""
        told = json.dumps([scope.truck_id, scope.first_on, scope.last_on, int(ends)])
        words = base64.urlsafe_b64encode(told.encode()).decode("ascii").rstrip("=")
        return f"{words}.{self._signed(words)}"

    def begin_crew(self, code: str) -> str | None:
        """Open a crew's session; none if the code is not ours, or is over."""
        words, _, signature = code.partition(".")
        if not hmac.compare_digest(signature.encode(), self._signed(words).encode()):
            return None
        told = json.loads(base64.urlsafe_b64decode(words + "=" * (-len(words) % 4)))
        truck_id, first_on, last_on, ends = told
        if ends <= time.time():
            return None
        token = secrets.token_urlsafe(32)
        until = min(float(ends), time.time() + 3600.0 * SESSION_HOURS)
        with self._connected() as connection:
            connection.execute("DELETE FROM crew_sessions WHERE ends_at < ?", (time.time(),))
            connection.execute(
                "INSERT INTO crew_sessions VALUES (?, ?, ?, ?, ?, ?)",
                (_hash(token), secrets.token_urlsafe(24), until, truck_id, first_on, last_on),
            )
        return token

    def void_links(self) -> None:
        """Make all links given so far worth nothing, and end the crews' sessions."""
        with self._connected() as connection:
            connection.execute("DELETE FROM secrets WHERE name = 'links'")
            connection.execute("DELETE FROM crew_sessions")

    def _signed(self, words: str) -> str:
        with self._connected() as connection:
            connection.execute(
                "INSERT OR IGNORE INTO secrets VALUES ('links', ?)", (secrets.token_hex(32),)
            )
            secret = connection.execute(
                "SELECT value FROM secrets WHERE name = 'links'"
            ).fetchone()[0]
        digest = hmac.new(str(secret).encode(), words.encode(), "sha256").digest()
        return base64.urlsafe_b64encode(digest).decode("ascii").rstrip("=")


@cache
def _nobodys() -> str:
    from argon2 import PasswordHasher

    return PasswordHasher().hash(secrets.token_hex(16))


def _hash(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()
