"""Versions of the tables: bringing a database up to date and writing the next step.

``python -m vaultplan.store.migrate 0002 "what it does"`` writes the step from the newest version
to what ``schema.py`` now declares. The first step may be written anew until it is released:
``python -m vaultplan.store.migrate 0001 "first tables"``.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any, Final, Literal

import sqlalchemy as sa
from alembic.autogenerate import compare_metadata, produce_migrations, render_python_code
from alembic.autogenerate.api import AutogenContext
from alembic.config import Config
from alembic.ddl.sqlite import SQLiteImpl
from alembic.runtime.environment import EnvironmentContext
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from geoalchemy2 import Geometry

from vaultplan.schema import STORED, TABLES
from vaultplan.store.connect import WRITES, file_engine
from vaultplan.store.geopackage import DIALECT
from vaultplan.store.geopackage_meta import (
    create_own_tables,
    create_rtree,
    drop_rtree,
    register_attributes,
    register_layer,
)
from vaultplan.store.tables import KEY, stored_tables

_FOLDER: Final = Path(__file__).parent / "migrations"


class GeoPackageImpl(SQLiteImpl):
    """How Alembic makes tables and spatial indexes in a GeoPackage."""

    __dialect__ = DIALECT
    transactional_ddl = True

    def create_table(self, table: sa.Table, **kw: Any) -> None:
        """Make a table and list it in the GeoPackage's contents."""
        super().create_table(table, **kw)
        connection = self._open_connection()
        meaning = TABLES[table.name].meaning if table.name in TABLES else ""
        for column in table.columns:
            if isinstance(column.type, Geometry):
                shape, srid = str(column.type.geometry_type), column.type.srid
                register_layer(connection, table.name, column.name, shape, srid, meaning)
                return
        register_attributes(connection, table.name, meaning)

    def create_index(self, index: sa.Index, **kw: Any) -> None:
        """Make an index; one declared as GiST becomes an R-tree."""
        if _is_spatial(index) and index.table is not None:
            (column,) = index.columns
            create_rtree(self._open_connection(), index.table.name, column.name, KEY)
        else:
            super().create_index(index, **kw)

    def drop_index(self, index: sa.Index, **kw: Any) -> None:
        """Drop an index or an R-tree."""
        if _is_spatial(index) and index.table is not None:
            (column,) = index.columns
            drop_rtree(self._open_connection(), index.table.name, column.name)
        else:
            super().drop_index(index, **kw)

    def _open_connection(self) -> sa.Connection:
        if self.connection is None:
            raise RuntimeError("a GeoPackage is migrated on an open connection only")
        return self.connection


def _is_spatial(index: sa.Index) -> bool:
    return bool(index.dialect_options["postgresql"]["using"] == "gist")


def _options(connection: sa.Connection, srid: int) -> dict[str, Any]:
    def is_ours(name: str | None, kind: str, _parents: object) -> bool:
        return kind != "table" or name in STORED

    return {
        "connection": connection,
        "target_metadata": stored_tables(srid).metadata,
        "srid": srid,
        "include_name": is_ours,
    }


def _config(connection: sa.Connection | None = None, srid: int = 0) -> Config:
    config = Config()
    config.set_main_option("script_location", str(_FOLDER).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    if connection is not None:
        config.attributes["vaultplan"] = _options(connection, srid)
    return config


@cache
def _steps() -> ScriptDirectory:
    """Return the steps, read once: every database that is opened asks for them."""
    return ScriptDirectory.from_config(_config())


def newest_version() -> str:
    """Return the version of the tables that this program works with."""
    return versions()[-1]


@cache
def versions() -> tuple[str, ...]:
    """Return every version that tables have had, the first one first."""
    return tuple(sorted(script.revision for script in _steps().walk_revisions()))


def version_of(connection: sa.Connection) -> str:
    """Return the version of a database's tables; blank if it has none of ours."""
    return MigrationContext.configure(connection).get_current_revision() or ""


def upgrade(connection: sa.Connection, srid: int, version: str = "head") -> None:
    """Bring a database's tables to a version, within the caller's transaction."""
    # What alembic.command.upgrade does, but for reading every step's file anew each time.
    steps = _steps()
    context = EnvironmentContext(
        _config(connection, srid),
        steps,
        fn=lambda before, _: steps._upgrade_revs(version, before),
        destination_rev=version,
    )
    with context:
        steps.run_env()


def differences(connection: sa.Connection, srid: int) -> Sequence[Any]:
    """Return what sets a database's tables apart from the declared ones; empty if nothing."""
    return list(compare_metadata(_context(connection, srid), stored_tables(srid).metadata))


def _context(connection: sa.Connection, srid: int) -> MigrationContext:
    options = _options(connection, srid)
    return MigrationContext.configure(options.pop("connection"), opts=options)


_STEP: Final = '''"""{message}."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from geoalchemy2 import Geometry

revision = "{version}"
down_revision = {before}
branch_labels = None
depends_on = None


def upgrade() -> None:
    srid = op.get_context().opts["srid"]
    {body}
'''


def step_text(version: str, message: str) -> str:
    """Return the source of the step from the newest earlier version to the declared tables."""
    srid = 32606
    before = max((known for known in versions() if known < version), default=None)
    with tempfile.TemporaryDirectory() as folder:
        engine = file_engine(Path(folder) / "before.gpkg", 1)
        with engine.connect().execution_options(**{WRITES: True}) as connection, connection.begin():
            create_own_tables(connection, srid)
            if before is not None:
                upgrade(connection, srid, before)
            context = _context(connection, srid)
            found = produce_migrations(context, stored_tables(srid).metadata).upgrade_ops
            if found is None:
                raise RuntimeError("the declared tables could not be compared")
            rendered = render_python_code(found, render_item=_render, migration_context=context)
    body = "\n".join(line for line in rendered.splitlines() if "# ###" not in line).strip()
    return _STEP.format(
        message=message, version=version, before=f'"{before}"' if before else None, body=body
    )


def _render(kind: str, item: Any, _context: AutogenContext) -> str | Literal[False]:
    if kind == "type" and isinstance(item, Geometry):
        return f"Geometry({item.geometry_type!r}, srid=srid, spatial_index=False)"
    return False


def write_step(version: str, message: str) -> Path:
    """Write the step's file and return its path; run ``ruff format`` over it afterwards."""
    path = _FOLDER / "versions" / f"{version}_{'_'.join(message.lower().split())}.py"
    path.write_text(step_text(version, message), encoding="utf-8")
    return path


if __name__ == "__main__":
    write_step(*sys.argv[1:3])
