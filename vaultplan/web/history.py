"""Who changed what on the board, in the append-only table of changes."""

from __future__ import annotations

import pandas as pd
import sqlalchemy as sa

from vaultplan.schema import table
from vaultplan.store.database import Database
from vaultplan.store.read import count_rows
from vaultplan.store.write import upsert


def note(
    connection: sa.Connection, change_id: str, who: str, name: str, key: str, **words: str
) -> None:
    """Enter that someone changed a row of a table; ``words`` are before, after and why."""
    row = {
        "change_id": change_id,
        "changed_at": pd.Timestamp.now("UTC"),
        "who": who,
        "table_name": name,
        "row_key": key,
        **words,
    }
    upsert(connection, "changes", table("changes").conform(pd.DataFrame([row])))


def is_noted(database: Database, change_id: str) -> bool:
    """Return whether a change has been entered."""
    return count_rows(database, "changes", {"change_id": change_id}) > 0
