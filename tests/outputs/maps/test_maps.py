from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely.geometry import LineString, MultiPolygon, Point, box

from vaultplan.errors import CRSError, OutputError
from vaultplan.outputs.maps.data import page_data
from vaultplan.outputs.maps.fleet import hexes, shown_vaults
from vaultplan.outputs.maps.lines import STEP_DEG, Grid, grid_of, merged_by_name, shapes
from vaultplan.outputs.maps.write import write_map
from vaultplan.outputs.pages.seal import sealed
from vaultplan.settings import Settings

CRS = "EPSG:32606"


def data_in(path: Path) -> dict[str, Any]:
    text = path.read_text(encoding="utf-8")
    found = re.search(r'id="vaultplan-data">(.*?)</script>', text, re.DOTALL)
    assert found
    return dict(json.loads(found[1]))


def decoded(line: list[int], grid: Grid) -> np.ndarray[Any, Any]:
    steps = np.cumsum(np.array(line).reshape(-1, 2), axis=0)
    return steps * STEP_DEG + (grid.lon, grid.lat)


def spelled(data: dict[str, Any]) -> dict[str, Any]:
    """Return a page's data with every reason as its own words again."""
    phrases = data.pop("phrases")
    words = data["vaults"]["words"]
    for name in ("forecast_reason", "decision_reason", "trace_reason"):
        words[name] = [" ".join(phrases[k] for k in numbers) for numbers in words[name]]
    for row in (*data["left"], *data["jobs"].values()):
        row["reason"] = " ".join(phrases[k] for k in row["reason"])
    return data


# ---- places as numbers ----


def test_a_line_survives_to_a_tenth_of_a_metre() -> None:
    line = LineString([(500000, 4206000), (500200, 4206100), (500200, 4207000)])
    frame = gpd.GeoDataFrame(geometry=[line, None], crs=CRS)
    grid = grid_of(frame)
    ((drawn,), nothing) = shapes(frame, grid, 1.0)
    expected = np.array(frame.to_crs(4326).geometry[0].coords)
    assert decoded(drawn, grid) == pytest.approx(expected, abs=STEP_DEG * 0.51)
    assert nothing == []


def test_holes_and_parts_become_rings() -> None:
    holed = box(500000, 4206000, 501000, 4207000).difference(box(500300, 4206300, 500600, 4206600))
    both = MultiPolygon([holed, box(502000, 4206000, 502100, 4206100)])
    frame = gpd.GeoDataFrame(geometry=[both], crs=CRS)
    assert [len(rings) for rings in shapes(frame, grid_of(frame), 1.0)] == [3]


def test_streets_of_one_name_are_joined() -> None:
    pieces = [LineString([(x, 0), (x + 100, 0)]) for x in (500000, 500100, 500300)]
    frame = gpd.GeoDataFrame({"name": ["Ropewalk", "Ropewalk", None]}, geometry=pieces, crs=CRS)
    joined = merged_by_name(frame, "name").set_index("name").geometry
    assert joined["Ropewalk"].length == 200 and joined["Ropewalk"].geom_type == "LineString"
    assert joined[""].length == 100


# ---- what each table adds ----


def test_reasons_come_back_word_for_word(
    week_frames: dict[str, pd.DataFrame], week_settings: Settings
) -> None:
    data = spelled(page_data(week_frames, week_settings, 10_000))
    jobs = week_frames["plan_jobs"].set_index("order_id")["reason"]
    assert {order: row["reason"] for order, row in data["jobs"].items()} == jobs.to_dict()
    left = week_frames["plan_unserved"].set_index("order_id")["reason"]
    assert {row["order_id"]: row["reason"] for row in data["left"]} == left.to_dict()
    words, traces = data["vaults"]["words"], week_frames["traces"]
    assert set(words["forecast_reason"]) == set(week_frames["forecasts"]["reason"])
    unfollowed = traces.loc[traces["trace_status"].ne("complete"), "reason"]
    assert set(words["trace_reason"]) == set(unfollowed)


@pytest.mark.parametrize(
    ("missing", "parts"),
    [
        ("roads", {"ground": {"streets"}}),
        ("receiving_waters", {"ground": {"waters", "outfalls", "below"}}),
        ("routes", {"routes": set()}),
        ("plan_unserved", {"left": set()}),
    ],
)
def test_a_missing_table_leaves_everything_else_as_it_is(
    week_frames: dict[str, pd.DataFrame],
    week_settings: Settings,
    missing: str,
    parts: dict[str, set[str]],
) -> None:
    whole = spelled(page_data(week_frames, week_settings, 10_000))
    del week_frames[missing]
    without = spelled(page_data(week_frames, week_settings, 10_000))
    assert {part for part in whole if whole[part] != without[part]} == set(parts)
    (part,) = parts
    for name in parts[part]:
        assert whole[part][name] != without[part][name]
        assert {**without[part], **{n: whole[part][n] for n in parts[part]}} == whole[part]


