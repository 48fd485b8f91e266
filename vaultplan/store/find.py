"""A few rows at a time, for someone who waits for a page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import pandas as pd
import sqlalchemy as sa

from vaultplan.schema import table as declared_table
from vaultplan.store.database import Database

_SHOWN: Final = ("vault_id", "kind", "status", "address", "district")
_LONGEST: Final = 80
_LAST: Final = "\U0010ffff"


def few_rows(
    database: Database,
    name: str,
    where: Mapping[str, object],
    *,
    columns: Sequence[str] | None = None,
    latest_by: str | None = None,
    most: int,
) -> list[dict[str, Any]]:
    """Return rows as plain Python values, shapes left out: quicker than a frame for a few.

    Parameters
    ----------
    where
        Column and the value it must have, or a list of which it must have one.
    latest_by
        Column whose greatest values come first; in the order they were stored if none.
    most
        At most so many rows.
    """
    table = database.stored.table(name)
    declared = declared_table(name)
    names = columns or [column.name for column in declared.columns if column.type != "geometry"]
    query = sa.select(*(table.c[column] for column in names)).limit(most)
    for column, value in where.items():
        is_one = table.c[column].in_(value) if isinstance(value, list) else table.c[column] == value
        query = query.where(is_one)
    if latest_by is not None:
        query = query.order_by(table.c[latest_by].desc())
    with database.reading() as connection:
        return [dict(row) for row in connection.execute(query).mappings()]


def keys_between(
    database: Database, name: str, column: str, first: pd.Timestamp, before: pd.Timestamp
) -> list[str]:
    """Return the keys of a table's rows whose moment lies from ``first`` on and ``before`` another.

    Parameters
    ----------
    name, column
        A table with a key of one column, and a column of moments.
    """
    table = database.stored.table(name)
    (key,) = declared_table(name).key
    moment = table.c[column]
    start, end = (at.tz_convert("UTC").to_pydatetime() for at in (first, before))
    query = sa.select(table.c[key]).where(moment >= start, moment < end).order_by(table.c[key])
    with database.reading() as connection:
        return [str(row[0]) for row in connection.execute(query)]


def find_vaults(database: Database, text: str, *, most: int) -> list[dict[str, Any]]:
    """Return vaults whose id begins with a text, then those whose address holds it.

    Returns
    -------
    list
        vault_id, kind, status, address, district; at most ``most`` rows, none for a blank text.
        Ids that begin with the very text come first; otherwise capitals do not matter. Signs that a
        pattern gives a meaning to are taken as they are.
    """
    wanted = " ".join(text.split())[:_LONGEST]
    if not wanted:
        return []
    table = database.stored.table("vaults")
    columns = [table.c[name] for name in _SHOWN]
    found: dict[str, dict[str, Any]] = {}
    # As a range the key's own index finds them; the fleet is looked through only for the rest.
    as_typed = table.c.vault_id.startswith(wanted, autoescape=True) & (
        table.c.vault_id.between(wanted, wanted + _LAST)
    )
    begins = table.c.vault_id.istartswith(wanted, autoescape=True)
    holds = table.c.address.icontains(wanted, autoescape=True)
    ways = (
        (as_typed, [table.c.vault_id]),
        (begins | holds, [sa.case((begins, 0), else_=1), table.c.vault_id]),
    )
    with database.reading() as connection:
        for condition, order in ways:
            if len(found) < most:
                query = sa.select(*columns).where(condition).order_by(*order).limit(most)
                for row in connection.execute(query).mappings():
                    found.setdefault(str(row["vault_id"]), dict(row))
    return list(found.values())[:most]
