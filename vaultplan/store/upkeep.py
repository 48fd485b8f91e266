"""Care of a database: copies to keep, tables brought up to date, space given back."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import sqlalchemy as sa

from vaultplan.errors import StoreError
from vaultplan.geometry import projected_crs, srid_of
from vaultplan.schema import LOADABLE, STORED
from vaultplan.store import migrate, touched
from vaultplan.store.bulk import filling, is_spatial
from vaultplan.store.connect import is_server, plain_faults, shown
from vaultplan.store.database import (
    Database,
    check_version,
    create_database,
    engine_of,
    facts_of,
    open_database,
)
from vaultplan.store.geopackage import DIALECT
from vaultplan.store.geopackage_meta import create_rtree, drop_rtree
from vaultplan.store.read import read_chunks
from vaultplan.store.sealing import keep_readers_going, plain_connection, remove, seal
from vaultplan.store.tables import KEY, stored_tables
from vaultplan.store.transaction import driver_of, transaction
from vaultplan.store.write import insert
from vaultplan.styles import LAYER_STYLES, write_layer_styles

#: Told which step runs, how much of it is done, and of how much.
OnProgress = Callable[[str, int, int], None]

_PAGES_AT_A_TIME: Final = 2_000
_ROWS_AT_A_TIME: Final = 50_000
_UPGRADE_SECONDS: Final = 600.0


def silent(_step: str, _done: int, _total: int) -> None:
    """Tell nobody."""


def back_up(location: str, target: str | Path, *, on_progress: OnProgress = silent) -> int:
    """Return the bytes of a new embedded file with all that a database holds at one moment.

    Others may read and write meanwhile. The file is written under another name, checked, and only
    then called ``target``: what is there under that name is whole.

    Raises
    ------
    StoreError
        If there is a file of that name, it cannot be written, or it fails its check.
    """
    if is_server(str(target)):
        named = shown(str(target))
        raise StoreError(f"a backup is a file, {named} is a server; name a new .gpkg file")
    target = Path(target)
    with open_database(location) as database, _new_file(target) as part:
        if database.is_embedded:
            with plain_faults(database.engine, str(target)):
                _copy_pages(Path(database.location), part, on_progress)
        else:
            _copy_tables(database, part, on_progress)
        on_progress("Check the copy", 0, 1)
        with plain_faults(database.engine, str(target)):
            _check_copy(part)
    return target.stat().st_size


@contextmanager
def _new_file(target: Path) -> Iterator[Path]:
    """Give another name beside a new file, which becomes it if the block ends well."""
    taken = StoreError(f"{target} already exists; give the backup another name")
    if target.exists() or target.is_symlink():
        raise taken
    part = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        remove(part)
        yield part
        try:
            # Unlike a renaming, this never replaces what came to be there meanwhile.
            target.hardlink_to(part)
        except FileExistsError as error:
            raise taken from error
        except OSError:
            # A disk without links, such as a stick.
            part.rename(target)
    except OSError as error:
        raise StoreError(
            f"{target} cannot be written: {error.strerror}; choose another folder"
        ) from error
    finally:
        remove(part)


def _copy_pages(source: Path, part: Path, on_progress: OnProgress) -> None:
    """Copy a file page by page, as it was when the copying began."""

    def told(_status: int, remaining: int, total: int) -> None:
        on_progress("Copy pages", total - remaining, total)

    with closing(plain_connection(source, 30)) as reader, closing(plain_connection(part)) as copy:
        keep_readers_going(reader)
        # An open look at the data holds the moment; without it, each write begins the copy anew.
        reader.execute("BEGIN")
        reader.execute("SELECT count(*) FROM sqlite_master").fetchone()
        reader.backup(copy, pages=_PAGES_AT_A_TIME, progress=told)
        reader.execute("ROLLBACK")
        copy.execute("PRAGMA journal_mode = DELETE")
    seal(source)


def _copy_tables(database: Database, part: Path, on_progress: OnProgress) -> None:
    """Copy a server's tables into a file of our own, all as they were at one moment."""
    crs = f"EPSG:{database.srid}"
    names = [name for name in STORED if name != "project"]
    with (
        database.reading() as moment,
        create_database(str(part), crs, name=database.name, time_zone=database.time_zone) as copy,
    ):
        with copy.writing() as connection:
            connection.execute(sa.delete(copy.tables["project"]))
            for chunk in read_chunks(database, "project", connection=moment):
                insert(connection, "project", chunk)
        for name in names:
            count = sa.select(sa.func.count()).select_from(copy.tables[name])
            total, done = int(moment.execute(count).scalar_one()), 0
            with copy.writing() as connection, filling(connection, name):
                chunks = read_chunks(database, name, rows=_ROWS_AT_A_TIME, connection=moment)
                for chunk in chunks:
                    done += insert(connection, name, chunk).new
                    on_progress(f"Copy {name}", done, total)


