"""Everything the sheets of one week look up, gathered once for all trucks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, cast

import geopandas as gpd
import pandas as pd

from vaultplan import schema
from vaultplan.errors import OutputError
from vaultplan.geometry import require_same_crs
from vaultplan.outputs.drawn.scene import Scene, scene_of
from vaultplan.outputs.labels import load_labels
from vaultplan.settings import Settings

Row = dict[str, Any]


@dataclass(frozen=True)
class Week:
    """Look-ups by id for every vault, order, truck and site that the plan touches.

    ``dated`` tables (forecasts, decisions) keep a list per vault in order of day; ``visits`` the
    visits of each vault, latest first; ``notices`` those of each vault and day of discharge;
    ``by_order`` the first stop of each order and kind.
    """

    settings: Settings
    labels: Mapping[str, str]
    plan: Row
    stops: gpd.GeoDataFrame
    scene: Scene
    rows: Mapping[str, Mapping[str, Row]]
    dated: Mapping[str, Mapping[str, list[Row]]]
    visits: Mapping[str, list[Row]]
    routes: Mapping[tuple[str, pd.Timestamp], Row]
    rain: pd.DataFrame
    loads: Mapping[tuple[str, pd.Timestamp, int], Mapping[str, Row]]
    notices: Mapping[tuple[str, pd.Timestamp], list[Row]]
    by_order: Mapping[tuple[str, str], Row]

    def row(self, table: str, key: object) -> Row:
        """Return one row by its id, empty if there is none."""
        return self.rows[table].get(str(key), {})

    def on(self, table: str, vault_id: object, day: pd.Timestamp) -> Row:
        """Return a vault's row for the day, else the latest before it, else an empty one."""
        known = [row for row in self.dated[table].get(str(vault_id), []) if row["on"] <= day]
        return known[-1] if known else {}

    def clock(self, moment: pd.Timestamp | None) -> str:
        """Return a moment as local time of day."""
        if moment is None:
            return ""
        return f"{moment.tz_convert(self.settings.time_zone):%H:%M}"


def gather_week(frames: schema.Frames, settings: Settings) -> Week:
    """Return the look-ups of the one plan in the frames.

    Raises
    ------
    OutputError
        If the stops belong to more than one plan or to a plan that is not among the frames.
    CRSError
        If the tables are not all in one CRS.
    """
    held = {name: frames.get(name, schema.table(name).empty()) for name in TABLES}
    stops = held["plan_stops"].sort_values(["on", "truck_id", "stop_number"])
    plan_ids = sorted(set(stops["plan_id"]))
    plans = _rows_by(held["plans"], "plan_id")
    if len(plan_ids) > 1:
        raise OutputError(f"sheets are written for one plan at a time, not for {plan_ids}")
    if plan_ids and plan_ids[0] not in plans:
        raise OutputError(f"plan {plan_ids[0]} has stops but is not in the table of plans")
    placed = {n: f for n, f in held.items() if isinstance(f, gpd.GeoDataFrame) and len(f)}
    if placed:
        require_same_crs(**placed)
    vault_ids = set(stops["vault_id"].dropna())
    jobs = held["plan_jobs"]
    ours = {
        "vaults": _of(held["vaults"], vault_ids),
        "traces": _of(held["traces"], vault_ids),
        "work_orders": _of(held["work_orders"], vault_ids),
        "plan_jobs": jobs[jobs["plan_id"].isin(plan_ids)],
    }
    return Week(
        settings=settings,
        labels=load_labels(settings.outputs.language),
        plan=plans[plan_ids[0]] if plan_ids else {},
        stops=cast(gpd.GeoDataFrame, stops),
        scene=scene_of({**held, **ours}),
        rows={name: _rows_by({**held, **ours}[name], key) for name, key in _KEYED.items()},
        dated={name: _dated(_of(held[name], vault_ids)) for name in ("forecasts", "decisions")},
        visits=_visits(_of(held["visits"], vault_ids)),
        routes={(r["truck_id"], r["on"]): r for r in _records(held["routes"])},
        rain=held["rain_outlook"],
        loads=_loads(held["plan_loads"]),
        notices=_notices(frames.get("notices")),
        by_order=_by_order(stops),
    )


_KEYED = {
    "vaults": "vault_id",
    "plan_jobs": "order_id",
    "work_orders": "order_id",
    "trucks": "truck_id",
    "depots": "depot_id",
    "disposal_sites": "site_id",
    "traces": "vault_id",
    "receiving_waters": "water_id",
    "sensitivities": "water_id",
}
TABLES = (
    *_KEYED,
    *("plans", "plan_stops", "plan_loads", "forecasts", "decisions", "visits", "routes"),
    *("roads", "backdrop", "inlets", "rain_outlook"),
)


def _of(frame: pd.DataFrame, vault_ids: set[str]) -> pd.DataFrame:
    return frame[frame["vault_id"].isin(vault_ids)]


def _records(frame: pd.DataFrame) -> list[Row]:
    """Rows with every blank, of whatever type, as ``None``."""
    blank = {str(name): frame[name].isna().to_numpy() for name in frame.columns}
    return [
        {str(name): None if blank[str(name)][at] else value for name, value in row.items()}
        for at, row in enumerate(frame.to_dict("records"))
    ]


def _rows_by(frame: pd.DataFrame, key: str) -> dict[str, Row]:
    return {str(row[key]): row for row in _records(frame)}


def _by_order(stops: pd.DataFrame) -> dict[tuple[str, str], Row]:
    """Return the first stop of each order and kind."""
    ordered = stops.dropna(subset="order_id").drop_duplicates(["order_id", "kind"])
    return {(str(stop["order_id"]), str(stop["kind"])): stop for stop in _records(ordered)}


def _loads(frame: pd.DataFrame) -> dict[tuple[str, pd.Timestamp, int], dict[str, Row]]:
    """Return what each truck takes along, by day, trip (0 for the whole day) and item."""
    found: dict[tuple[str, pd.Timestamp, int], dict[str, Row]] = {}
    for row in _records(frame):
        key = (row["truck_id"], row["on"], int(row["trip"]))
        found.setdefault(key, {})[str(row["item"])] = row
    return found


def _notices(frame: pd.DataFrame | None) -> dict[tuple[str, pd.Timestamp], list[Row]]:
    found: dict[tuple[str, pd.Timestamp], list[Row]] = {}
    for row in _records(frame) if frame is not None else []:
        found.setdefault((str(row["vault_id"]), row["on"]), []).append(row)
    return found


def _dated(frame: pd.DataFrame) -> dict[str, list[Row]]:
    by_vault: dict[str, list[Row]] = {}
    for row in _records(frame.sort_values("on")):
        by_vault.setdefault(str(row["vault_id"]), []).append(row)
    return by_vault


def _visits(frame: pd.DataFrame, most: int = 12) -> dict[str, list[Row]]:
    latest = frame.sort_values(["visited_at", "visit_id"], ascending=False)
    by_vault: dict[str, list[Row]] = {}
    for row in _records(latest.groupby("vault_id", sort=False).head(most)):
        by_vault.setdefault(str(row["vault_id"]), []).append(row)
    return by_vault
