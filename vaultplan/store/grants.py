"""Who may read a server's database without being able to change it."""

from __future__ import annotations

import sqlalchemy as sa

from vaultplan.errors import StoreError
from vaultplan.schema import STORED
from vaultplan.store.connect import is_server, plain_faults, shown
from vaultplan.store.database import Database, open_database

#: Tables of ours that the schema does not declare, and that every reader asks.
_BESIDES = ("alembic_version", "touched_rows")


def reading_grants(location: str, role: str) -> list[str]:
    """Return the statements that let an existing role read all of a database, and nothing else.

    They name our tables and those that the same owner makes in the same schema later.

    Raises
    ------
    StoreError
        If the database is a file, or the server has no such role.
    """
    if not is_server(location):
        raise StoreError(
            f"{location} is a file and has no roles; let your system say who may read and write it"
        )
    with open_database(location) as database:
        return _statements(database, role)


def grant_reading(location: str, role: str) -> list[str]:
    """Let an existing role read all of a database; return the statements that were run.

    Raises
    ------
    StoreError
        As :func:`reading_grants`, or if you may not grant this.
    """
    statements = reading_grants(location, role)
    with open_database(location) as database, database.writing("tables") as connection:
        for statement in statements:
            connection.exec_driver_sql(statement.replace("%", "%%"))
    return statements


def _statements(database: Database, role: str) -> list[str]:
    quote = database.engine.dialect.identifier_preparer.quote
    named = quote(role)
    with plain_faults(database.engine, database.location), database.reading() as connection:
        known = connection.execute(
            sa.text("SELECT count(*) FROM pg_roles WHERE rolname = :role"), {"role": role}
        ).scalar_one()
        place = connection.exec_driver_sql("SELECT current_database(), current_schema()").one()
    if not known:
        raise StoreError(
            f"{shown(database.location)} has no role {role}; its administrator makes one with: "
            f"CREATE ROLE {named} LOGIN PASSWORD '...'"
        )
    base, schema = (quote(str(part)) for part in place)
    tables = ", ".join(f"{schema}.{name}" for name in (*STORED, *_BESIDES))
    return [
        f"GRANT CONNECT ON DATABASE {base} TO {named}",
        f"GRANT USAGE ON SCHEMA {schema} TO {named}",
        f"GRANT SELECT ON {tables} TO {named}",
        f"ALTER DEFAULT PRIVILEGES IN SCHEMA {schema} GRANT SELECT ON TABLES TO {named}",
    ]