def _check_copy(part: Path) -> None:
    with closing(plain_connection(part)) as connection:
        said = [row[0] for row in connection.execute("PRAGMA integrity_check(5)")]
    if said != ["ok"]:
        raise StoreError(
            f"the copy is not sound ({'; '.join(said)}) and was not kept; check the database with "
            "'vaultplan integrity'"
        )
    # The bytes are on the disk before the file gets its name.
    descriptor = os.open(part, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


@dataclass(frozen=True, slots=True)
class Upgraded:
    """Versions of a database's tables before and after, and the copy made in between, if any."""

    before: str
    after: str
    backup: Path | None = None


def upgrade(
    location: str,
    *,
    with_backup: bool = True,
    busy_seconds: float = _UPGRADE_SECONDS,
    on_progress: OnProgress = silent,
) -> Upgraded:
    """Return what became of a database made by an older release: its tables are brought up to date.

    All steps are one transaction: they are made together or not at all. An embedded file is copied
    beside itself first. Nobody else can write meanwhile; of two who upgrade at once, the second
    waits and finds it done.

    Raises
    ------
    StoreError
        If it is not one of this program's, a newer release made it, somebody writes to it for
        longer than ``busy_seconds``, or it cannot be changed or copied; it is as before then.
    """
    engine = engine_of(location, busy_seconds)
    backup: Path | None = None
    try:
        with plain_faults(engine, location), transaction(engine) as connection:
            before = check_version(connection, location, may_be_old=True)
            after = migrate.newest_version()
            if before == after:
                return Upgraded(before, after)
            srid = srid_of(projected_crs(facts_of(connection, location)["crs"]))
            if engine.dialect.name == DIALECT and with_backup:
                backup = _copy_before(Path(location), before, engine, on_progress)
            on_progress(f"Bring the tables from {before} to {after}", 0, 1)
            migrate.upgrade(connection, srid)
            if engine.dialect.name == DIALECT:
                styles = {name: style for name, style in LAYER_STYLES.items() if name in STORED}
                write_layer_styles(driver_of(connection), styles)
        return Upgraded(before, after, backup)
    except BaseException:
        # Nothing was changed, so the copy is one too many.
        if backup is not None:
            remove(backup)
        raise
    finally:
        engine.dispose()
        if engine.dialect.name == DIALECT:
            seal(Path(location))


def _copy_before(path: Path, version: str, engine: sa.Engine, on_progress: OnProgress) -> Path:
    stem = f"{path.stem}-tables-{version}"
    target = path.with_name(f"{stem}{path.suffix}")
    number = 2
    while target.exists():
        target, number = path.with_name(f"{stem}-{number}{path.suffix}"), number + 1
    with _new_file(target) as part, plain_faults(engine, str(target)):
        _copy_pages(path, part, on_progress)
        _check_copy(part)
    return target


def compact(
    location: str, *, rebuild_indexes: bool = False, on_progress: OnProgress = silent
) -> tuple[int, int]:
    """Return a database's bytes before and after clearing away what is left of deleted rows.

    An embedded file becomes smaller. A server uses the space for new rows and goes on meanwhile; it
    also counts its rows anew, so that queries are planned well. With ``rebuild_indexes`` every
    index is made anew first, spatial ones too; one that is missing is made again.

    Raises
    ------
    StoreError
        If somebody writes to it, or there is no space for the new file beside the old one.
    """
    with open_database(location) as database:
        if rebuild_indexes:
            _rebuild_indexes(database, on_progress)
        on_progress("Give back space", 0, 1)
        if not database.is_embedded:
            return _compact_server(database)
        path = Path(location)
        before = path.stat().st_size
        database.close()
        with (
            plain_faults(database.engine, location),
            closing(plain_connection(path, 30)) as connection,
        ):
            connection.execute("VACUUM")
    return before, path.stat().st_size


def _compact_server(database: Database) -> tuple[int, int]:
    quoted = [f"'{name}'::regclass" for name in STORED]
    size = f"SELECT sum(pg_total_relation_size(t)) FROM unnest(ARRAY[{', '.join(quoted)}]) t"  # noqa: S608
    with (
        plain_faults(database.engine, database.location),
        database.engine.connect() as connection,
    ):
        # It cannot run within a transaction.
        alone = connection.execution_options(isolation_level="AUTOCOMMIT")
        before = int(alone.exec_driver_sql(size).scalar_one())
        alone.exec_driver_sql(f"VACUUM (ANALYZE) {', '.join(STORED)}")
        return before, int(alone.exec_driver_sql(size).scalar_one())


def _rebuild_indexes(database: Database, on_progress: OnProgress) -> None:
    tables = stored_tables(database.srid).tables
    with database.writing("tables") as connection:
        for number, name in enumerate(STORED):
            on_progress("Rebuild indexes", number, len(STORED))
            for index in tables[name].indexes:
                if is_spatial(index) and database.is_embedded:
                    (column,) = index.columns
                    drop_rtree(connection, name, column.name)
                    create_rtree(connection, name, column.name, KEY)
                else:
                    index.create(connection, checkfirst=True)
            ask = "REINDEX" if database.is_embedded else "REINDEX TABLE"
            connection.exec_driver_sql(f"{ask} {name}")
            if name in LOADABLE:
                touched.follow_anew(connection, name)
        connection.info.setdefault("touched", set()).update(STORED)
