"""Frames written into tables, by key: writing the same rows twice changes nothing."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely
import sqlalchemy as sa

from vaultplan.columns import Column, Table
from vaultplan.errors import ConflictError, CRSError, SchemaError
from vaultplan.schema import Frames
from vaultplan.schema import table as declared_table
from vaultplan.store.connect import SRID
from vaultplan.store.frames import csv_bytes, sqlite_rows
from vaultplan.store.tables import KEY, stored_tables

_ROWS_AT_A_TIME: Final = 50_000
_SHOWN: Final = 5
#: Shapely's number of each collection and of its parts: points, lines, areas.
_COLLECTIONS: Final = {4: 0, 5: 1, 6: 3}
_POSITION: Final = "incoming_position"


@dataclass(frozen=True, slots=True)
class Counts:
    """How many rows came, were altered, were as before, and went."""

    new: int = 0
    changed: int = 0
    same: int = 0
    gone: int = 0

    def __add__(self, other: Counts) -> Counts:
        return Counts(
            self.new + other.new,
            self.changed + other.changed,
            self.same + other.same,
            self.gone + other.gone,
        )


def upsert(
    connection: sa.Connection,
    name: str,
    frame: pd.DataFrame,
    *,
    only: Collection[str] | None = None,
) -> Counts:
    """Return what became of a frame's rows: new keys come in, known ones that differ are altered.

    Parameters
    ----------
    connection
        From :meth:`Database.writing`; call this as often as needed within one transaction.
    name, frame
        A stored table and rows in its shape; columns that are missing count as blank.
    only
        Columns that the rows speak of: in known rows the others stay as they are. All if not given.

    Raises
    ------
    SchemaError
        If required values are blank, a key stands twice, or a geometry is of the wrong type.
    CRSError
        If the frame is not in the CRS of the database.
    """
    rows = _checked(connection, name, frame)
    counts = Counts()
    if rows.empty:
        return counts
    incoming = _staging_table(connection, name)
    incoming.create(connection)
    for start in range(0, len(rows), _ROWS_AT_A_TIME):
        part = rows.iloc[start : start + _ROWS_AT_A_TIME]
        _stage(connection, incoming, name, part)
        counts += _merge(connection, incoming, name, len(part), only)
        connection.execute(sa.delete(incoming))
    incoming.drop(connection)
    return counts


def insert(connection: sa.Connection, name: str, frame: pd.DataFrame) -> Counts:
    """Return the count of a frame's rows, all of them put in as new ones.

    For a table that held nothing when the load began: no row has to be compared then, which takes
    about half the time. A key that stands there already makes the database refuse the rows. For
    the rest see :func:`upsert`.
    """
    rows = _checked(connection, name, frame)
    if rows.empty:
        return Counts()
    _put_in(connection, _table(connection, name), name, rows)
    connection.info.setdefault("touched", set()).add(name)
    return Counts(new=len(rows))


def delete_rows(connection: sa.Connection, name: str, where: Mapping[str, Any]) -> int:
    """Return how many rows were deleted: those whose columns have the values of ``where``."""
    table = _table(connection, name)
    if not where:
        raise SchemaError(f"say which rows of {name} to delete")
    matching = [
        table.c[declared_table(name).column(column).name] == where[column] for column in where
    ]
    return connection.execute(sa.delete(table).where(*matching)).rowcount


def delete_keys(connection: sa.Connection, name: str, frame: pd.DataFrame) -> int:
    """Return how many rows were deleted: those with the keys of the frame's rows."""
    if frame.empty:
        return 0
    table, rows = _table(connection, name), declared_table(name).conform(frame)
    incoming = _staging_table(connection, name)
    incoming.create(connection)
    _stage(connection, incoming, name, rows)
    # From the few keys to the many rows, by the index of the key.
    listed = sa.select(table.c[KEY]).join_from(
        incoming, table, sa.and_(*_same_key(table, incoming, name))
    )
    gone = connection.execute(sa.delete(table).where(table.c[KEY].in_(listed))).rowcount
    incoming.drop(connection)
    return gone


def replace_rows(
    connection: sa.Connection, name: str, frame: pd.DataFrame, where: Mapping[str, Any]
) -> Counts:
    """Return what changed in making the rows that fit ``where`` exactly those of the frame."""
    table = _table(connection, name)
    rows = _checked(connection, name, frame)
    for column, value in where.items():
        if not (rows[column] == value).all():
            raise SchemaError(f"rows for {name} must all have {column} = {value!r}")
    matching = [table.c[column] == value for column, value in where.items()]
    if rows.empty:
        return Counts(gone=delete_rows(connection, name, where))
    incoming = _staging_table(connection, name)
    incoming.create(connection)
    _stage(connection, incoming, name, rows)
    stays = sa.exists().where(*_same_key(table, incoming, name))
    gone = connection.execute(sa.delete(table).where(*matching, ~stays)).rowcount
    incoming.drop(connection)
    return upsert(connection, name, rows) + Counts(gone=gone)


