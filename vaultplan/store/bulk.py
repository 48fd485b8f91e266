"""The first load of a table: put in as a whole, with its indexes made when all rows are there."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import sqlalchemy as sa

from vaultplan.schema import table as declared_table
from vaultplan.store import touched
from vaultplan.store.connect import SRID
from vaultplan.store.geopackage import DIALECT
from vaultplan.store.geopackage_meta import create_rtree, drop_rtree
from vaultplan.store.tables import KEY, stored_tables


def is_empty(connection: sa.Connection, name: str) -> bool:
    """Return whether a table has no rows."""
    query = sa.select(sa.literal(1)).select_from(_table(connection, name)).limit(1)
    return connection.execute(query).first() is None


@contextmanager
def filling(connection: sa.Connection, name: str) -> Iterator[bool]:
    """Give whether a table is empty, and then leave its indexes off until the block is done.

    An embedded file would otherwise look up the spatial index and every other one row by row,
    which takes most of the time of a first load. The transaction covers it all: should the block
    fail, the indexes are as before. A server keeps its indexes, as taking them off would shut out
    those who read. Rows are not noted one by one as touched, but the table as a whole.
    """
    if not is_empty(connection, name):
        yield False
        touched.shorten(connection, [name])
        return
    touched.leave_off(connection, name)
    if connection.dialect.name == DIALECT:
        with _without_indexes(connection, name):
            yield True
    else:
        yield True
    touched.take_up(connection, name)


@contextmanager
def _without_indexes(connection: sa.Connection, name: str) -> Iterator[None]:
    table, shape = _table(connection, name), declared_table(name).geometry
    plain = [index for index in table.indexes if not is_spatial(index)]
    for index in plain:
        index.drop(connection)
    if shape is not None:
        drop_rtree(connection, name, shape.name)
    yield
    for index in plain:
        index.create(connection)
    if shape is not None:
        create_rtree(connection, name, shape.name, KEY)


def _table(connection: sa.Connection, name: str) -> sa.Table:
    return stored_tables(int(connection.get_execution_options()[SRID])).table(name)


def is_spatial(index: sa.Index) -> bool:
    """Return whether an index is one of places: GiST on a server, an R-tree in a file."""
    return bool(index.dialect_options["postgresql"]["using"] == "gist")
