"""Transactions that write, and who waits for whom."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final, Literal

import sqlalchemy as sa

from vaultplan.store.connect import WRITES
from vaultplan.store.geopackage import DIALECT
from vaultplan.store.sealing import keep_readers_going

#: What a writer changes: files that are loaded, plans that are made, or the tables themselves.
Area = Literal["loads", "plans", "tables"]

#: PostGIS: the first half of every advisory lock of ours, and the second halves.
_OURS: Final = 0x7661756C
_ALL: Final = 0
_NUMBERS: Final = {"loads": 1, "plans": 2}


@contextmanager
def transaction(engine: sa.Engine, area: Area = "tables") -> Iterator[sa.Connection]:
    """Give a connection in one transaction that may write, and has waited for its turn.

    Notes
    -----
    On a server the writers of one area queue for each other; those of another go on beside them,
    and who changes the tables themselves waits for all and keeps all waiting. An embedded file has
    one writer at a time, whatever it writes.
    """
    with engine.connect() as connection:
        connection = connection.execution_options(**{WRITES: True})
        connection.info.pop("touched", None)
        if engine.dialect.name == DIALECT:
            keep_readers_going(driver_of(connection))
        with connection.begin():
            if engine.dialect.name != DIALECT:
                _wait_for_turn(connection, area)
            yield connection


def _wait_for_turn(connection: sa.Connection, area: Area) -> None:
    ask = connection.exec_driver_sql
    if area == "tables":
        ask(f"SELECT pg_advisory_xact_lock({_OURS}, {_ALL})")
        return
    ask(f"SELECT pg_advisory_xact_lock_shared({_OURS}, {_ALL})")
    ask(f"SELECT pg_advisory_xact_lock({_OURS}, {_NUMBERS[area]})")


def driver_of(connection: sa.Connection) -> sqlite3.Connection:
    """Return Python's own connection to an embedded file."""
    driver = connection.connection.driver_connection
    if not isinstance(driver, sqlite3.Connection):
        raise TypeError("this connection is not to an embedded database")
    return driver
