"""What the database holds already, as far as a file's rows are to be judged by it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import pandas as pd
import shapely

from vaultplan.intake.keys import KnownIds
from vaultplan.intake.whereabouts import Box
from vaultplan.settings import IntakeSettings

#: Columns of ``vaults`` that other tables' rows are judged by; ``x`` and ``y`` are its place.
VAULT_FACTS: Final = (
    *("vault_id", "kind", "status", "shape", "length_ft", "width_ft", "depth_ft", "gear_frac"),
    *("imputed", "x", "y"),
)


@dataclass(frozen=True, slots=True)
class Around:
    """Ids by ``table.column``, facts of vaults by ``vault_id``, and where everything lies.

    ``nodes`` gives the place of drain nodes known from inlets and outfalls (``x``, ``y`` by
    ``node_id``), ``pipe_ends`` the places that pipes give for their nodes (``pipe_id``, ``node``,
    ``x``, ``y``). ``now`` is the moment after which nothing can have happened yet, ``locked`` are
    first and last local days of spans whose visits nobody may add or change any more, and
    ``locked_ids`` those visits.
    """

    ids: Mapping[str, KnownIds] = field(default_factory=dict)
    vaults: pd.DataFrame = field(default_factory=lambda: vault_facts(None))
    nodes: pd.DataFrame = field(default_factory=lambda: node_places(None, "node_id"))
    pipe_ends: pd.DataFrame = field(default_factory=lambda: pipe_ends(None))
    box: Box | None = None
    now: pd.Timestamp | None = None
    settings: IntakeSettings = field(default_factory=IntakeSettings)
    locked: tuple[tuple[pd.Timestamp, pd.Timestamp], ...] = ()
    locked_ids: frozenset[str] = frozenset()


def vault_facts(vaults: pd.DataFrame | None) -> pd.DataFrame:
    """Return ``VAULT_FACTS`` of a frame of vaults by ``vault_id``; none if there is no frame."""
    if vaults is None or vaults.empty:
        empty = pd.DataFrame({name: pd.Series([], dtype="float64") for name in VAULT_FACTS})
        words = dict.fromkeys(("vault_id", "kind", "status", "shape", "imputed"), "str")
        return empty.astype(words).set_index("vault_id")
    x, y = _xy(vaults)
    blank = pd.Series(None, index=vaults.index, dtype="str")
    known = {name: vaults.get(name, blank) for name in VAULT_FACTS[:-2]}
    facts = pd.DataFrame(known).assign(x=x, y=y)
    return facts.drop_duplicates("vault_id", keep="last").set_index("vault_id")


def node_places(frame: pd.DataFrame | None, name: str) -> pd.DataFrame:
    """Return the place (``x``, ``y``) of each node that a frame of points names."""
    if frame is None or frame.empty:
        empty = pd.DataFrame({name: pd.Series([], dtype="str"), "x": [], "y": []})
        return empty.astype({"x": "float64", "y": "float64"}).set_index(name)
    x, y = _xy(frame)
    return pd.DataFrame({name: frame[name], "x": x, "y": y}).dropna().set_index(name)


def pipe_ends(pipes: pd.DataFrame | None) -> pd.DataFrame:
    """Return the place (``x``, ``y``) that each pipe (``pipe_id``) gives for its ``node``."""
    if pipes is None or pipes.empty:
        empty = pd.DataFrame({"pipe_id": [], "node": [], "x": [], "y": []})
        return empty.astype({"pipe_id": "str", "node": "str", "x": "float64", "y": "float64"})
    ends = []
    for node, at in (("from_node", 0), ("to_node", -1)):
        points = shapely.get_point(pipes.geometry.to_numpy(), at)
        x, y = shapely.get_x(points), shapely.get_y(points)
        ends.append(
            pd.DataFrame({"pipe_id": pipes["pipe_id"], "node": pipes[node], "x": x, "y": y})
        )
    return pd.concat(ends, ignore_index=True).dropna()


def joined(facts: pd.DataFrame, more: pd.DataFrame) -> pd.DataFrame:
    """Return facts with those of the same index replaced by ``more``, and the others added."""
    if more.empty:
        return facts
    if facts.empty:
        return more
    both = pd.concat([facts, more])
    return both[~both.index.duplicated(keep="last")]


def _xy(frame: pd.DataFrame) -> tuple[Any, Any]:
    shapes = frame.geometry
    blank = np.full(len(frame), np.nan)
    if shapes.isna().all():
        return blank, blank
    return shapes.x.to_numpy(), shapes.y.to_numpy()
