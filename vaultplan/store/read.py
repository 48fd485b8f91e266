"""Tables read as frames in the shape of the schema, the same from both stores."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import nullcontext
from typing import Any, Final

import pandas as pd
import pyarrow as pa
import shapely
import sqlalchemy as sa

from vaultplan.columns import Column
from vaultplan.errors import StoreError
from vaultplan.schema import table as declared_table
from vaultplan.store.database import Database
from vaultplan.store.frames import FrameBuilder
from vaultplan.store.geopackage import touches_box
from vaultplan.store.geopackage_blob import Box
from vaultplan.store.tables import KEY

Where = Mapping[str, object]

#: Few enough for a block of rows to stay in the processor's cache: half the time of 50,000.
_ROWS_AT_A_TIME: Final = 2_000
_BYTES_AT_A_TIME: Final = 16_000_000
#: Longer lists of values are asked for in parts; databases limit how many one query may name.
_VALUES_AT_A_TIME: Final = 5_000


def read_table(
    database: Database,
    name: str,
    *,
    where: Where | None = None,
    bbox: Box | None = None,
    columns: Sequence[str] | None = None,
    connection: sa.Connection | None = None,
) -> pd.DataFrame:
    """Return a table's rows in the order of its key, a GeoDataFrame if it has a geometry.

    Parameters
    ----------
    where
        Column and the value it must have; ``None`` asks for blanks, a list for any of its values.
    bbox
        West, south, east, north in the CRS of the database: only geometries whose own box touches
        this one.
    columns
        Only these columns, for tables too long to hold in full.
    connection
        One that is open already, such as the one that writes; its own rows are seen then.

    Raises
    ------
    SchemaError
        If the table is not stored or has no such column.
    StoreError
        If the database cannot be read.
    """
    declared = declared_table(name)
    names = declared.column_names if columns is None else tuple(columns)
    wanted = [declared.column(column) for column in names]
    shape = declared.geometry
    if bbox is not None and shape is not None and shape not in wanted:
        with_shape = [*names, shape.name]
        return read_table(
            database, name, where=where, bbox=bbox, columns=with_shape, connection=connection
        ).drop(columns=shape.name)
    builder = FrameBuilder(wanted, database.crs)
    parts = list(_conditions(database, name, where or {}))
    with nullcontext(connection) if connection is not None else database.reading() as reader:
        for conditions in parts:
            query = _query(database, name, builder.columns, conditions, bbox)
            _collect(reader, query, builder)
    frame = builder.frame()
    if len(parts) > 1 and set(declared.key) <= set(names):
        frame = frame.sort_values(list(declared.key), ignore_index=True)
    return frame if bbox is None else _really_touching(frame, bbox)


def read_chunks(
    database: Database,
    name: str,
    *,
    rows: int = 50_000,
    where: Where | None = None,
    columns: Sequence[str] | None = None,
    connection: sa.Connection | None = None,
) -> Iterator[pd.DataFrame]:
    """Yield a table's rows as frames of at most so many, in the order in which they were stored.

    Memory holds one frame at a time, and each is read in a transaction of its own, from where the
    last one ended: reading may take as long as it likes without keeping anybody waiting. What is
    written meanwhile is seen from the next frame on; to see one state throughout, give a
    ``connection`` of :meth:`Database.reading`. Parameters and errors are those of
    :func:`read_table`.

    Notes
    -----
    Rows are found by their number in the table, which only grows: none comes twice, and none that
    is there throughout is left out.
    """
    declared = declared_table(name)
    names = declared.column_names if columns is None else tuple(columns)
    wanted = [declared.column(column) for column in names]
    number = database.stored.table(name).c[KEY]
    parts = list(_conditions(database, name, where or {}))
    last = 0
    while True:
        builder = FrameBuilder(wanted, database.crs)
        with nullcontext(connection) if connection is not None else database.reading() as reader:
            numbers = sa.select(number).where(number > last).order_by(number).limit(rows)
            until = reader.scalar(sa.select(sa.func.max(numbers.subquery().c[KEY])))
            if until is None:
                return
            for conditions in parts:
                raw = _raw_columns(database, name, builder.columns)
                query = sa.select(*raw).where(number > last, number <= until, *conditions)
                _collect(reader, query.order_by(number), builder)
        last = int(until)
        frame = builder.frame()
        if len(frame):
            yield frame


def count_rows(database: Database, name: str, where: Where | None = None) -> int:
    """Return how many rows a table has, or how many of them fit ``where``."""
    table = database.stored.table(name)
    total = 0
    with database.reading() as connection:
        for conditions in _conditions(database, name, where or {}):
            query = sa.select(sa.func.count()).select_from(table).where(*conditions)
            total += int(connection.execute(query).scalar_one())
    return total


def known_keys(database: Database, name: str, column: str) -> pd.Index[Any]:
    """Return the distinct values that a column holds, to check references against."""
    values = read_table(database, name, columns=[column])[column]
    known: pd.Index[Any] = pd.Index(values.dropna().unique(), name=column)
    return known


def _query(
    database: Database,
    name: str,
    columns: Sequence[str],
    conditions: list[Any],
    bbox: Box | None,
) -> sa.Select[Any]:
    table = database.stored.table(name)
    query = sa.select(*_raw_columns(database, name, columns)).where(*conditions)
    if bbox is not None:
        query = query.where(touches_box(table.c["geometry"], bbox))
    return query.order_by(*(_in_byte_order(database, table.c[key]) for key in _key(name)))


def _key(name: str) -> tuple[str, ...]:
    return declared_table(name).key


def _raw_columns(database: Database, name: str, columns: Sequence[str]) -> list[Any]:
    """Return columns as stored, without a conversion per value."""
    table = database.stored.table(name)
    return [_raw(database, table.c[column]) for column in columns]


def _raw(database: Database, column: sa.Column[Any]) -> Any:
    is_time = isinstance(column.type, sa.DateTime)
    in_ms = is_time and not database.is_embedded
    value: Any = sa.func.date_trunc("milliseconds", column) if in_ms else column
    return sa.type_coerce(value, sa.types.NullType())


def _in_byte_order(database: Database, column: sa.Column[Any]) -> Any:
    """Return the column so that text sorts by its bytes, whatever the server's language."""
    is_text = isinstance(column.type, sa.Text)
    return sa.collate(column, "C") if is_text and not database.is_embedded else column


