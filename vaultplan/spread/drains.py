"""What of streets and drains a part of the vaults needs, such that no path comes out otherwise."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.sparse import csr_array
from scipy.spatial import cKDTree

from vaultplan.drainage.network import DrainNetwork
from vaultplan.drainage.places import Claims, spots_of
from vaultplan.drainage.snap import CANDIDATES, MIDDLE_FT
from vaultplan.drainage.survey import DrainSurvey
from vaultplan.geometry import feet_per_unit

Ints = npt.NDArray[np.int64]

NONE: Final = np.empty(0, np.int64)
_NO: Final = np.empty(0, np.bool_)


def network_of(net: DrainNetwork, starts: Ints) -> tuple[DrainNetwork, Ints]:
    """Return the drains below some nodes, and the rows of the pipes that water leaves them by.

    The pipes of the network returned are numbered as those rows; of its survey only the names of
    nodes, their places and outfalls are left.
    """
    keep = np.zeros(len(net.receiver), bool)
    front = np.unique(starts)
    while len(front):
        keep[front] = True
        front = np.unique(net.receiver[front])
        front = front[~keep[front]]
    rows = np.flatnonzero(keep)
    place = _numbers(rows, len(keep))
    pipes = np.unique(net.pipe[rows][net.pipe[rows] >= 0])
    splits = np.unique(net.parts.first_split[rows][net.parts.first_split[rows] >= 0])
    cut = replace(
        net,
        survey=_survey_of(net.survey, rows),
        receiver=place[net.receiver[rows]],
        pipe=_numbers(pipes, int(net.pipe.max(initial=-1)) + 1)[net.pipe[rows]],
        step_ft=net.step_ft[rows],
        end=place[net.end[rows]],
        run_ft=net.run_ft[rows],
        hops=net.hops[rows],
        splits=net.splits[rows],
        unstated=net.unstated[rows],
        doubtful=net.doubtful[rows],
        pumps=net.pumps[rows],
        gap_ft=net.gap_ft[rows],
        sewer_entry=place[net.sewer_entry[rows]],
        private_entry=place[net.private_entry[rows]],
        on_loop=net.on_loop[rows],
        split_nodes=NONE,
        bridged=NONE,
        parts=replace(
            net.parts,
            first_split=_numbers(splits, len(net.parts.main_end))[net.parts.first_split[rows]],
            shares=csr_array(net.parts.shares[splits]),
            main_end=net.parts.main_end[splits],
        ),
    )
    return cut, pipes


def _numbers(kept: Ints, count: int) -> Ints:
    """Return the number of each kept row among them; -1 for others, and for the row -1."""
    numbers = np.full(count + 1, -1, np.int64)
    numbers[kept] = np.arange(len(kept))
    return numbers


def _survey_of(survey: DrainSurvey, rows: Ints) -> DrainSurvey:
    way = survey.way
    return replace(
        survey,
        nodes=survey.nodes[rows],
        pipes=survey.pipes.iloc[:0],
        stated=survey.stated[:0],
        way=replace(way, start=NONE, stop=NONE, is_turned=_NO, is_doubtful=_NO),
        claims=Claims(NONE, survey.claims.spot[:0], 0),
        places=survey.places[rows],
        length_ft=survey.length_ft[:0],
        is_sewer=_NO,
        is_private=_NO,
        is_silent=_NO,
        is_pumped=_NO,
        inlet_node=NONE,
        fall_node=NONE,
        outfall=survey.outfall[rows],
    )


class Around:
    """The streets that may lie between vaults and inlets, and the inlets they may drain to."""

    def __init__(
        self,
        vaults: gpd.GeoDataFrame,
        inlets: gpd.GeoDataFrame,
        roads: gpd.GeoDataFrame | None,
        inlet_choices: pd.DataFrame | None,
    ) -> None:
        self._points, spots = spots_of(vaults), spots_of(inlets)
        self._rows = np.flatnonzero(np.isfinite(spots).all(axis=1))
        self._spots = spots[self._rows]
        self._tree: Any = cKDTree(self._spots) if len(self._rows) else None
        self._named = _chosen(vaults, inlets, inlet_choices)
        self._boxes = np.empty((0, 4))
        if roads is not None and len(roads):
            self._boxes = np.asarray(shapely.bounds(roads.geometry.to_numpy()))
        self._margin = 2.0 * MIDDLE_FT / feet_per_unit(vaults)

    def of(self, vaults: Ints) -> tuple[Ints, Ints]:
        """Return rows of roads and of inlets for some vaults."""
        points = self._points[vaults]
        points = points[np.isfinite(points).all(axis=1)]
        near = NONE
        if self._tree is not None and len(points):
            # Two more than are weighed: which of several equally far are taken is not known here.
            ranks = min(CANDIDATES + 2, len(self._rows))
            _, which = self._tree.query(points, k=list(range(1, ranks + 1)))
            near = np.unique(which)
        named = self._named[vaults]
        inlets = np.union1d(self._rows[near], named[named >= 0])
        touches = np.zeros(len(self._boxes), bool)
        # No street near is not the same as no street known: one of them always comes along.
        touches[np.flatnonzero(np.isfinite(self._boxes[:, 0]))[:1]] = True
        if len(points):
            spots = np.concatenate([points, self._spots[near]])
            low, high = spots.min(axis=0) - self._margin, spots.max(axis=0) + self._margin
            touches |= (self._boxes[:, :2] <= high).all(axis=1) & (self._boxes[:, 2:] >= low).all(
                axis=1
            )
        return np.flatnonzero(touches), inlets


def _chosen(
    vaults: gpd.GeoDataFrame, inlets: gpd.GeoDataFrame, inlet_choices: pd.DataFrame | None
) -> Ints:
    """Return the row of the inlet that people named for each vault, -1 for none."""
    if inlet_choices is None or not len(inlet_choices):
        return np.full(len(vaults), -1, np.int64)
    named = inlet_choices.drop_duplicates("vault_id").set_index("vault_id")["inlet_id"]
    wanted = vaults["vault_id"].map(named)
    ids = pd.Index(inlets["inlet_id"].astype("str"))
    row = ids.get_indexer(pd.Index(wanted.astype("str")))
    return np.where(wanted.notna().to_numpy(bool), row, -1).astype(np.int64)
