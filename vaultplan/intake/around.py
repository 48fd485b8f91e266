"""What the database holds already, as far as a file's rows are to be judged by it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import pandas as pd

from vaultplan.intake.keys import KnownIds
from vaultplan.intake.whereabouts import Box
from vaultplan.settings import IntakeSettings

#: Columns of ``vaults`` that other tables' rows are judged by; ``x`` and ``y`` are its place.
VAULT_FACTS: Final = (
    *("vault_id", "kind", "status", "shape", "length_ft", "width_ft", "depth_ft", "gear_frac"),
    *("x", "y"),
)


@dataclass(frozen=True, slots=True)
class Around:
    """Ids by ``table.column``, facts of vaults by ``vault_id``, and where everything lies.

    ``nodes`` gives the place of drain nodes known from inlets and outfalls (``x``, ``y`` by
    ``node_id``). ``now`` is the moment after which nothing can have happened yet.
    """

    ids: Mapping[str, KnownIds] = field(default_factory=dict)
    vaults: pd.DataFrame = field(default_factory=lambda: vault_facts(None))
    nodes: pd.DataFrame = field(default_factory=lambda: node_places(None, "node_id"))
    box: Box | None = None
    now: pd.Timestamp | None = None
    settings: IntakeSettings = field(default_factory=IntakeSettings)


def vault_facts(vaults: pd.DataFrame | None) -> pd.DataFrame:
    """Return ``VAULT_FACTS`` of a frame of vaults by ``vault_id``; none if there is no frame."""
    if vaults is None or vaults.empty:
        empty = pd.DataFrame({name: pd.Series([], dtype="float64") for name in VAULT_FACTS})
        words = dict.fromkeys(("vault_id", "kind", "status", "shape"), "str")
        return empty.astype(words).set_index("vault_id")
    x, y = _xy(vaults)
    facts = pd.DataFrame({name: vaults[name] for name in VAULT_FACTS[:-2]}).assign(x=x, y=y)
    return facts.drop_duplicates("vault_id", keep="last").set_index("vault_id")


def node_places(frame: pd.DataFrame | None, name: str) -> pd.DataFrame:
    """Return the place (``x``, ``y``) of each node that a frame of points names."""
    if frame is None or frame.empty:
        empty = pd.DataFrame({name: pd.Series([], dtype="str"), "x": [], "y": []})
        return empty.astype({"x": "float64", "y": "float64"}).set_index(name)
    x, y = _xy(frame)
    return pd.DataFrame({name: frame[name], "x": x, "y": y}).dropna().set_index(name)


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