def replace_plan(
    connection: sa.Connection,
    plan_id: str,
    frames: Frames,
    *,
    seen: Mapping[str, int] | None = None,
) -> Counts:
    """Return what changed in storing a plan's tables in place of those stored under its id.

    Other plans of the same week are marked superseded. A plan's ``version`` begins with 1 and is
    raised by one whenever its row changes, whatever the frame says of it.

    Parameters
    ----------
    seen
        All plans of the week with their versions, as they were when the planning began. Without
        it, what somebody else stored meanwhile is superseded unasked.

    Raises
    ------
    ConflictError
        If a plan of the week came, changed or went since it was seen; nothing is stored then. That
        somebody else stored this very plan meanwhile is no conflict.
    """
    plans = _table(connection, "plans")
    version = sa.func.coalesce(plans.c.version, 0)
    if seen is not None:
        _check_seen(connection, plan_id, frames["plans"].iloc[0], seen)
    counts = Counts()
    for name, frame in frames.items():
        if declared_table(name).source != "planned":
            raise SchemaError(f"{name} is not part of a plan")
        if name != "plans":
            counts += replace_rows(connection, name, frame, {"plan_id": plan_id})
            continue
        own = plans.c.plan_id == plan_id
        stored = connection.scalar(sa.select(version).where(own))
        numbered = frame.assign(version=1 if stored is None else stored)
        change = replace_rows(connection, name, numbered, {"plan_id": plan_id})
        if change.changed:
            connection.execute(sa.update(plans).where(own).values(version=version + 1))
        counts += change
    week = sa.select(plans.c.week_of).where(plans.c.plan_id == plan_id).scalar_subquery()
    others = sa.update(plans).where(plans.c.week_of == week, plans.c.plan_id != plan_id)
    counting = others.where(plans.c.state.is_distinct_from("superseded"))
    connection.execute(counting.values(state="superseded", version=version + 1))
    return counts


def _check_seen(
    connection: sa.Connection, plan_id: str, plan: pd.Series[Any], seen: Mapping[str, int]
) -> None:
    """Hold the stored plans of a week against those seen, and keep others from changing them."""
    plans = _table(connection, "plans")
    week_of = plan["week_of"]
    asked = sa.select(plans).where(plans.c.week_of == week_of.date())
    latest_first = asked.order_by(plans.c.made_at.desc()).with_for_update()
    stored = {str(row.plan_id): row for row in connection.execute(latest_first)}
    twin = None if plan_id in seen else stored.get(plan_id)
    told = None if twin is None else (twin.state, twin.content_version)
    if told == (plan["state"], plan["content_version"]):
        return
    came = [known for known in stored if known not in seen]
    changed = [known for known, row in stored.items() if seen.get(known) != (row.version or 0)]
    gone = [known for known in seen if known not in stored]
    if not (came or changed or gone):
        return
    other = (came or changed or gone)[0]
    what = "was stored" if came else "was changed" if changed else "was deleted"
    made, start = "", ""
    if other in stored:
        made = f", made {stored[other].made_at:%Y-%m-%d %H:%M} UTC,"
        start = f", or start from it with 'vaultplan replan --plan {other}'"
    raise ConflictError(
        f"while {plan_id} was being made, plan {other}{made} of the same week of "
        f"{week_of:%Y-%m-%d} {what} by somebody else; nothing was stored: look at it, then plan "
        f"again{start}"
    )


def _table(connection: sa.Connection, name: str) -> sa.Table:
    return stored_tables(_srid(connection)).table(name)


def _srid(connection: sa.Connection) -> int:
    return int(connection.get_execution_options()[SRID])


def _checked(connection: sa.Connection, name: str, frame: pd.DataFrame) -> pd.DataFrame:
    """Return the frame in the table's shape, with nothing in it that the table may not hold."""
    declared = declared_table(name)
    _table(connection, name)
    rows = declared.conform(frame)
    for column in declared.columns:
        if column.required and rows[column.name].isna().any():
            keys = _shown_keys(rows[rows[column.name].isna()], declared)
            raise SchemaError(f"{name}.{column.name} is blank in {keys}; it must have a value")
    twice = rows.duplicated(list(declared.key), keep=False)
    if twice.any():
        keys = _shown_keys(rows[twice].drop_duplicates(list(declared.key)), declared)
        raise SchemaError(f"{name}: {keys} stand(s) more than once; keep one row of each")
    if declared.geometry is not None and isinstance(rows, gpd.GeoDataFrame) and len(rows):
        _check_crs(rows, name, _srid(connection))
        rows["geometry"] = _fitting(rows, declared, declared.geometry)
    return rows


def _check_crs(rows: gpd.GeoDataFrame, name: str, srid: int) -> None:
    if rows.crs is None:
        if rows["geometry"].notna().any():
            raise CRSError(f"{name} has no CRS; set the one its coordinates are in")
    elif rows.crs != pyproj.CRS.from_epsg(srid):
        raise CRSError(
            f"{name} is in {rows.crs.name}, the database in EPSG:{srid}; transform it first"
        )


