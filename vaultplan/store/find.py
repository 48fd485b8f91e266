"""Vaults looked up by what someone types."""

from __future__ import annotations

from typing import Final

import pandas as pd
import sqlalchemy as sa

from vaultplan.store.database import Database

_SHOWN: Final = ("vault_id", "kind", "status", "address", "district")
_LONGEST: Final = 80


def find_vaults(database: Database, text: str, *, most: int) -> pd.DataFrame:
    """Return vaults whose id begins with a text, then those whose address holds it.

    Returns
    -------
    pandas.DataFrame
        vault_id, kind, status, address, district; at most ``most`` rows, none for a blank text.
        Capitals do not matter; signs that a pattern gives a meaning to are taken as they are.
    """
    wanted = " ".join(text.split())[:_LONGEST]
    table = database.stored.table("vaults")
    columns = [table.c[name] for name in _SHOWN]
    found: list[pd.DataFrame] = []
    if wanted:
        begins = table.c.vault_id.istartswith(wanted, autoescape=True)
        holds = table.c.address.icontains(wanted, autoescape=True)
        with database.reading() as connection:
            for where in (begins, holds):
                left = most - sum(map(len, found))
                query = sa.select(*columns).where(where).order_by(table.c.vault_id).limit(left)
                rows = connection.execute(query).fetchall() if left > 0 else []
                found.append(pd.DataFrame(rows, columns=list(_SHOWN), dtype="str"))
    if not found:
        return pd.DataFrame(columns=list(_SHOWN), dtype="str")
    return pd.concat(found, ignore_index=True).drop_duplicates("vault_id", ignore_index=True)
