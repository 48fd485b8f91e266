"""A year's visits, each with all that the yearly report counts it by."""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.schema import METHODS, Frames

Ints = npt.NDArray[np.int64]

#: What a visit counts as.
COUNTED: Final = (
    "pump-out",
    "no water removed",
    "not said whether water was removed",
    "nobody looked inside",
)
BASES: Final = ("measured", "estimated", "not stated", "unknown")
HAULED: Final = "hauled away"
UNKNOWN_WATER: Final = "unknown water"
#: Ends of a path that are no water, as ``traces.trace_status`` has them, in words.
OTHER_ENDS: Final = {
    "sewer": "sewer",
    "private": "private drain",
    "dry_well": "dry well",
    "pump_station": "pump station",
    "sewer_plant": "sewage works",
}
#: How the way of a discharge is known.
WAYS: Final = ("inlet noted", "vault's path", "drainage area", "no discharge")


def tenths_of(gallons: pd.Series[float]) -> pd.Series[Any]:
    """Return gallons as whole numbers of 0.1 gal, blank where unknown.

    A number is rounded as it is written in decimals, halves up, so that 0.25 is 0.3 and 1.15 is
    1.2 though the nearest binary fraction of 1.15 lies below it.

    >>> print(*tenths_of(pd.Series([0.25, 1.15, 7.0])))
    3 12 70
    """
    values = gallons.to_numpy(dtype=float, na_value=np.nan)
    known = ~np.isnan(values)
    scaled = np.where(known, values, 0.0) * 10.0
    whole = np.floor(scaled + 0.5)
    near_half = np.flatnonzero(np.abs(scaled - np.floor(scaled) - 0.5) < 1e-6 * (1 + scaled))
    for row in near_half:
        exact = Decimal(repr(float(values[row]))) * 10
        whole[row] = float(exact.to_integral_value(ROUND_HALF_UP))
    return pd.Series(pd.arrays.IntegerArray(whole.astype(np.int64), ~known), gallons.index)


def year_book(frames: Frames, *, year: int, time_zone: str) -> pd.DataFrame:
    """Return the visits of a local calendar year, each with what it is counted by.

    Parameters
    ----------
    frames
        ``visits`` in all columns; ``vaults``; ``outfalls`` and ``receiving_waters``;
        ``inlet_ends``: inlet_id, and outfall_id, water_id, status and is_split of the way from
        there; ``traces`` of at least the vaults with a discharge that names no inlet.
    year, time_zone
        The year, as clocks show it there.

    Returns
    -------
    pandas.DataFrame
        By time and id: ``visit_id``, ``vault_id``, ``district``, ``on`` (local date), ``at``
        (local HH:MM), ``month`` (1-12), ``order_id``, ``crew``, ``finding``, ``grade`` (unknown
        where none was noted), ``has_sheen``, ``has_foam``, ``was_raining``, ``counted`` (one of
        ``COUNTED``), ``method`` (unknown where it is not said; blank if no pump-out, as all that
        follows), ``tenths`` (0.1 gal, blank if unknown), ``basis`` (one of ``BASES``), ``water``,
        ``water_id``, ``outfall_id``, ``way`` (one of ``WAYS``), ``path_status``, ``is_split``,
        ``inlet_id`` as noted, ``inlet_is_known``, ``socks_used``, ``pump_minutes``, and
        ``is_contradictory``.

    Notes
    -----
    A visit is a pump-out if it says how water was removed. It is one by an unknown method if it
    says nothing of that, or that none was removed, yet tells gallons, socks or a pump that ran. A
    look at water without a word about removing it is a question of its own, never counted as none.

    A discharge went where the inlet that the visit notes leads to; where it notes none, along the
    vault's path, which is an assumption; where neither is known, to unknown water. Drains are as
    the tables have them now. Water of an unknown method may have been hauled away, so that where it
    went is unknown. Where a drain splits, all counts at the end of its larger way.
    """
    local = frames["visits"]["visited_at"].dt.tz_convert(time_zone).dt.tz_localize(None)
    mine = local.dt.year.eq(year).fillna(False).to_numpy(bool)
    visits = frames["visits"][mine].assign(local=local[mine])
    visits = visits.sort_values(["visited_at", "visit_id"], ignore_index=True)
    local = visits["local"]
    counted, method, odd = _counted(visits)
    is_event = counted == "pump-out"
    tenths = tenths_of(visits["volume_gal"]).mask(~is_event)
    vaults = frames["vaults"].set_index("vault_id")
    book = pd.DataFrame(
        {
            "visit_id": visits["visit_id"],
            "vault_id": visits["vault_id"],
            "district": visits["vault_id"].map(vaults["district"]).astype("str"),
            "on": local.dt.normalize().astype("datetime64[s]"),
            "at": local.dt.strftime("%H:%M"),
            "month": local.dt.month.astype("int64"),
            **{name: visits[name] for name in ("order_id", "crew", "finding")},
            "grade": visits["grade"].fillna("unknown"),
            **{name: visits[name] for name in ("has_sheen", "has_foam", "was_raining")},
            "counted": counted,
            "method": method,
            "tenths": tenths,
            "basis": _basis(visits, tenths).where(is_event),
        }
    )
    ends = _ends(visits, is_event, method, frames)
    book = pd.concat([book, ends], axis=1)
    noted = visits["inlet_id"].where(is_event)
    book["inlet_id"] = noted
    book["inlet_is_known"] = noted.isin(frames["inlet_ends"]["inlet_id"]).where(noted.notna())
    book["inlet_is_known"] = book["inlet_is_known"].astype("boolean")
    book["socks_used"] = visits["socks_used"].where(is_event)
    book["pump_minutes"] = visits["pump_minutes"].where(is_event)
    book["is_contradictory"] = odd
    return book


