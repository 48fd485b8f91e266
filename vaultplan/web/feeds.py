"""Rows that another system sends: many at once, each once, taken in as a file of them would be."""

from __future__ import annotations

import csv
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from vaultplan import loading
from vaultplan.errors import SchemaError
from vaultplan.schema import table
from vaultplan.settings import Settings
from vaultplan.store.database import Database
from vaultplan.store.read import read_table

#: What may be sent, and the columns that each may have.
FEEDS: Final = {"orders": "work_orders", "results": "visits"}
MOST_ROWS: Final = 5_000
_FINDINGS: Final = ("row", "row_key", "severity", "column_name", "fault", "remedy")
#: The header is the first row of a file.
_BEFORE_FIRST: Final = 2


@dataclass(frozen=True, slots=True)
class Fed:
    """What became of rows: counts as table ``loads`` has them, and what was found wrong.

    ``findings`` name rows by their place in what was sent, 0 first.
    """

    load_id: str
    rows: int
    new: int
    changed: int
    same: int
    set_aside: int
    findings: tuple[dict[str, str | int], ...]


def columns_of(feed: str) -> tuple[str, ...]:
    """Return the columns that rows of a feed may have."""
    declared = table(FEEDS[feed])
    return tuple(column.name for column in declared.columns if column.type != "geometry")


def feed(
    database: Database, name: str, rows: Sequence[Mapping[str, str]], settings: Settings
) -> Fed:
    """Take rows of ``FEEDS`` in; a row whose key is known alters what was known of it.

    Raises
    ------
    SchemaError
        If a row has a column that there is none of.
    VaultplanError
        If they cannot be taken in at all; then none is.
    """
    # However many of a batch cannot be read: none is lost, and the sender is told of each.
    intake = settings.intake.model_copy(update={"max_quarantine_frac": 1.0})
    settings = settings.model_copy(update={"intake": intake})
    allowed = columns_of(name)
    names = list(dict.fromkeys(column for row in rows for column in row))
    unknown = sorted(set(names) - set(allowed))
    if unknown:
        raise SchemaError(f"no such columns: {', '.join(unknown)}; there are {', '.join(allowed)}")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"{name}.csv"
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, names, restval="")
            writer.writeheader()
            writer.writerows(rows)
        recipe = Path(folder) / "recipe.toml"
        recipe.write_text(f'time_zone = "{database.time_zone}"\n', encoding="utf-8")
        found = loading.load(
            database.location, FEEDS[name], path, column_map=recipe, settings=settings
        )
    load = found.outcome.iloc[0]
    told = read_table(database, "findings", where={"load_id": str(load["load_id"])})
    told = told[told["severity"].isin(["error", "warning"])]
    findings: list[dict[str, str | int]] = []
    for row in told[list(_FINDINGS)].fillna("").to_dict("records"):
        words: dict[str, str | int] = {key: str(row[key]) for key in _FINDINGS[1:]}
        findings.append({"row": int(row["row"]) - _BEFORE_FIRST, **words})
    return Fed(
        str(load["load_id"]), len(rows), int(load["new"]), int(load["changed"]),
        int(load["same"]), int(load["quarantined"]), tuple(findings),
    )  # fmt: skip
