"""A database with a life: created once, opened, read, written in single transactions, closed.

Notes
-----
The embedded file is only ever touched through Python's own sqlite3. A second copy of SQLite in the
same process, such as the one inside pyogrio, drops the first one's locks when it closes the file,
and can corrupt it while a transaction is open. Other programs may read the file at any time; in
this process hand it to pyogrio only after :meth:`Database.close`.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import pyproj
import sqlalchemy as sa

from vaultplan.errors import SettingsError, StoreError
from vaultplan.geometry import projected_crs, srid_of
from vaultplan.schema import STORED
from vaultplan.store.connect import (
    SRID,
    WRITES,
    file_engine,
    is_server,
    plain_faults,
    server_engine,
    shown,
)
from vaultplan.store.geopackage import DIALECT
from vaultplan.store.geopackage_meta import create_own_tables, note_changes
from vaultplan.store.migrate import newest_version, upgrade, version_of
from vaultplan.store.tables import StoredTables, stored_tables
from vaultplan.styles import LAYER_STYLES, write_layer_styles

#: Writers of one PostGIS database queue for this advisory lock.
_WRITER_LOCK: Final = 0x7661756C74
_SEAL_SECONDS: Final = 0.5


class Database:
    """One utility's data in one projected coordinate system.

    Open it with :func:`open_database` or :func:`create_database`, as a context manager or with
    :meth:`close`.
    """

    def __init__(self, location: str, engine: sa.Engine, facts: dict[str, str]) -> None:
        self.location = location
        self.name = facts.get("name", "")
        self.crs: pyproj.CRS = projected_crs(facts["crs"])
        self.srid = srid_of(self.crs)
        self.time_zone = facts.get("time_zone", "UTC")
        self.engine = engine.execution_options(**{SRID: self.srid})
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
        with plain_faults(self.engine, self.location), self.engine.connect() as connection:
            if self.is_embedded:
                _driver(connection).execute("PRAGMA query_only = ON")
            else:
                connection = connection.execution_options(
                    isolation_level="REPEATABLE READ", postgresql_readonly=True
                )
            with connection.begin():
                yield connection

    @contextmanager
    def writing(self) -> Iterator[sa.Connection]:
        """Give a connection in exactly one transaction, kept if the block ends well.

        The right to write is taken at once. Whatever is raised inside the block leaves the data as
        they were.

        Raises
        ------
        StoreError
            If another program keeps writing beyond the waiting time, or the data cannot be
            written.
        """
        with (
            plain_faults(self.engine, self.location),
            _transaction(self.engine) as connection,
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
            _seal(Path(self.location))

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
    busy_seconds: float = 30.0,
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
    facts = {"name": name, "crs": f"EPSG:{srid}", "time_zone": time_zone}
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
    with plain_faults(engine, location), _transaction(engine) as connection:
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
        with plain_faults(engine, str(path)), _transaction(engine) as connection:
            create_own_tables(connection, srid)
            _fill(connection, srid, facts)
            styles = {name: style for name, style in LAYER_STYLES.items() if name in STORED}
            write_layer_styles(_driver(connection), styles)
    except BaseException:
        _remove(path)
        raise
    _seal(path)
    return engine


def _fill(connection: sa.Connection, srid: int, facts: dict[str, str]) -> None:
    upgrade(connection, srid)
    rows = [{"fact": fact, "value": value} for fact, value in facts.items()]
    connection.execute(sa.insert(stored_tables(srid).table("project")), rows)


def _remove(path: Path) -> None:
    for part in (path, path.with_name(f"{path.name}-wal"), path.with_name(f"{path.name}-shm")):
        part.unlink(missing_ok=True)


def open_database(location: str, *, busy_seconds: float = 30.0) -> Database:
    """Return an existing database.

    Raises
    ------
    StoreError
        If there is none, it is not one of this program's, or its tables are of another version.
    MissingExtraError
        If a URL is given and psycopg is not installed.
    """
    if is_server(location):
        engine = server_engine(location, busy_seconds)
    else:
        path = Path(location)
        if not path.is_file():
            raise StoreError(
                f"there is no database {path}; make one with 'vaultplan new', or give its path"
            )
        engine = file_engine(path, busy_seconds)
    try:
        with plain_faults(engine, location), engine.connect() as connection:
            facts = _facts(connection, location)
        return Database(location, engine, facts)
    except BaseException:
        engine.dispose()
        raise


def _facts(connection: sa.Connection, location: str) -> dict[str, str]:
    where = shown(location)
    present = set(sa.inspect(connection).get_table_names())
    if not {"project", "alembic_version"} <= present:
        raise StoreError(
            f"{where} is not a vaultplan database; make one with 'vaultplan new' under another name"
        )
    version, wanted = version_of(connection), newest_version()
    if version != wanted:
        raise StoreError(
            f"{where} has tables of version {version or '(none)'}, this program works with "
            f"{wanted}; use the release it was made with, or load your files into a new database"
        )
    rows = connection.exec_driver_sql("SELECT fact, value FROM project")
    facts = {str(fact): str(value or "") for fact, value in rows}
    if "crs" not in facts:
        raise StoreError(f"{where} does not say its CRS; bring back your last copy of it")
    return facts


def _check_time_zone(time_zone: str) -> None:
    try:
        ZoneInfo(time_zone)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise SettingsError(
            f"{time_zone!r} is not a time zone; give a name such as America/Los_Angeles"
        ) from error


@contextmanager
def _transaction(engine: sa.Engine) -> Iterator[sa.Connection]:
    with engine.connect() as connection:
        connection = connection.execution_options(**{WRITES: True})
        connection.info.pop("touched", None)
        if engine.dialect.name == DIALECT:
            _keep_readers_going(_driver(connection))
        with connection.begin():
            if engine.dialect.name != DIALECT:
                connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_WRITER_LOCK})")
            yield connection


def _driver(connection: sa.Connection) -> sqlite3.Connection:
    driver = connection.connection.driver_connection
    if not isinstance(driver, sqlite3.Connection):
        raise TypeError("this connection is not to an embedded database")
    return driver


def _keep_readers_going(connection: sqlite3.Connection) -> None:
    """Write ahead in a second file, so that readers see the old state meanwhile.

    The switch needs the file to itself for a moment; where a reader is in the way, or the file may
    not be written, the transaction does without.
    """
    (waiting,) = connection.execute("PRAGMA busy_timeout").fetchone()
    connection.execute("PRAGMA busy_timeout = 0")
    with suppress(sqlite3.OperationalError):
        connection.execute("PRAGMA journal_mode = WAL")
    connection.execute(f"PRAGMA busy_timeout = {int(waiting)}")


def _seal(path: Path) -> None:
    with suppress(sqlite3.OperationalError), closing(_plain_connection(path)) as connection:
        (mode,) = connection.execute("PRAGMA journal_mode").fetchone()
        if mode == "wal":
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            connection.execute("PRAGMA journal_mode = DELETE")


def _plain_connection(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(path, timeout=_SEAL_SECONDS, isolation_level=None)