def _fitting(rows: gpd.GeoDataFrame, declared: Table, column: Column) -> gpd.GeoSeries:
    """Return geometries of the declared type; a single part and a collection of one are alike."""
    shapes = rows["geometry"].to_numpy().copy()
    if column.shape == "GEOMETRY":
        return gpd.GeoSeries(shapes, index=rows.index, crs=rows.crs)
    wanted = int(shapely.GeometryType[column.shape].value)
    kinds = shapely.get_type_id(shapes)
    if wanted in _COLLECTIONS:
        singles = kinds == _COLLECTIONS[wanted]
        collect: Any = {
            4: shapely.multipoints,
            5: shapely.multilinestrings,
            6: shapely.multipolygons,
        }
        shapes[singles] = collect[wanted](shapes[singles][:, None])
    else:
        of_one = {single: several for several, single in _COLLECTIONS.items()}[wanted]
        lone = (kinds == of_one) & (shapely.get_num_geometries(shapes) == 1)
        shapes[lone] = shapely.get_geometry(shapes[lone], 0)
    wrong = ~np.isin(shapely.get_type_id(shapes), (wanted, -1))
    if wrong.any():
        keys = _shown_keys(rows[wrong], declared)
        raise SchemaError(f"{declared.name}: geometry of {keys} is not a {column.shape}")
    return gpd.GeoSeries(shapes, index=rows.index, crs=rows.crs)


def _shown_keys(rows: pd.DataFrame, declared: Table) -> str:
    keys = rows[list(declared.key)].head(_SHOWN).astype(str).agg("/".join, axis=1)
    more = f" and {len(rows) - _SHOWN:,} more" if len(rows) > _SHOWN else ""
    return f"{', '.join(declared.key)} {', '.join(keys)}{more}"


def _staging_table(connection: sa.Connection, name: str) -> sa.Table:
    """Return a temporary table of the same columns, where rows wait to be compared."""
    table = _table(connection, name)
    columns = [
        sa.Column(column.name, column.type) for column in table.columns if not column.primary_key
    ]
    return sa.Table(
        f"incoming_{name}",
        sa.MetaData(),
        sa.Column(_POSITION, sa.BigInteger, primary_key=True, autoincrement=True),
        *columns,
        prefixes=["TEMPORARY"],
    )


def _stage(connection: sa.Connection, incoming: sa.Table, name: str, rows: pd.DataFrame) -> None:
    _put_in(connection, incoming, name, rows)
    if connection.dialect.name == "postgresql":
        connection.exec_driver_sql(f"ANALYZE {incoming.name}")


def _put_in(connection: sa.Connection, target: sa.Table, name: str, rows: pd.DataFrame) -> None:
    """Put rows of one table into a table of the same columns, in bulk."""
    declared = declared_table(name)
    quote = connection.dialect.identifier_preparer.quote
    names = ", ".join(quote(column.name) for column in declared.columns)
    driver: Any = connection.connection.driver_connection
    if connection.dialect.name == "postgresql":
        copy_in = f"COPY {target.name} ({names}) FROM STDIN (FORMAT csv)"
        with driver.cursor() as cursor, cursor.copy(copy_in) as copy:
            copy.write(csv_bytes(rows, declared.columns, _srid(connection)))
        return
    marks = ", ".join("?" * len(declared.columns))
    driver.executemany(
        f"INSERT INTO {target.name} ({names}) VALUES ({marks})",  # noqa: S608
        sqlite_rows(rows, declared.columns, _srid(connection)),
    )


def _same_key(table: sa.Table, incoming: sa.Table, name: str) -> list[Any]:
    return [table.c[key] == incoming.c[key] for key in declared_table(name).key]


def _merge(
    connection: sa.Connection,
    incoming: sa.Table,
    name: str,
    rows: int,
    only: Collection[str] | None,
) -> Counts:
    declared = declared_table(name)
    table = _table(connection, name)
    same_key = _same_key(table, incoming, name)
    told = declared.column_names if only is None else only
    values = [c for c in declared.column_names if c in told and c not in declared.key]
    changed = 0
    if values:
        update = (
            sa.update(table)
            .values({value: incoming.c[value] for value in values})
            .where(*same_key)
            .where(sa.or_(*(table.c[v].is_distinct_from(incoming.c[v]) for v in values)))
        )
        changed = connection.execute(update).rowcount
    known = sa.exists().where(*same_key)
    names = declared.column_names
    waiting = sa.select(*(incoming.c[column] for column in names)).where(~known)
    insert = sa.insert(table).from_select(names, waiting.order_by(incoming.c[_POSITION]))
    new = connection.execute(insert, execution_options={"preserve_rowcount": True}).rowcount
    return Counts(new, changed, rows - new - changed)