def _conditions(database: Database, name: str, where: Where) -> Iterator[list[Any]]:
    """Yield the conditions of each query that together answer ``where``."""
    table = database.stored.table(name)
    fixed: list[Any] = []
    lists: list[tuple[Column, list[Any]]] = []
    for column_name, value in where.items():
        column = declared_table(name).column(column_name)
        if value is None:
            fixed.append(table.c[column_name].is_(None))
        elif isinstance(value, Collection | pd.Series) and not isinstance(value, str):
            listed = {_plain(column, one) for one in value}
            lists.append((column, sorted(listed)))
        else:
            fixed.append(table.c[column_name] == _plain(column, value))
    lists.sort(key=lambda pair: len(pair[1]))
    longest = lists.pop() if lists else None
    fixed += [table.c[column.name].in_(values) for column, values in lists]
    if longest is None:
        yield fixed
        return
    column, values = longest
    for start in range(0, max(len(values), 1), _VALUES_AT_A_TIME):
        part = values[start : start + _VALUES_AT_A_TIME]
        yield [*fixed, table.c[column.name].in_(part)]


def _plain(column: Column, value: Any) -> Any:
    if column.type == "date":
        return pd.Timestamp(value).date()
    if column.type == "time":
        return pd.Timestamp(value).tz_convert("UTC").to_pydatetime()
    return value.item() if hasattr(value, "item") else value


def _collect(connection: sa.Connection, query: sa.Select[Any], builder: FrameBuilder) -> None:
    if connection.dialect.name == "postgresql":
        for block in _copied_out(connection, query):
            builder.add_csv(block)
        return
    cursor: Any = connection.execute(query).cursor
    try:
        while rows := cursor.fetchmany(_ROWS_AT_A_TIME):
            builder.add_rows(rows)
    except (pa.ArrowInvalid, ValueError) as error:
        raise StoreError(
            f"the database holds a value that does not fit its column: {error}; another program "
            "wrote it: correct it there, or load the table anew"
        ) from error


def _copied_out(connection: sa.Connection, query: sa.Select[Any]) -> Iterator[bytes]:
    from psycopg import ClientCursor

    compiled = query.compile(
        dialect=connection.dialect, compile_kwargs={"render_postcompile": True}
    )
    driver: Any = connection.connection.driver_connection
    statement = ClientCursor(driver).mogrify(str(compiled), compiled.params)
    block: list[bytes] = []
    size = 0
    connection.exec_driver_sql("SET LOCAL work_mem = '256MB'")
    with (
        driver.cursor() as cursor,
        cursor.copy(f"COPY ({statement}) TO STDOUT (FORMAT csv)".encode()) as copy,
    ):
        # The server sends whole rows, so a block never ends inside one.
        for row in copy:
            block.append(bytes(row))
            size += len(row)
            if size >= _BYTES_AT_A_TIME:
                yield b"".join(block)
                block, size = [], 0
    if block:
        yield b"".join(block)


def _really_touching(frame: pd.DataFrame, bbox: Box) -> pd.DataFrame:
    west, south, east, north = bbox
    box = shapely.bounds(frame["geometry"].to_numpy())
    touching = (box[:, 2] >= west) & (box[:, 3] >= south)
    touching &= (box[:, 0] <= east) & (box[:, 1] <= north)
    return frame[touching].reset_index(drop=True)
