"""The invented fleet: the committed town, and the command that writes it at any size."""

from __future__ import annotations

import hashlib
import re
import subprocess
import sys
from collections import Counter
from collections.abc import Mapping
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from scipy.spatial import cKDTree

from vaultplan import schema
from vaultplan.settings import load_settings

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "data" / "demo"
M_PER_FT = 0.3048
SPATIAL = [name for name in schema.LOADABLE if schema.table(name).geometry is not None]
PLAIN = [name for name in schema.LOADABLE if schema.table(name).geometry is None]
Frames = Mapping[str, pd.DataFrame]


def make(out: Path, *arguments: str) -> Path:
    command = [sys.executable, "-W", "error", str(ROOT / "scripts" / "make_fleet.py")]
    done = subprocess.run(
        [*command, *arguments, "--out", str(out)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout == ""
    assert "vaults" in done.stderr
    return out


def read(folder: Path) -> dict[str, pd.DataFrame]:
    frames = {}
    for name in SPATIAL:
        layer = gpd.read_file(folder / "spatial.gpkg", layer=name)
        assert layer.crs.to_epsg() == 32606
        frames[name] = schema.table(name).conform(layer)
    for name in PLAIN:
        frames[name] = schema.table(name).conform(pd.read_csv(folder / f"{name}.csv"))
    return frames


def faults(frames: Frames) -> list[str]:
    """Return everything in the frames that the schema does not allow."""
    found = []
    for name, frame in frames.items():
        table = schema.table(name)
        if frame.duplicated(list(table.key)).any():
            found.append(f"{name}: key not unique")
        for column in table.columns:
            values = frame[column.name].dropna()
            said = f"{name}.{column.name}"
            if column.required and len(values) < len(frame):
                found.append(f"{said}: blank")
            if column.type == "geometry":
                found += shape_faults(said, column.shape, frame)
                continue
            if column.allowed:
                told = values.str.split(";").explode() if column.type == "words" else values
                found += [f"{said}: {word}" for word in set(told) - set(column.allowed)]
            if column.type in ("real", "integer"):
                low = -np.inf if column.least is None else column.least
                high = np.inf if column.most is None else column.most
                if not values.between(low, high).all():
                    found.append(f"{said}: out of range")
            if column.type == "clock" and not values.str.fullmatch(r"[0-2]\d:[0-5]\d").all():
                found.append(f"{said}: not a time of day")
            if column.refers_to:
                other, key = column.refers_to.split(".")
                found += [f"{said}: no {lost}" for lost in set(values) - set(frames[other][key])]
    return found


def shape_faults(said: str, kind: str, frame: pd.DataFrame) -> list[str]:
    shapes = gpd.GeoSeries(frame["geometry"])
    wrong = [] if shapes.is_valid.all() and not shapes.is_empty.any() else [f"{said}: broken"]
    if kind != "GEOMETRY" and not (shapes.geom_type.str.upper() == kind).all():
        wrong.append(f"{said}: {set(shapes.geom_type)}")
    return wrong


def digests(folder: Path) -> dict[str, str]:
    files = sorted(folder.iterdir())
    return {file.name: hashlib.sha256(file.read_bytes()).hexdigest() for file in files}


@pytest.fixture(scope="module")
def demo() -> dict[str, pd.DataFrame]:
    return read(DEMO)


@pytest.fixture(scope="module")
def year(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make(tmp_path_factory.mktemp("year") / "new", "--vaults", "1500", "--years", "1")


@pytest.fixture(scope="module")
def region(tmp_path_factory: pytest.TempPathFactory) -> dict[str, pd.DataFrame]:
    out = tmp_path_factory.mktemp("region")
    size = ("--vaults", "3200", "--town-vaults", "1600", "--years", "1")
    return read(make(out, *size, "--seed", "3"))


def test_the_demo_is_complete_and_small() -> None:
    names = {f"{name}.csv" for name in PLAIN} | {"spatial.gpkg", "vaultplan.toml", "README.md"}
    assert {file.name for file in DEMO.iterdir()} == names | {"pictures"}
    assert sum(file.stat().st_size for file in DEMO.rglob("*")) < 8_000_000


def test_the_demo_obeys_the_schema(demo: Frames) -> None:
    assert faults(demo) == []


def test_readme_counts_every_table_and_says_it_is_invented(demo: Frames) -> None:
    told = (DEMO / "README.md").read_text(encoding="utf-8")
    counts = {
        name: int(rows.replace(",", "")) for name, rows in re.findall(r"\| (\w+) \| ([\d,]+)", told)
    }
    assert counts == {name: len(frame) for name, frame in demo.items()}
    assert "Everything here is invented" in told
    assert "open sea" in told


def test_settings_of_the_demo_are_read() -> None:
    settings = load_settings(DEMO / "vaultplan.toml")
    assert settings.outputs.utility == "Saltmarrow Light & Line"
    assert settings.time_zone == "Etc/GMT+10"


def test_the_command_in_the_readme_writes_the_committed_demo(tmp_path: Path, demo: Frames) -> None:
    """Compared value by value: another processor may round the last bit otherwise."""
    told = (DEMO / "README.md").read_text(encoding="utf-8")
    found = re.search(r"make_fleet.py (.*) --out DIR", told)
    assert found is not None
    fresh = read(make(tmp_path, *found[1].split()))
    for name, old in demo.items():
        new = fresh[name]
        assert len(new) == len(old), name
        plain = [c for c in schema.table(name).column_names if c != "geometry"]
        same = (new[plain] == old[plain]) | (new[plain].isna() & old[plain].isna())
        assert same.fillna(False).to_numpy(bool).mean() > 0.999, name
        if name in SPATIAL:
            assert shapely.equals_exact(new["geometry"], old["geometry"], 0.03).all(), name


def test_same_seed_same_bytes_also_over_old_files(year: Path, tmp_path: Path) -> None:
    first = digests(year)
    make(tmp_path, "--vaults", "1500", "--years", "1", "--seed", "8")
    other = digests(tmp_path)
    make(tmp_path, "--vaults", "1500", "--years", "1")
    assert digests(tmp_path) == first
    assert [name for name in first if other[name] == first[name]] == ["vaultplan.toml"]


def test_a_region_has_towns_of_its_own(region: Frames) -> None:
    assert faults(region) == []
    assert len(region["vaults"]) == 3200
    assert region["gauges"]["gauge_id"].str.split("-").str[0].nunique() == 2
    apart = region["vaults"].groupby(region["vaults"]["vault_id"].str[:2])["geometry"]
    hulls = [shapely.MultiPoint(list(places)).convex_hull for _, places in apart]
    assert len(hulls) == 2
    assert not hulls[0].intersects(hulls[1])
    seen = set(region["rainfall"].groupby("gauge_id").size())
    assert len(seen) == 1
    assert seen <= {365, 366}


def test_saltmarrow_lies_in_the_open_sea(demo: Frames) -> None:
    west, south, east, north = gpd.GeoDataFrame(demo["backdrop"]).to_crs(4326).total_bounds
    assert (west, east) == pytest.approx((-147, -147), abs=0.2)
    assert (south, north) == pytest.approx((38, 38), abs=0.2)


@pytest.mark.parametrize("name", ["vaults", "inlets", "roads", "depots", "disposal_sites"])
def test_nothing_on_land_lies_in_the_water(demo: Frames, name: str) -> None:
    waters = demo["receiving_waters"]
    open_water = shapely.union_all(
        waters.loc[waters["kind"].isin(["sea", "bay", "lagoon", "lake"]), "geometry"].to_numpy()
    )
    wet = shapely.intersects(open_water, demo[name]["geometry"].to_numpy())
    assert demo[name].loc[wet].empty


def test_streets_hang_together(demo: Frames) -> None:
    roads = demo["roads"]
    home: dict[str, str] = {}

    def root(node: str) -> str:
        while home.setdefault(node, node) != node:
            node = home[node]
        return node

    for tail, head in zip(roads["from_node"], roads["to_node"], strict=True):
        home[root(tail)] = root(head)
    assert len({root(node) for node in list(home)}) == 1


def trace(frames: Frames) -> Counter[str]:
    """Return how many vaults' water ends where, found the plainest way."""
    vaults, inlets, pipes = (frames[name] for name in ("vaults", "inlets", "drain_pipes"))
    spots = [shapely.get_coordinates(f["geometry"].to_numpy()) for f in (inlets, vaults)]
    gap_m, nearest = cKDTree(spots[0]).query(spots[1])
    step = {a: (b, s) for a, b, s in zip(pipes.from_node, pipes.to_node, pipes.system, strict=True)}
    outfalls = frames["outfalls"]
    ends = dict(zip(outfalls["node_id"], outfalls["water_id"].notna(), strict=True))
    told: Counter[str] = Counter()
    for gap, inlet in zip(gap_m, nearest, strict=True):
        if gap / M_PER_FT > 1500:
            told["no_inlet"] += 1
            continue
        node, passed, sewer = inlets["node_id"].iloc[inlet], set(), False
        while node in step and node not in passed:
            passed.add(node)
            node, system = step[node]
            sewer |= system in ("combined", "sanitary")
        if sewer:
            told["sewer"] += 1
        elif node in passed:
            told["loop"] += 1
        elif node not in ends:
            told["no_outfall"] += 1
        else:
            told["complete" if ends[node] else "no_water"] += 1
    return told


def test_most_vaults_trace_and_every_kind_of_gap_occurs(demo: Frames) -> None:
    told = trace(demo)
    assert 0.88 < told["complete"] / len(demo["vaults"]) < 0.97
    assert set(told) == {"complete", "no_inlet", "no_outfall", "no_water", "loop", "sewer"}


def test_pipes_run_downhill_to_outfalls_on_many_waters(demo: Frames) -> None:
    pipes, outfalls = demo["drain_pipes"], demo["outfalls"]
    assert not set(outfalls["node_id"]) & set(pipes["from_node"])
    assert outfalls["water_id"].nunique() >= 6
    mains = pipes[pipes["kind"] == "pipe"]
    assert (gpd.GeoSeries(mains["geometry"]).length < 160).all()


def test_every_water_ends_in_the_sea(demo: Frames) -> None:
    waters = demo["receiving_waters"].set_index("water_id")
    for start in waters.index:
        at, steps = start, 0
        while waters.loc[at, "kind"] != "sea":
            at, steps = waters.loc[at, "downstream_water_id"], steps + 1
            assert steps < 10, start
    assert waters["protection"].isna().any()
    assert (waters["protection"] == "protected").any()


def test_visits_are_many_and_uneven(demo: Frames) -> None:
    per_vault = demo["visits"]["vault_id"].value_counts().reindex(demo["vaults"]["vault_id"])
    assert 10 <= len(demo["visits"]) / len(demo["vaults"]) <= 14
    assert 0.05 < per_vault.isna().mean() < 0.10
    assert per_vault.max() > 2 * per_vault.mean()


def test_dry_blank_and_zero_stay_apart(demo: Frames) -> None:
    visits = demo["visits"].set_index("finding")
    assert (visits.loc["dry", "depth_in"] == 0).all()
    assert visits.loc["dry", "grade"].isna().all()
    assert (
        visits.loc["not_seen", ["depth_in", "grade", "volume_gal", "disposal"]]
        .isna()
        .all(axis=None)
    )
    assert (visits.loc["wet", "depth_in"].dropna() > 0).all()
    assert visits.loc["wet", "depth_in"].isna().any()


def test_samples_hold_a_value_or_the_reason_for_none(demo: Frames) -> None:
    samples = demo["samples"]
    assert (samples["result_value"].isna() == samples["detection_condition"].notna()).all()
    assert 0.004 < samples["visit_id"].nunique() / len(demo["visits"]) < 0.02


def test_vaults_are_wetter_after_the_wet_winter(demo: Frames) -> None:
    visits = demo["visits"]
    depth = visits["depth_in"].groupby(visits["visited_at"].dt.month).mean()
    assert depth[[2, 3, 4]].mean() > 1.3 * depth[[8, 9, 10]].mean()
    rain = demo["rainfall"]
    fell = rain["rain_in"].groupby(rain["fell_on"].dt.month).mean()
    assert fell[[12, 1, 2]].mean() > 5 * fell[[6, 7, 8]].mean()


def test_rain_record_has_no_gap_and_ends_on_the_last_friday(demo: Frames) -> None:
    rain = demo["rainfall"]
    assert rain["fell_on"].max() == pd.Timestamp("2026-10-30")
    wide = rain.pivot(index="fell_on", columns="gauge_id", values="rain_in")
    assert wide.notna().all(axis=None)
    assert (np.diff(wide.index) == np.timedelta64(1, "D")).all()
    assert len(wide) == 2922
    assert (wide.corr().to_numpy() > 0.8).all()


def test_some_days_of_the_week_are_wet_in_part_of_the_outlook(demo: Frames) -> None:
    outlook = demo["rain_outlook"]
    wet = (outlook["rain_in"] >= 0.1).groupby(outlook["falls_on"]).mean()
    week = wet.loc["2026-11-02":"2026-11-06"]
    assert week.idxmax() == pd.Timestamp("2026-11-04")
    assert week.max() > 0.5
    assert week.between(0.1, 0.9).sum() >= 2


def test_the_week_is_nearly_possible(demo: Frames) -> None:
    orders, trucks = demo["work_orders"], demo["trucks"]
    still = orders[orders["status"] == "open"]
    crews = trucks[trucks["kind"] == "crew"]
    assert (len(still), len(crews), (trucks["kind"] == "vacuum").sum()) == (250, 8, 3)
    held = set(crews["skills"].str.split(";").explode())
    assert set(still["skill"].dropna()) <= held
    clock = pd.to_timedelta(crews["shift_to"] + ":00") - pd.to_timedelta(
        crews["shift_from"] + ":00"
    )
    hours = (clock.dt.total_seconds() / 3600 * crews["days"].str.count(";").add(1)).sum()
    on_site = (still["task_minutes"].sum() + 10 * len(still)) / 60
    assert 0.5 * hours < on_site < 0.8 * hours
    assert (
        still["vault_id"]
        .isin(demo["vaults"].loc[demo["vaults"]["status"] == "in_service", "vault_id"])
        .all()
    )


def test_too_small_a_fleet_is_refused(tmp_path: Path) -> None:
    command = [sys.executable, str(ROOT / "scripts" / "make_fleet.py"), "--vaults", "10"]
    done = subprocess.run(
        [*command, "--out", str(tmp_path / "none")], capture_output=True, text=True, check=False
    )
    assert done.returncode != 0
    assert "1,500" in done.stderr
    assert not (tmp_path / "none").exists()
