"""A result typed into the board's form, recorded as a sheet of one row would be."""

from __future__ import annotations

import csv
import re
import tempfile
import uuid
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from vaultplan.errors import VaultplanError
from vaultplan.recording import Recorded, record
from vaultplan.schema import table
from vaultplan.settings import Settings
from vaultplan.store.database import Database
from vaultplan.web.history import is_noted, note

#: Fields of the form, as columns of visits; the id comes of the form's own key.
FIELDS: Final = (
    *("vault_id", "order_id", "visited_at", "finding", "depth_in", "grade", "has_sheen"),
    *("disposal", "volume_gal", "volume_basis", "socks_used", "inlet_id", "was_raining", "notes"),
)
#: How a fault names its row, of which there is one.
_PLACE: Final = re.compile(r"row \d+, (?:column )?")
_KEY: Final = re.compile(r"[0-9a-f]{32}")


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of a result: its visit, whether it was new, and what to look at or mend."""

    visit_id: str
    was_new: bool
    faults: tuple[str, ...]
    doubts: tuple[str, ...]
    differs: str


def new_key() -> str:
    """Return a key for a form that is about to be filled in."""
    return uuid.uuid4().hex


def choices(column: str) -> tuple[str, ...]:
    """Return the words that a column of visits may hold."""
    return table("visits").column(column).allowed


def take(
    database: Database, key: str, given: dict[str, str], who: str, settings: Settings
) -> Answer:
    """Record a result once, however often the form is sent.

    Parameters
    ----------
    key
        The form's own, from :func:`new_key`: the same key is the same visit.
    given
        ``FIELDS`` as typed; ``visited_at`` in local time of the database.
    who
        Who sent it, noted in ``changes``.

    Notes
    -----
    A row with an error is not recorded: it is told what to mend, and the form keeps what was
    typed. A doubtful one is recorded and told.
    """
    if not _KEY.fullmatch(key):
        return Answer("", False, ("the form has lost its key; load the page again",), (), "")
    visit_id = f"B-{key}"
    row = {"visit_id": visit_id, **{name: given.get(name, "").strip() for name in FIELDS}}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "board.csv"
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, list(row))
            writer.writeheader()
            writer.writerow(row)
        # The form's columns are the table's own, its times local: nothing is left to be guessed.
        recipe = Path(folder) / "recipe.toml"
        recipe.write_text(f'time_zone = "{database.time_zone}"\n', encoding="utf-8")
        try:
            found = record(
                database.location, path, column_map=recipe, with_forecasts=False, is_strict=True,
                settings=settings,
            )  # fmt: skip
        except VaultplanError as error:
            return Answer(visit_id, False, _lines(error), (), "")
    was_new = bool(found.loaded.outcome["new"].sum())
    # Not only where it was new: the program may have died in between the last time.
    _note(database, visit_id, who)
    return Answer(visit_id, was_new, (), _doubts(found), _differs(found))


def _lines(error: VaultplanError) -> tuple[str, ...]:
    """Return the faults of the row, without the file and row that nobody typed."""
    told = [_PLACE.sub("", line.strip()) for line in str(error).splitlines()]
    faults = [line for line, whole in zip(told, str(error).splitlines(), strict=True)
              if _PLACE.match(whole.strip())]  # fmt: skip
    return tuple(faults) or (told[0],)


def _doubts(found: Recorded) -> tuple[str, ...]:
    rows = found.review.to_dict("records")
    return tuple(f"{row['column_name']} {row['fault']}: {row['remedy']}" for row in rows)


def _differs(found: Recorded) -> str:
    return "" if found.compared.empty else str(found.compared["differs"].iloc[0])


def _note(database: Database, visit_id: str, who: str) -> None:
    """Note who sent a result, once: whoever sends it again is not its sender."""
    change_id = f"board-{visit_id}"
    if is_noted(database, change_id):
        return
    why = "result typed into the board"
    with database.writing() as connection:
        note(connection, change_id, who, "visits", visit_id, after="came in", why=why)
