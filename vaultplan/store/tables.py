"""Database tables and models, made from the declared columns in ``schema``.

Every stored table has an integer key ``fid`` (desktop GIS wants one), its own key as a unique
constraint, an index on each column that refers to another table, and a spatial index.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

import sqlalchemy as sa
from geoalchemy2 import Geometry
from sqlalchemy.orm import registry

from vaultplan.columns import Column, Table
from vaultplan.errors import SchemaError
from vaultplan.schema import STORED, TABLES

KEY: Final = "fid"

_SQL_TYPES: Final[Mapping[str, Any]] = {
    "text": sa.Text,
    "words": sa.Text,
    "clock": sa.Text,
    "integer": sa.BigInteger,
    "real": sa.Double,
    "boolean": sa.Boolean,
    "date": sa.Date,
}


@dataclass(frozen=True, slots=True)
class StoredTables:
    """All stored tables in one CRS, as SQLAlchemy tables and as mapped classes."""

    srid: int
    metadata: sa.MetaData
    tables: Mapping[str, sa.Table]
    models: Mapping[str, type[Any]]

    def table(self, name: str) -> sa.Table:
        """Return one table by name; ``SchemaError`` if it is not stored."""
        return self.tables[_known(name)]

    def model(self, name: str) -> type[Any]:
        """Return the mapped class of one table; ``SchemaError`` if it is not stored."""
        return self.models[_known(name)]


def _known(name: str) -> str:
    if name not in STORED:
        raise SchemaError(f"{name!r} is not a stored table; choose one of {', '.join(STORED)}")
    return name


@lru_cache
def stored_tables(srid: int) -> StoredTables:
    """Return every stored table with its geometries in one EPSG coordinate system.

    >>> stored_tables(32606).model("vaults").__name__
    'Vaults'
    """
    mapping = registry()
    base: Any = mapping.generate_base()
    tables = {name: _sql_table(TABLES[name], mapping.metadata, srid) for name in STORED}
    models = {
        name: type(
            name.title().replace("_", ""), (base,), {"__table__": tables[name], "__doc__": meaning}
        )
        for name, meaning in ((name, TABLES[name].meaning) for name in STORED)
    }
    return StoredTables(srid, mapping.metadata, tables, models)


def _sql_table(declared: Table, metadata: sa.MetaData, srid: int) -> sa.Table:
    columns = [_sql_column(column, srid) for column in declared.columns]
    name = declared.name
    table = sa.Table(
        name,
        metadata,
        sa.Column(KEY, sa.BigInteger, primary_key=True, autoincrement=True),
        *columns,
        sa.UniqueConstraint(*declared.key, name=f"uq_{name}"),
        sqlite_autoincrement=True,
    )
    for column in declared.columns:
        # The unique constraint already serves searches by the first column of the key.
        if column.refers_to and column.name != declared.key[0]:
            sa.Index(f"ix_{name}_{column.name}", table.c[column.name])
        if column.type == "geometry":
            index = f"idx_{name}_{column.name}"
            sa.Index(index, table.c[column.name], postgresql_using="gist")
    return table


def _sql_column(column: Column, srid: int) -> sa.Column[Any]:
    kind: Any
    if column.type == "geometry":
        kind = Geometry(column.shape, srid=srid, spatial_index=False)
    elif column.type == "time":
        kind = sa.DateTime(timezone=True)
    else:
        kind = _SQL_TYPES[column.type]()
    return sa.Column(column.name, kind, nullable=not column.required)
