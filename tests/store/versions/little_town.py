"""A corner of the invented town: some forty vaults with all that a week of theirs hangs on."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pandas as pd

from vaultplan import pipeline

#: Layers whose every row is kept, some with fewer points; the others are cut to the corner.
_WHOLE = ("gauges", "concern_sites", "depots", "disposal_sites", "incidents")
_COARSE = ("receiving_waters", "sensitive_areas", "backdrop", "drainage_areas")
_COARSE_M = 12.0
_SINCE = "2026-08-01"
_STREETS_M = 80.0


def cut(folder: Path, *, vaults: int = 14) -> Path:
    """Write the corner's files into a folder, in the form of the demo's; return the folder.

    The vaults are those with orders nearest to one that a planner's edit speaks of, and one more
    each for the other edits, overrides and choices. Pipes are all that their water runs through.
    """
    frames = _frames()
    chosen = _chosen(frames, vaults)
    keep = {
        name: frame[frame["vault_id"].isin(chosen)]
        for name, frame in frames.items()
        if "vault_id" in frame
    }
    keep["plan_edits"] = _of(frames["plan_edits"], "order_id", keep["work_orders"])
    keep["samples"] = _of(frames["samples"], "visit_id", keep["visits"])
    keep["rainfall"] = frames["rainfall"][frames["rainfall"]["fell_on"] >= _SINCE]
    keep["rain_outlook"], keep["trucks"] = frames["rain_outlook"], frames["trucks"]
    places = keep["vaults"].geometry
    near = places.buffer(_STREETS_M).union_all()
    for name in ("inlets", "curbs", "roads"):
        keep[name] = frames[name][frames[name].intersects(near)]
    keep["drain_pipes"] = _drains(frames["drain_pipes"], keep["inlets"])
    ends = {*keep["drain_pipes"]["to_node"], *keep["inlets"]["node_id"]}
    areas = frames["drainage_areas"]
    is_end = frames["outfalls"]["node_id"].isin(ends)
    is_end |= frames["outfalls"]["outfall_id"].isin(areas["outfall_id"])
    keep["outfalls"] = frames["outfalls"][is_end]
    for name in _WHOLE:
        keep[name] = frames[name]
    for name in _COARSE:
        keep[name] = frames[name].set_geometry(frames[name].simplify(_COARSE_M))
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in keep.items():
        if isinstance(frame, gpd.GeoDataFrame):
            frame.to_file(folder / "spatial.gpkg", layer=name, driver="GPKG")
        else:
            frame.to_csv(folder / f"{name}.csv", index=False)
    return folder


def _of(frame: pd.DataFrame, key: str, others: pd.DataFrame) -> pd.DataFrame:
    return frame[frame[key].isin(others[key])]


def _frames() -> dict[str, pd.DataFrame]:
    demo = pipeline.demo_folder()
    frames: dict[str, pd.DataFrame] = {
        path.stem: pd.read_csv(path, dtype="str", keep_default_na=False)
        for path in sorted(demo.glob("*.csv"))
    }
    place = demo / "spatial.gpkg"
    for name in gpd.list_layers(place)["name"]:
        frames[name] = gpd.read_file(place, layer=name)
    return frames


def _chosen(frames: dict[str, pd.DataFrame], vaults: int) -> set[str]:
    orders, places = frames["work_orders"], frames["vaults"].set_index("vault_id").geometry
    edited = _of(orders, "order_id", frames["plan_edits"])["vault_id"]
    of_others = [frames[name]["vault_id"].iloc[0] for name in ("overrides", "inlet_choices")]
    middle = places[edited.iloc[0]]
    ordered = places[places.index.isin(orders["vault_id"])]
    nearest = ordered.distance(middle).sort_values(kind="stable").index[:vaults]
    return {*nearest, *of_others}


def _drains(pipes: gpd.GeoDataFrame, inlets: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Pipes below the inlets, down to the outfalls."""
    reached = set(inlets["node_id"])
    while True:
        below = set(pipes.loc[pipes["from_node"].isin(reached), "to_node"])
        if below <= reached:
            return pipes[pipes["from_node"].isin(reached)]
        reached |= below
