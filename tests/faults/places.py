"""Places for trials: one name for the database at work, and what it may be set back to."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

from vaultplan.store.integrity import check_integrity
from vaultplan.store.sealing import plain_connection, remove


class FilePlace:
    """An embedded file that is set back by copying another."""

    is_embedded = True

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.location = str(folder / "trial.gpkg")

    def keep(self, name: str, make: Callable[[str], Any]) -> None:
        """Make a database to set the place back to."""
        make(str(self.folder / f"{name}.gpkg"))

    def set_back(self, name: str) -> str:
        """Begin with that database again; return the place's location."""
        remove(Path(self.location))
        shutil.copy(self.folder / f"{name}.gpkg", self.location)
        return self.location

    def spilled(self) -> int:
        """Bytes of unfinished work that have reached the disk."""
        ahead = Path(f"{self.location}-wal")
        return ahead.stat().st_size if ahead.exists() else 0

    def check(self) -> None:
        """Hold the pages to SQLite's own check, before anything else opens the file."""
        with closing(plain_connection(Path(self.location), 20)) as connection:
            assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            assert connection.execute("PRAGMA foreign_key_check").fetchall() == []


class ServerPlace:
    """A database on a server that is set back by making it from a template."""

    is_embedded = False

    def __init__(self, server: str, empty: str) -> None:
        self.server, self.empty = server, empty
        self.location = f"{server}/trial"

    def run(self, statement: str) -> None:
        """Run a statement that stands outside any transaction."""
        import psycopg

        with psycopg.connect(f"{self.server}/postgres", autocommit=True) as connection:
            connection.execute(statement)

    def keep(self, name: str, make: Callable[[str], Any]) -> None:
        """Make a database to set the place back to."""
        self.run(f'CREATE DATABASE "base_{name}" TEMPLATE {self.empty}')
        make(f"{self.server}/base_{name}")

    def set_back(self, name: str) -> str:
        """Begin with that database again; return the place's location."""
        self.run("DROP DATABASE IF EXISTS trial WITH (FORCE)")
        self.run(f'CREATE DATABASE trial TEMPLATE "base_{name}"')
        return self.location

    def spilled(self) -> int:
        """A server writes as it goes; there is nothing to measure here."""
        return 0

    def check(self) -> None:
        """Every index holds what its table does."""
        import psycopg

        with psycopg.connect(self.location) as connection:
            connection.execute("CREATE EXTENSION IF NOT EXISTS amcheck")
            connection.execute(
                "SELECT bt_index_check(c.oid, true) FROM pg_index i JOIN pg_class c "
                "ON c.oid = i.indexrelid JOIN pg_am a ON a.oid = c.relam JOIN pg_namespace n "
                "ON n.oid = c.relnamespace WHERE a.amname = 'btree' AND n.nspname = 'public'"
            )
            connection.rollback()


Place = FilePlace | ServerPlace


def is_sound(location: str) -> None:
    """Hold a database of today's tables to the program's own check."""
    found = check_integrity(location)
    assert found.is_sound, [str(problem) for problem in found.problems]