# ---- a large fleet ----


def test_hexes_count_every_vault_and_keep_the_unknown_apart() -> None:
    vaults = gpd.GeoDataFrame(
        {
            "vault_id": ["a", "b", "c", "d"],
            "volume_gal_mean": [100.0, 300.0, np.nan, 50.0],
            "prob_light": [0.2, 0.4, np.nan, np.nan],
            "prob_heavy": [0.1, 0.3, np.nan, np.nan],
        },
        geometry=[
            Point(500000, 4206000),
            Point(500010, 4206000),
            Point(500020, 4206000),
            Point(540000, 4206000),
        ],
        crs=CRS,
    )
    counted = hexes(vaults, {"b"}, grid_of(vaults))
    by_size = dict(zip(counted["count"], range(2), strict=True))
    town, lone = by_size[3], by_size[1]
    assert counted["known"][town] == 2
    assert counted["dirty"][town] == 50
    assert counted["gal"][town] == 400
    assert counted["week"][town] == 1
    assert counted["dirty"][lone] is None and counted["week"][lone] == 0


def test_the_week_then_rank_then_dirt_decide_who_is_shown(
    week_frames: dict[str, pd.DataFrame],
) -> None:
    vaults = pd.DataFrame(
        {
            "vault_id": ["SM-1001", "SM-1002", "SM-1010", "SM-1020", "SM-1005"],
            "volume_gal_mean": [100.0, 900.0, 1.0, 1.0, np.nan],
            "prob_light": [0.5, 0.5, 0.0, 0.0, np.nan],
            "prob_heavy": [0.5, 0.4, 0.0, 0.0, np.nan],
        }
    )
    shown = vaults["vault_id"][shown_vaults(week_frames, vaults, 3)]
    assert list(shown) == ["SM-1002", "SM-1010", "SM-1020"]
    shown = vaults["vault_id"][shown_vaults(week_frames, vaults, 1)]
    assert list(shown) == ["SM-1010", "SM-1020"]


def test_a_large_fleet_becomes_hexes_with_few_points(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path, week_settings: Settings
) -> None:
    write_map(week_frames, tmp_path / "map.html", settings=week_settings, detail_limit=15)
    data = data_in(tmp_path / "map.html")
    assert len(data["vaults"]["vault_id"]) == 15
    assert sum(data["hexes"]["count"]) == data["head"]["vault_count"] == 40
    planned = set(week_frames["plan_stops"]["vault_id"].dropna())
    assert planned <= set(data["vaults"]["vault_id"])


# ---- the file ----


def test_the_same_plan_gives_the_same_bytes(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path, week_settings: Settings
) -> None:
    for name in ("one", "two"):
        write_map(week_frames, tmp_path / f"{name}.html", settings=week_settings)
    assert (tmp_path / "one.html").read_bytes() == (tmp_path / "two.html").read_bytes()


def test_the_page_is_sealed(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path, week_settings: Settings
) -> None:
    write_map(week_frames, tmp_path / "map.html", settings=week_settings)
    text = (tmp_path / "map.html").read_text(encoding="utf-8")
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', text)
    assert policy and policy[1].startswith("default-src 'none'; script-src 'sha256-")
    assert "unsafe-inline" not in policy[1].split("style-src")[0]
    markup = re.sub(r"<script.*?</script>", "", text, flags=re.DOTALL)
    assert "http:" not in markup and "https:" not in markup
    assert "user-scalable" not in text and "sourceMappingURL" not in text
    assert '<html lang="en">' in text


@pytest.mark.parametrize(
    "fetching",
    [
        '<img src="https://example.org/x.png">',
        "<link href=//example.org/x.css>",
        '<script src="x.js"></script>',
    ],
)
def test_a_page_that_would_fetch_is_refused(fetching: str) -> None:
    assert "'sha256-" in sealed("vaultplan-script-hashes<script>1</script>")
    with pytest.raises(OutputError, match="would fetch"):
        sealed(f"vaultplan-script-hashes<p>{fetching}</p>")


def test_without_places_or_plan_there_is_no_map(
    week_frames: dict[str, pd.DataFrame], tmp_path: Path, week_settings: Settings
) -> None:
    with pytest.raises(CRSError, match="no map to draw"):
        write_map({"plans": week_frames["plans"]}, tmp_path / "m.html", settings=week_settings)
    with pytest.raises(OutputError, match="one plan, not 0"):
        write_map({"vaults": week_frames["vaults"]}, tmp_path / "m.html", settings=week_settings)
