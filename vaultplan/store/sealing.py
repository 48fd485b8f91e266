"""The embedded file at its ends: beside its journal while it is written, one plain file after."""

from __future__ import annotations

import sqlite3
from contextlib import closing, suppress
from pathlib import Path
from typing import Final

_SEAL_SECONDS: Final = 0.5


def plain_connection(path: Path, busy_seconds: float = _SEAL_SECONDS) -> sqlite3.Connection:
    """Return a connection of our own to a file, without the dialect and its functions."""
    return sqlite3.connect(path, timeout=busy_seconds, isolation_level=None)


def keep_readers_going(connection: sqlite3.Connection) -> None:
    """Write ahead in a second file, so that readers see the old state meanwhile.

    The switch needs the file to itself for a moment; where a reader is in the way, or the file may
    not be written, the transaction does without.
    """
    (waiting,) = connection.execute("PRAGMA busy_timeout").fetchone()
    connection.execute("PRAGMA busy_timeout = 0")
    with suppress(sqlite3.OperationalError):
        connection.execute("PRAGMA journal_mode = WAL")
    (mode,) = connection.execute("PRAGMA journal_mode").fetchone()
    if mode != "wal":
        # Each page that leaves memory early would wait for the reader anew, not the last step only.
        connection.execute("PRAGMA cache_spill = OFF")
    connection.execute(f"PRAGMA busy_timeout = {int(waiting)}")


def seal(path: Path) -> None:
    """Fold the second file in, or leave that for later while somebody has the file open."""
    with suppress(sqlite3.OperationalError), closing(plain_connection(path)) as connection:
        (mode,) = connection.execute("PRAGMA journal_mode").fetchone()
        if mode == "wal":
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            connection.execute("PRAGMA journal_mode = DELETE")


def remove(path: Path) -> None:
    """Delete a file and what SQLite keeps beside it."""
    for ending in ("", "-wal", "-shm", "-journal"):
        path.with_name(f"{path.name}{ending}").unlink(missing_ok=True)
