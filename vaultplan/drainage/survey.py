"""The drain tables read once into arrays, and what an edited pipe changes in them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from vaultplan.drainage.directions import Directed, directed
from vaultplan.drainage.follow import BoolArray, FloatArray, IntArray
from vaultplan.drainage.places import Claims, claims_of
from vaultplan.errors import TraceError
from vaultplan.geometry import feet_per_unit

SEWERS: Final = ("combined", "sanitary")


@dataclass(frozen=True, slots=True, eq=False)
class DrainSurvey:
    """Inlets, pipes and outfalls by the positions of their nodes among ``nodes``.

    ``stated`` are the node pairs (from, to) as the table has them, ``way`` those as water runs;
    ``places`` is where each node lies, not a number where nobody knows. ``is_sewer``,
    ``is_private``, ``is_silent`` and ``is_pumped`` run over pipes. ``unit_ft`` is the feet in a
    unit of the map, not a number where there is none.
    """

    nodes: pd.Index[Any]
    pipes: pd.DataFrame
    stated: npt.NDArray[np.int64]
    way: Directed
    claims: Claims
    places: FloatArray
    length_ft: FloatArray
    is_sewer: BoolArray
    is_private: BoolArray
    is_silent: BoolArray
    is_pumped: BoolArray
    inlet_node: IntArray
    fall_node: IntArray
    outfall: IntArray
    outfalls: int
    unit_ft: float

    def find(self, node_ids: pd.Series[Any]) -> IntArray:
        """Return the position of each node id; -1 where there is no such node."""
        if len(self.nodes) == 0:
            return np.full(len(node_ids), -1, dtype=np.int64)
        return np.asarray(self.nodes.get_indexer(pd.Index(node_ids.astype("str"))), dtype=np.int64)


def survey_drains(
    inlets: pd.DataFrame, drain_pipes: pd.DataFrame, outfalls: pd.DataFrame
) -> DrainSurvey:
    """Return the drain tables as arrays; any of them may be empty.

    Raises
    ------
    CRSError
        If a length must be measured and the pipes have no projected CRS.
    """
    pipes = drain_pipes.reset_index(drop=True)
    falls = outfalls.reset_index(drop=True)
    nodes, (start, stop, inlet_node, fall_node) = _number_nodes(
        pipes["from_node"], pipes["to_node"], inlets["node_id"], falls["node_id"]
    )
    claims = claims_of(pipes, start, stop, [(inlet_node, inlets), (fall_node, falls)])
    is_mapped = (
        isinstance(pipes, gpd.GeoDataFrame) and pipes.crs is not None and pipes.crs.is_projected
    )
    return DrainSurvey(
        nodes=nodes,
        pipes=pipes,
        stated=np.column_stack([start, stop]),
        way=directed(pipes, start, stop, claims),
        claims=claims,
        places=claims.known_places(len(nodes)),
        length_ft=lengths_ft(pipes),
        **_systems(pipes),
        inlet_node=inlet_node,
        fall_node=fall_node,
        outfall=_outfall_rows(falls, fall_node, len(nodes)),
        outfalls=len(falls),
        unit_ft=feet_per_unit(pipes) if is_mapped else np.nan,
    )


def amended(survey: DrainSurvey, changed: pd.DataFrame) -> DrainSurvey:
    """Return the survey with some pipes as they are now, without reading all others again.

    Parameters
    ----------
    survey
        From :func:`survey_drains`, or from here.
    changed
        Rows of ``drain_pipes`` by their ``pipe_id``, each one of the survey's.

    Raises
    ------
    TraceError
        If a pipe is not in the survey, or a node is: then survey all tables again.
    """
    rows = _places_of(survey.pipes["pipe_id"], changed["pipe_id"])
    pair = np.column_stack([survey.find(changed[end]) for end in ("from_node", "to_node")])
    if (rows < 0).any() or (pair < 0).any():
        raise TraceError("a pipe or node that the drains did not have before: read them all again")
    now = _with_rows(survey.pipes, rows, changed)
    count = len(now)
    stated = survey.stated.copy()
    touched = _nodes_in(stated[rows], pair)
    stated[rows] = pair
    fresh = claims_of(now.iloc[rows], pair[:, 0], pair[:, 1], [])
    claims = Claims(survey.claims.node.copy(), survey.claims.spot.copy(), count)
    for half in (0, 1):
        claims.node[rows + half * count] = pair[:, half]
        claims.spot[rows + half * count] = fresh.spot[half * len(rows) : (half + 1) * len(rows)]
    # Which way a pipe is drawn is told by the claims at its two nodes: those of its neighbours.
    near = np.flatnonzero(np.isin(stated, touched).any(axis=1))
    around = np.flatnonzero(np.isin(stated, _nodes_in(stated[near])).any(axis=1))
    others = np.flatnonzero(np.isin(claims.node[2 * count :], _nodes_in(stated[near]))) + 2 * count
    pick = np.concatenate([around, around + count, others])
    part = Claims(claims.node[pick], claims.spot[pick], len(around))
    own = directed(now.iloc[around], stated[around, 0], stated[around, 1], part)
    way = Directed(
        survey.way.start.copy(),
        survey.way.stop.copy(),
        survey.way.is_turned.copy(),
        survey.way.is_doubtful.copy(),
    )
    is_near = np.isin(around, near)
    for name in ("start", "stop", "is_turned", "is_doubtful"):
        getattr(way, name)[around[is_near]] = getattr(own, name)[is_near]
    length = survey.length_ft.copy()
    length[rows] = lengths_ft(now.iloc[rows])
    systems = _systems(now)
    return replace(
        survey,
        pipes=now,
        stated=stated,
        way=way,
        claims=claims,
        places=claims.known_again(survey.places, touched),
        length_ft=length,
        is_sewer=systems["is_sewer"],
        is_private=systems["is_private"],
        is_silent=systems["is_silent"],
        is_pumped=systems["is_pumped"],
    )


def _places_of(names: pd.Series[Any], wanted: pd.Series[Any]) -> IntArray:
    """Return where each wanted name stands first, -1 where it does not.

    Looking through all names once for a few is quicker than building an index of them.
    """
    among = np.flatnonzero(names.isin(wanted).to_numpy())
    found = pd.Series(among, index=names.to_numpy(dtype=object)[among])
    found = found[~found.index.duplicated()]
    return wanted.map(found).fillna(-1).to_numpy(dtype=np.int64)


def _nodes_in(*pairs: npt.NDArray[np.int64]) -> IntArray:
    """Return the nodes named, blanks left out."""
    nodes = np.unique(np.concatenate([pair.ravel() for pair in pairs]))
    return np.asarray(nodes[nodes >= 0], dtype=np.int64)


def _with_rows(pipes: pd.DataFrame, rows: IntArray, changed: pd.DataFrame) -> pd.DataFrame:
    now = pipes.copy(deep=False)
    for name in pipes.columns:
        if name not in changed or _same(pipes[name].iloc[rows], changed[name]):
            continue  # writing into a column of a million words takes its time
        values = now[name].copy()
        values.iloc[rows] = changed[name].to_numpy()
        now[name] = values
    return now


def _same(before: pd.Series[Any], after: pd.Series[Any]) -> bool:
    one, other = before.to_numpy(dtype=object), after.to_numpy(dtype=object)
    return all(
        a is b or a == b or (pd.isna(a) and pd.isna(b)) for a, b in zip(one, other, strict=True)
    )


def _systems(pipes: pd.DataFrame) -> dict[str, BoolArray]:
    blank = np.zeros(len(pipes), dtype=bool)
    system = pipes["system"] if "system" in pipes else pd.Series([None] * len(pipes), dtype="str")
    is_pumped = pipes["kind"].eq("force_main").fillna(value=False) if "kind" in pipes else blank
    return {
        "is_sewer": system.isin(SEWERS).to_numpy(bool),
        "is_private": system.eq("private").fillna(value=False).to_numpy(bool),
        "is_silent": system.isna().to_numpy(bool) if system.notna().any() else blank,
        "is_pumped": np.asarray(is_pumped, dtype=bool),
    }


def _number_nodes(*columns: pd.Series[Any]) -> tuple[pd.Index[Any], list[IntArray]]:
    sizes = np.cumsum([len(column) for column in columns])
    joined = pd.concat([column.astype("str") for column in columns], ignore_index=True)
    codes, unique = pd.factorize(joined, sort=True)
    parts = np.split(np.asarray(codes, dtype=np.int64), sizes[:-1])
    return pd.Index(unique), [np.asarray(part, dtype=np.int64) for part in parts]


def _outfall_rows(outfalls: pd.DataFrame, fall_node: IntArray, count: int) -> IntArray:
    """Return the outfall at each node, the first id in text order where there are several."""
    rows = np.full(count, -1, dtype=np.int64)
    backwards = outfalls["outfall_id"].astype("str").argsort().to_numpy()[::-1]
    backwards = backwards[fall_node[backwards] >= 0]
    rows[fall_node[backwards]] = backwards
    return rows


def lengths_ft(pipes: pd.DataFrame) -> FloatArray:
    """Return the stated length of each pipe, else the drawn one, else not a number."""
    if "length_ft" in pipes:
        lengths = pipes["length_ft"].to_numpy(dtype=np.float64, na_value=np.nan, copy=True)
    else:
        lengths = np.full(len(pipes), np.nan)
    lengths[lengths < 0] = np.nan
    blank = np.isnan(lengths)
    if blank.any() and isinstance(pipes, gpd.GeoDataFrame):
        drawn = pipes.geometry.to_numpy()[blank]
        there = ~(shapely.is_missing(drawn) | shapely.is_empty(drawn))
        if there.any():
            measured = np.full(len(drawn), np.nan)
            measured[there] = shapely.length(drawn[there]) * feet_per_unit(pipes)
            lengths[blank] = measured
    return lengths
