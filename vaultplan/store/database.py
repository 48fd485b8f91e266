"""A database with a life: created once, opened, read, written in single transactions, closed.

Notes
-----
The embedded file is only ever touched through Python's own sqlite3. A second copy of SQLite in the
same process, such as the one inside pyogrio, drops the first one's locks when it closes the file,
and can corrupt it while a transaction is open. Other programs may read the file at any time; in
this process hand it to pyogrio only after :meth:`Database.close`.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any
from uuid import uuid4
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import pyproj
import sqlalchemy as sa

from vaultplan.errors import SettingsError, StoreError
from vaultplan.geometry import projected_crs, srid_of
from vaultplan.schema import STORED
from vaultplan.store.connect import (
    BUSY,
    BUSY_SECONDS,
    SRID,
    file_engine,
    is_server,
    limit_reading,
    plain_faults,
    server_engine,
    shown,
)
from vaultplan.store.geopackage import DIALECT
from vaultplan.store.geopackage_meta import create_own_tables, note_changes
from vaultplan.store.migrate import newest_version, upgrade, version_of, versions
from vaultplan.store.sealing import remove, seal
from vaultplan.store.tables import StoredTables, stored_tables
from vaultplan.store.transaction import Area, driver_of, transaction
from vaultplan.styles import LAYER_STYLES, write_layer_styles


class Database:
    """One utility's data in one projected coordinate system.

    Open it with :func:`open_database` or :func:`create_database`, as a context manager or with
    :meth:`close`.
    """

    def __init__(self, location: str, engine: sa.Engine, facts: dict[str, str]) -> None:
        self.location = location
        busy_seconds = float(engine.get_execution_options().get(BUSY, BUSY_SECONDS))
        self.name = facts.get("name", "")
        self.crs: pyproj.CRS = projected_crs(facts["crs"])
        self.srid = srid_of(self.crs)
        self.time_zone = facts.get("time_zone", "UTC")
        self.database_id = facts.get("database_id", "")
        self.engine = engine.execution_options(**{SRID: self.srid})
        self._readers = (
            file_engine(Path(location), busy_seconds, only_reads=True).execution_options(
                **{SRID: self.srid}
            )
            if self.is_embedded
            else self.engine
        )
        self.stored: StoredTables = stored_tables(self.srid)

    def __repr__(self) -> str:
        return f"Database({shown(self.location)!r}, EPSG:{self.srid})"

    @property
    def is_embedded(self) -> bool:
        """Whether the database is a file rather than a server."""
        return self.engine.dialect.name == DIALECT

    @property
    def tables(self) -> dict[str, sa.Table]:
        """SQLAlchemy tables by name."""
        return dict(self.stored.tables)

    def model(self, name: str) -> type[Any]:
        """Return the mapped class of a table, for work row by row."""
        return self.stored.model(name)

    @contextmanager
    def reading(self) -> Iterator[sa.Connection]:
        """Give a connection that sees one state of the data and cannot change it."""
        with plain_faults(self.engine, self.location), self._readers.connect() as connection:
            if not self.is_embedded:
                connection = connection.execution_options(
                    isolation_level="REPEATABLE READ", postgresql_readonly=True
                )
            with connection.begin():
                if not self.is_embedded:
                    limit_reading(connection)
                yield connection

    @contextmanager
    def writing(self, area: Area = "loads") -> Iterator[sa.Connection]:
        """Give a connection in exactly one transaction, kept if the block ends well.

        The right to write is taken at once. Whatever is raised inside the block leaves the data as
        they were. On a server a plan (``area="plans"``) can be stored while a load goes on; an
        embedded file has one writer at a time.

        Raises
        ------
        StoreError
            If another program keeps writing beyond the waiting time, or the data cannot be
            written.
        """
        with (
            plain_faults(self.engine, self.location),
            transaction(self.engine, area) as connection,
        ):
            yield connection
            touched = connection.info.pop("touched", set())
            if self.is_embedded:
                note_changes(connection, touched & set(STORED))

    def seal(self) -> None:
        """Leave the embedded file as one plain file that may be copied or handed out.

        While the database is written, SQLite keeps fresh pages in a second file beside it. This
        folds them in, so that the file opens in a read-only folder too. It is quietly left for
        later while another program has the file open.
        """
        if self.is_embedded:
            self.engine.dispose()
            self._readers.dispose()
            seal(Path(self.location))

    def close(self) -> None:
        """Let go of the database; an embedded one is a single plain file afterwards."""
        self.engine.dispose()
        self.seal()

    def __enter__(self) -> Database:
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _error: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        self.close()


def create_database(
    location: str,
    crs: str,
    *,
    name: str = "",
    time_zone: str = "UTC",
    busy_seconds: float = BUSY_SECONDS,
) -> Database:
    """Return a new, empty database.

    Parameters
    ----------
    location
        Path of a GeoPackage file to make, or the ``postgresql://`` URL of a database that has or
        may have PostGIS.
    crs
        Projected coordinate system of all geometries, such as ``EPSG:32606``.
    name, time_zone
        Name of the utility or area; time zone that its local dates are in.
    busy_seconds
        How long to wait for another program that is writing.

    Raises
    ------
    StoreError
        If there is one already, or it cannot be made.
    CRSError, SettingsError
        If CRS or time zone are unknown.
    MissingExtraError
        If a URL is given and psycopg is not installed.
    """
    chosen = projected_crs(crs)
    srid = srid_of(chosen)
    _check_time_zone(time_zone)
    facts = {
        "name": name,
        "crs": f"EPSG:{srid}",
        "time_zone": time_zone,
        "database_id": uuid4().hex,
    }
    if is_server(location):
        engine = server_engine(location, busy_seconds)
        try:
            _create_on_server(engine, location, srid, facts)
        except BaseException:
            engine.dispose()
            raise
    else:
        engine = _create_file(Path(location), srid, facts, busy_seconds)
    return Database(location, engine, facts)


def _create_on_server(engine: sa.Engine, location: str, srid: int, facts: dict[str, str]) -> None:
    with plain_faults(engine, location), transaction(engine) as connection:
        taken = sorted(set(STORED) & set(sa.inspect(connection).get_table_names()))
        if taken:
            raise StoreError(
                f"{shown(location)} already has table(s) {', '.join(taken[:3])}; open it instead, "
                "or name an empty database"
            )
        connection.exec_driver_sql("CREATE EXTENSION IF NOT EXISTS postgis")
        _fill(connection, srid, facts)


def _create_file(path: Path, srid: int, facts: dict[str, str], busy_seconds: float) -> sa.Engine:
    try:
        path.touch(exist_ok=False)
    except FileExistsError as error:
        raise StoreError(
            f"{path} already exists; open it instead, or choose another name"
        ) from error
    except OSError as error:
        raise StoreError(
            f"{path} cannot be made: {error.strerror}; choose another folder"
        ) from error
    engine = file_engine(path, busy_seconds)
    try:
        with plain_faults(engine, str(path)), transaction(engine) as connection:
            create_own_tables(connection, srid)
            _fill(connection, srid, facts)
            styles = {name: style for name, style in LAYER_STYLES.items() if name in STORED}
            write_layer_styles(driver_of(connection), styles)
    except BaseException:
        remove(path)
        raise
    seal(path)
    return engine


def _fill(connection: sa.Connection, srid: int, facts: dict[str, str]) -> None:
    upgrade(connection, srid)
    rows = [{"fact": fact, "value": value} for fact, value in facts.items()]
    connection.execute(sa.insert(stored_tables(srid).table("project")), rows)


def open_database(location: str, *, busy_seconds: float = BUSY_SECONDS) -> Database:
    """Return an existing database.

    Raises
    ------
    StoreError
        If there is none, it is not one of this program's, or its tables are of another version.
    MissingExtraError
        If a URL is given and psycopg is not installed.
    """
    engine = engine_of(location, busy_seconds)
    try:
        with plain_faults(engine, location), engine.connect() as connection:
            check_version(connection, location)
            facts = facts_of(connection, location)
        return Database(location, engine, facts)
    except BaseException:
        engine.dispose()
        raise


def engine_of(location: str, busy_seconds: float) -> sa.Engine:
    """Return an engine on a database that exists; ``StoreError`` if there is no such file."""
    if is_server(location):
        return server_engine(location, busy_seconds)
    path = Path(location)
    if not path.is_file():
        raise StoreError(
            f"there is no database {path}; make one with 'vaultplan new', or give its path"
        )
    return file_engine(path, busy_seconds)


def check_version(connection: sa.Connection, location: str, *, may_be_old: bool = False) -> str:
    """Return the version of a database's tables.

    Raises
    ------
    StoreError
        If it is not one of this program's, is newer than it, or is older and may not be.
    """
    where = shown(location)
    present = set(sa.inspect(connection).get_table_names())
    if not {"project", "alembic_version"} <= present:
        raise StoreError(
            f"{where} is not a vaultplan database; make one with 'vaultplan new' under another name"
        )
    version, wanted = version_of(connection), newest_version()
    if version not in versions():
        raise StoreError(
            f"{where} has tables of version {version or '(none)'}, this program knows them up to "
            f"{wanted}; a newer release made them: install that one"
        )
    if version != wanted and not may_be_old:
        raise StoreError(
            f"{where} has tables of version {version}, this program works with {wanted}; run "
            f"'vaultplan upgrade --db {where}' to bring them up to date with all they hold"
        )
    return version


def facts_of(connection: sa.Connection, location: str) -> dict[str, str]:
    """Return what a database says about itself; ``StoreError`` if it names no CRS."""
    rows = connection.exec_driver_sql("SELECT fact, value FROM project")
    facts = {str(fact): str(value or "") for fact, value in rows}
    if "crs" not in facts:
        raise StoreError(f"{shown(location)} does not say its CRS; bring back your last copy of it")
    return facts


def _check_time_zone(time_zone: str) -> None:
    try:
        ZoneInfo(time_zone)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise SettingsError(
            f"{time_zone!r} is not a time zone; give a name such as America/Los_Angeles"
        ) from error