def _counted(
    visits: pd.DataFrame,
) -> tuple[pd.Series[str], pd.Series[str], npt.NDArray[np.bool_]]:
    """Return what each visit counts as, by what method, and which contradict themselves."""
    disposal = visits["disposal"]
    says_how = disposal.isin(METHODS).to_numpy(bool)
    worked = np.zeros(len(visits), dtype=bool)
    for name in ("volume_gal", "socks_used", "pump_minutes"):
        worked |= visits[name].gt(0).fillna(False).to_numpy(bool)
    none = disposal.eq("none").fillna(False).to_numpy(bool)
    is_event = says_how | worked
    unseen = visits["finding"].eq("not_seen").fillna(False).to_numpy(bool)
    dry = visits["finding"].eq("dry").fillna(False).to_numpy(bool)
    counted = np.select(
        [is_event, none | dry, unseen], [COUNTED[0], COUNTED[1], COUNTED[3]], COUNTED[2]
    )
    told = pd.Series(counted, visits.index, dtype="str")
    method = disposal.where(says_how, "unknown").where(is_event).astype("str")
    return told, method, (none & worked) | (dry & says_how)


def _basis(visits: pd.DataFrame, tenths: pd.Series[Any]) -> pd.Series[str]:
    stated: pd.Series[str] = visits["volume_basis"].fillna("not stated").astype("str")
    return stated.mask(tenths.isna(), "unknown")


def _ends(
    visits: pd.DataFrame, is_event: pd.Series[bool], method: pd.Series[str], frames: Frames
) -> pd.DataFrame:
    """Return where the water of each pump-out went, and how that is known."""
    inlet_ends = frames["inlet_ends"].set_index("inlet_id")
    traces = frames["traces"].set_index("vault_id")
    hauled = method.eq("vacuum_truck").fillna(False).to_numpy(bool)
    discharged = method.isin(["storm_drain", "filter_sock"]).to_numpy(bool)
    noted = visits["inlet_id"].notna().to_numpy() & discharged
    assumed = discharged & ~noted
    found: dict[str, pd.Series[Any]] = {}
    for name, column in (
        ("outfall_id", "outfall_id"),
        ("water_id", "water_id"),
        ("path_status", "status"),
    ):
        by_inlet = visits["inlet_id"].map(inlet_ends[column]).astype("str")
        trace = "trace_status" if column == "status" else column
        by_vault = visits["vault_id"].map(traces[trace]).astype("str")
        found[name] = by_inlet.where(noted).mask(assumed, by_vault)
    status = found["path_status"]
    reaches = status.isin(["complete", "by_area"]).to_numpy(bool)
    for name in ("outfall_id", "water_id"):
        found[name] = found[name].where(discharged)
    found["water_id"] = found["water_id"].where(reaches)
    water_names = frames["receiving_waters"].set_index("water_id")["name"]
    # Namesakes are two waters.
    named_twice = water_names.duplicated(keep=False)
    names = water_names.mask(named_twice, water_names + " (" + water_names.index + ")")
    water = found["water_id"].map(names).fillna(found["water_id"]).astype("str")
    other = status.map(OTHER_ENDS).astype("str")
    water = water.fillna(other).fillna(UNKNOWN_WATER)
    water = water.mask(hauled, HAULED).where(is_event)
    by_area = status.eq("by_area").fillna(False).to_numpy(bool)
    way = np.select([noted, assumed & ~by_area, assumed & by_area], WAYS[:3], WAYS[3])
    split = visits["inlet_id"].map(inlet_ends["is_split"]).where(noted)
    split = split.mask(assumed, visits["vault_id"].map(traces["main_share"]).lt(1.0))
    return pd.DataFrame(
        {
            "water": water,
            **found,
            "way": pd.Series(way, visits.index, dtype="str").where(is_event),
            "is_split": split.astype("boolean").fillna(False),
        }
    )
