"""The fleet in parts, and cuts of its models that are all a part has to know."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.forecast.features import Site
from vaultplan.forecast.grade import GradeModel
from vaultplan.forecast.grade_filter import Standing
from vaultplan.forecast.readings import Readings
from vaultplan.forecast.volume import WaterModel

Ints = npt.NDArray[np.int64]

#: Rows of a part at most: a worker's thread then needs some hundred MB for it, see the benchmark.
MOST_ROWS: Final = 8_192
#: Smaller parts cost more in talk than they are worth.
LEAST_ROWS: Final = 256
#: Parts per thread of the cluster, so that none waits long for the last.
PER_THREAD: Final = 3


def most_rows(total: int, threads: int) -> int:
    """Return how many rows a part may have, so that memory stays bounded and all have work."""
    return int(np.clip(-(-total // (PER_THREAD * max(threads, 1))), LEAST_ROWS, MOST_ROWS))


def groups_of(vaults: pd.DataFrame, weight: Ints, most: int) -> list[Ints]:
    """Return rows of vaults in groups: a district each, or some small ones, or a piece of a large.

    Parameters
    ----------
    vaults
        ``vault_id``; ``district`` if there is one.
    weight
        What each row counts for.
    most
        What a group may count for; a single row may be more.

    Notes
    -----
    Within a district, and where it is blank, pieces are equal and follow the vault ids.

    >>> named = pd.DataFrame({"vault_id": list("abcdef"), "district": list("SNNNSN")})
    >>> [group.tolist() for group in groups_of(named, np.ones(6, np.int64), 2)]
    [[1, 2], [3, 5], [0, 4]]
    """
    names = pd.factorize(vaults["vault_id"], sort=True)[0]
    code = np.zeros(len(vaults), np.int64)
    if "district" in vaults:
        code = pd.factorize(vaults["district"], sort=True)[0].astype(np.int64)
    order = np.lexsort((names, code))
    pieces: list[tuple[int, Ints]] = []
    for district in np.split(order, np.flatnonzero(np.diff(code[order])) + 1):
        reached = np.cumsum(weight[district])
        if not len(reached):
            continue
        count = -(-int(reached[-1]) // most)
        # A row goes to the piece that its middle falls into.
        piece = ((reached - weight[district] / 2.0) * count / reached[-1]).astype(np.int64)
        cuts = np.flatnonzero(np.diff(piece)) + 1
        pieces += [(int(weight[rows].sum()), rows) for rows in np.split(district, cuts)]
    groups: list[Ints] = []
    room = 0
    for heavy, rows in pieces:
        if groups and heavy <= room:
            groups[-1] = np.concatenate([groups[-1], rows])
            room -= heavy
        else:
            groups.append(rows)
            room = most - heavy
    return groups


def in_groups(group: Ints, count: int) -> list[Ints]:
    """Return the places of the members of each group, in their order; -1 belongs to none.

    >>> [places.tolist() for places in in_groups(np.array([1, 0, -1, 1]), 2)]
    [[1], [0, 3]]
    """
    order = np.argsort(group, kind="stable")
    bounds = np.searchsorted(group[order], np.arange(count + 1))
    return [order[bounds[k] : bounds[k + 1]] for k in range(count)]


def put_together(parts: Sequence[pd.DataFrame], places: Sequence[Ints]) -> pd.DataFrame:
    """Return the rows of parts at the places they came from."""
    joined = pd.concat(list(parts), ignore_index=True)
    back = np.empty(len(joined), np.int64)
    back[np.concatenate(list(places))] = np.arange(len(joined))
    return joined.iloc[back].reset_index(drop=True)


def readings_of(readings: Readings, vaults: Ints) -> Readings:
    """Return the readings of some vaults, in the order named."""
    count = np.diff(readings.start)[vaults]
    start = np.append(0, np.cumsum(count)).astype(np.int64)
    pick = np.repeat(readings.start[vaults] - start[:-1], count) + np.arange(start[-1])
    per_row = ("day", "since", "left_in", "depth_in", "kind")
    per_vault = ("last_since", "last_left_in", "visit_count", "lid_count", "last_seen_day")
    return Readings(
        start=start,
        **{name: getattr(readings, name)[pick] for name in per_row},
        **{name: getattr(readings, name)[vaults] for name in per_vault},
    )


def site_of(site: Site, vaults: Ints) -> Site:
    """Return what some vaults are to the model."""
    return Site(
        gauge=np.ascontiguousarray(site.gauge[:, vaults]),
        share=np.ascontiguousarray(site.share[:, vaults]),
        depth_in=site.depth_in[vaults],
        area_sqft=site.area_sqft[vaults],
        irrigated=site.irrigated[vaults],
    )


@dataclass(frozen=True, slots=True)
class OwnWater:
    """What a water model knows of some vaults alone."""

    vault_ids: pd.Index[str]
    rooms: pd.DataFrame
    classes: pd.DataFrame
    site: Site
    readings: Readings
    traits: npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class OwnGrades:
    """What a grade model knows of some vaults alone."""

    vault_ids: pd.Index[str]
    level: npt.NDArray[np.float64]
    standing: Standing
    now: Any
    graded_count: Ints
    wet_count: Ints


def water_of(model: WaterModel, vaults: Ints) -> OwnWater:
    """Return what the model knows of some vaults."""
    return OwnWater(
        model.vault_ids[vaults],
        model.rooms.iloc[vaults],
        model.classes.iloc[vaults],
        site_of(model.site, vaults),
        readings_of(model.readings, vaults),
        np.ascontiguousarray(model.traits[:, vaults]),
    )


def grades_of(model: GradeModel, vaults: Ints) -> OwnGrades:
    """Return what the model knows of some vaults' dirt."""
    standing = model.standing
    return OwnGrades(
        model.vault_ids[vaults],
        model.backdrop.level[vaults],
        Standing(
            standing.day[vaults],
            np.ascontiguousarray(standing.mean[:, vaults]),
            np.ascontiguousarray(standing.variance[:, vaults]),
        ),
        model.now.taken(vaults),
        model.graded_count[vaults],
        model.wet_count[vaults],
    )


def with_water(shared: WaterModel, own: OwnWater) -> WaterModel:
    """Return a model of some vaults from what all share and what is their own."""
    return replace(shared, **{name: getattr(own, name) for name in OwnWater.__slots__})


def with_grades(shared: GradeModel, own: OwnGrades) -> GradeModel:
    """Return a model of some vaults' dirt from what all share and what is their own."""
    mine = {name: getattr(own, name) for name in OwnGrades.__slots__ if name != "level"}
    return replace(shared, backdrop=replace(shared.backdrop, level=own.level), **mine)
