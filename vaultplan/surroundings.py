"""What a load's rows are judged by: the database as it was, and what was loaded since."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final, Protocol

import numpy as np
import pandas as pd

from vaultplan import schema
from vaultplan.intake.around import Around, joined, node_places, pipe_ends, vault_facts
from vaultplan.intake.keys import KnownIds
from vaultplan.intake.whereabouts import Box
from vaultplan.settings import IntakeSettings
from vaultplan.store.database import Database
from vaultplan.store.find import keys_between
from vaultplan.store.read import read_table

#: Tables whose rows are judged by the vaults they name, or by where the vaults are.
_BY_VAULTS: Final = frozenset({"vaults", "visits", "work_orders"})
_VAULT_COLUMNS: Final = (
    *("vault_id", "kind", "status", "shape", "length_ft", "width_ft", "depth_ft", "gear_frac"),
    *("imputed", "geometry"),
)
_FEWEST: Final = 20


class _OnStep(Protocol):
    def __call__(self, step: str, done: int | None = None, total: int | None = None) -> None: ...


class Surroundings:
    """Ids, vaults and places known so far; they grow with every table that is loaded."""

    def __init__(
        self, database: Database, now: pd.Timestamp | None, settings: IntakeSettings
    ) -> None:
        self._database = database
        self._now, self._settings = _moment(now, database.time_zone), settings
        self._ids: dict[str, KnownIds] = {}
        self._vaults = vault_facts(None)
        self._nodes = node_places(None, "node_id")
        self._pipe_ends = pipe_ends(None)
        self._locked: tuple[tuple[pd.Timestamp, pd.Timestamp], ...] = ()
        self._locked_ids: set[str] = set()
        self.box: Box | None = None

    def read_for(self, tables: Iterable[str], on_step: _OnStep) -> None:
        """Read what the rows of these tables will be judged by."""
        names = list(tables)
        targets = sorted({target for name in names for target in _referred_to(name)})
        places = any(schema.table(name).geometry is not None for name in names)
        wants_vaults = places or bool(_BY_VAULTS & set(names))
        steps = len(targets) + wants_vaults
        for number, target in enumerate(targets):
            on_step("Read what rows refer to", number, steps)
            table, _, column = target.partition(".")
            self._ids[target] = KnownIds()
            self._ids[target].add(read_table(self._database, table, columns=[column])[column])
        if wants_vaults:
            on_step("Read what rows refer to", len(targets), steps)
            vaults = read_table(self._database, "vaults", columns=_VAULT_COLUMNS)
            self._vaults = vault_facts(vaults)
            self.box = _box_of(self._vaults)
        if "visits" in names:
            locks = read_table(self._database, "locked_periods")
            self._locked = tuple(zip(locks["first_on"], locks["last_on"], strict=True))
            zone = self._database.time_zone
            for first, last in self._locked:
                ends = (first, last + pd.Timedelta(days=1))
                span = [end.tz_localize(zone, nonexistent="shift_forward") for end in ends]
                self._locked_ids |= set(keys_between(self._database, "visits", "visited_at", *span))
        if "drain_pipes" in names:
            for name in ("inlets", "outfalls"):
                frame = read_table(self._database, name, columns=["node_id", "geometry"])
                self._nodes = joined(self._nodes, node_places(frame, "node_id"))
            columns = ["pipe_id", "from_node", "to_node", "geometry"]
            self._pipe_ends = pipe_ends(read_table(self._database, "drain_pipes", columns=columns))

    def take(self, name: str, frame: pd.DataFrame) -> None:
        """Take in rows that were just loaded."""
        for target, known in self._ids.items():
            table, _, column = target.partition(".")
            if table == name:
                known.add(frame[column])
        if name == "vaults":
            self._vaults = joined(self._vaults, vault_facts(frame))
        if name in ("inlets", "outfalls"):
            self._nodes = joined(self._nodes, node_places(frame, "node_id"))

    def of(self, name: str) -> Around:
        """Return what rows of one table are judged by, as far as it is known now."""
        if self.box is None and name != "vaults":
            self.box = _box_of(self._vaults)
        ids = {target: self._ids[target] for target in _referred_to(name) if target in self._ids}
        return Around(
            ids,
            self._vaults,
            self._nodes,
            self._pipe_ends,
            self.box,
            self._now,
            self._settings,
            self._locked,
            frozenset(self._locked_ids),
        )


def _moment(now: pd.Timestamp | None, zone: str) -> pd.Timestamp:
    if now is None:
        return pd.Timestamp.now("UTC")
    aware = now.tz_localize(zone) if now.tzinfo is None else now
    return aware.tz_convert("UTC")


def _referred_to(name: str) -> list[str]:
    return [column.refers_to for column in schema.table(name).columns if column.refers_to]


def _box_of(vaults: pd.DataFrame) -> Box | None:
    """Return the box of nearly all vaults; a few lost ones may not widen it."""
    places = vaults[["x", "y"]].dropna().to_numpy()
    if len(places) < _FEWEST:
        return None
    west, south = np.quantile(places, 0.005, axis=0)
    east, north = np.quantile(places, 0.995, axis=0)
    return (float(west), float(south), float(east), float(north))
