"""The whole walk on files that no one here wrote.

- Drain network: ``Example1.inp`` of the Python package swmmio 0.8.6 (MIT), EPA SWMM's "Example 1".
- Streets: ``geodanet/streets.shp`` of libpysal 4.14 (BSD-3): 293 segments, 104,414.09 US survey ft.
- Rain: ``seattle-weather.csv`` of vega_datasets 0.9 (data: NOAA, public domain), daily 2012-2015.

The three do not belong together on the ground. The network is moved onto the streets, and vaults,
visits, orders and trucks are invented: vaults stand on streets by a seeded rule.
"""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from typer.testing import CliRunner

from vaultplan.cli import app
from vaultplan.store.database import open_database
from vaultplan.store.read import read_table
from vaultplan.units import M_PER_FT, M_PER_US_SURVEY_FT

CRS = "EPSG:2223"  # Arizona Central in international feet; the streets come in US survey feet
STREETS = files("libpysal").joinpath("examples/geodanet/streets.shp")
RAIN = files("vega_datasets").joinpath("_data/seattle-weather.csv")
NETWORK = files("swmmio.tests.data").joinpath("Example1.inp")
MONDAY = "2016-01-04"

#: Feet from each node down to outfall 18, from the conduit lengths that Example1.inp declares.
LENGTH_TO_OUTFALL_FT = {
    "9": 2300, "10": 1900, "13": 2100, "14": 1700, "15": 1300, "16": 900, "17": 400,
    "19": 1900, "20": 1700, "21": 1500, "22": 1200, "23": 1200, "24": 800,
}  # fmt: skip


def sections() -> dict[str, list[list[str]]]:
    """Sections of the SWMM input file as rows of words."""
    found: dict[str, list[list[str]]] = {}
    rows: list[list[str]] = []
    for line in NETWORK.read_text(encoding="latin-1").splitlines():
        words = line.split(";")[0].split()
        if line.startswith("["):
            rows = found.setdefault(line.strip().strip("[]").upper(), [])
        elif words:
            rows.append(words)
    return found


def spots(bounds: np.ndarray) -> dict[str, shapely.Point]:
    """The network's nodes, moved into the middle of the streets."""
    rows = sections()["COORDINATES"]
    drawn = np.array([[float(x), float(y)] for _, x, y, *_ in rows])
    share = (drawn - drawn.min(axis=0)) / np.ptp(drawn, axis=0)
    west, south, east, north = bounds
    low, high = np.array([west, south]) + 800.0, np.array([east, north]) - 800.0
    return dict(
        zip([row[0] for row in rows], shapely.points(low + share * (high - low)), strict=True)
    )


def write_drains(folder: Path, where: dict[str, shapely.Point], crs: object) -> None:
    """The network as an engineer might export it: Shapefile, short names, diameters in feet."""
    found = sections()
    feet = {row[0]: float(row[2]) for row in found["XSECTIONS"]}
    pipes = gpd.GeoDataFrame(
        [
            {"PIPE_NO": pipe, "US_NODE": up, "DS_NODE": down, "LEN": float(length),
             "DIAM_FT": feet[pipe], "geometry": shapely.LineString([where[up], where[down]])}
            for pipe, up, down, length, *_ in found["CONDUITS"]
        ],
        crs=crs,
    )  # fmt: skip
    pipes.to_file(folder / "pipes.shp")
    (folder / "pipes.toml").write_text(
        '[columns]\npipe_id = "PIPE_NO"\nfrom_node = "US_NODE"\nto_node = "DS_NODE"\n'
        'length_ft = "LEN"\ndiameter_in = "DIAM_FT"\n[units]\ndiameter_in = "ft"\n'
    )
    nodes = list(LENGTH_TO_OUTFALL_FT)
    inlets = gpd.GeoDataFrame(
        {"inlet_id": nodes, "node_id": nodes}, geometry=[where[n] for n in nodes], crs=crs
    )
    inlets.to_file(folder / "inlets.gdb", driver="OpenFileGDB")
    gpd.GeoDataFrame(
        {"outfall_id": ["18"], "node_id": ["18"], "water_id": ["creek"]},
        geometry=[where["18"]],
        crs=crs,
    ).to_file(folder / "outfalls.gpkg")
    gpd.GeoDataFrame(
        {"water_id": ["creek"], "name": ["Invented Creek"], "kind": ["creek"],
         "protection": ["none"], "impairments": ["none"]},
        geometry=[shapely.LineString([where["18"], shapely.affinity.translate(where["18"], 900)])],
        crs=crs,
    ).to_crs(4326).to_file(folder / "waters.geojson")  # fmt: skip


def write_invented(folder: Path, streets: gpd.GeoDataFrame, where: dict[str, shapely.Point]) -> int:
    """Vaults on the streets, their visits, orders and trucks; all invented, all seeded."""
    rng = np.random.default_rng(11)
    lines = streets.geometry.iloc[rng.integers(0, len(streets), 120)]
    points = lines.interpolate(rng.random(120), normalized=True)
    vaults = pd.DataFrame({"vault_id": [f"{n:04d}" for n in range(120)]})
    vaults["x"], vaults["y"] = points.x.to_numpy(), points.y.to_numpy()
    vaults["inside_in"] = rng.choice([96, 120, 144], 120)
    vaults.to_csv(folder / "vaults.csv", index=False)
    (folder / "vaults.toml").write_text(
        'crs = "ESRI:102649"\nx = "x"\ny = "y"\n[columns]\nlength_ft = "inside_in"\n'
        '[units]\nlength_ft = "in"\n'
        '[constants]\nkind = "vault"\nstatus = "in_service"\nshape = "rectangular"\n'
        'width_ft = "6"\ndepth_ft = "7"\npcb_status = "no_oil"\ngauge_id = "sea"\n'
    )
    visits = pd.DataFrame({"vault_id": rng.choice(vaults["vault_id"], 700)})
    visits.insert(0, "visit_id", [f"T{n}" for n in range(700)])
    day = pd.Timestamp("2013-01-01") + pd.to_timedelta(rng.integers(0, 1090, 700), unit="D")
    visits["visited_at"] = (day + pd.Timedelta(hours=18)).strftime("%Y-%m-%dT%H:%M:%SZ")
    visits["depth_in"] = rng.integers(0, 60, 700)
    visits["finding"] = np.where(visits["depth_in"] < 1, "dry", "wet")
    grade = rng.choice(["clear", "light", "heavy"], 700, p=[0.7, 0.2, 0.1])
    visits["grade"] = np.where(visits["depth_in"] < 1, "", grade)
    visits["has_sheen"] = "no"
    visits.to_csv(folder / "visits.csv", index=False)
    orders = pd.DataFrame({"order_id": [f"W{n}" for n in range(30)]})
    orders["vault_id"] = rng.choice(vaults["vault_id"], 30, replace=False)
    orders["due_on"], orders["task_minutes"], orders["status"] = "2016-01-08", 30, "open"
    orders.to_csv(folder / "orders.csv", index=False)
    (folder / "trucks.csv").write_text(
        "truck_id,kind,depot_id,shift_from,shift_to,days,tank_gal,payload_lb,sock_count\n"
        "C1,crew,yard,07:00,15:30,mon;tue;wed;thu;fri,,,12\n"
        "C2,crew,yard,07:00,15:30,mon;tue;wed;thu;fri,,,12\n"
        "X1,vacuum,yard,06:00,14:30,mon;tue;wed;thu;fri,3000,26000,\n"
    )
    spot = where["16"]
    for name, extra in {
        "depots": {"depot_id": "yard"},
        "disposal_sites": {"site_id": "plant", "open_from": "06:00", "open_to": "18:00"},
        "gauges": {"gauge_id": "sea"},
    }.items():
        frame = gpd.GeoDataFrame([extra], geometry=[spot], crs=streets.crs)
        frame.to_file(folder / f"{name}.gpkg")
    (folder / "streets.toml").write_text('[columns]\nroad_id = "ID"\n')
    (folder / "rain.toml").write_text(
        '[columns]\nfell_on = "date"\nrain_in = "precipitation"\n[units]\nrain_in = "mm"\n'
        '[constants]\ngauge_id = "sea"\n'
    )
    (folder / "settings.toml").write_text(
        "[schedule]\niterations = 60\n[drainage]\nmax_gutter_ft = 5000\n"
    )
    return len(vaults)


@pytest.fixture(scope="module")
def walked(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Database and outputs after new, load and plan, all by the command line."""
    folder = tmp_path_factory.mktemp("real")
    streets = pyogrio.read_dataframe(STREETS)
    where = spots(streets.total_bounds)
    write_drains(folder, where, streets.crs)
    write_invented(folder, streets, where)
    database, out = folder / "real.gpkg", folder / "week"

    def run(*words: object) -> None:
        result = CliRunner().invoke(app, [str(word) for word in words], catch_exceptions=False)
        assert result.exit_code == 0, result.output

    run("new", "--crs", CRS, "--db", database, "--time-zone", "America/Phoenix")
    # What others refer to comes first: a row that names something unknown is set aside.
    for table in ("gauges", "depots", "disposal_sites"):
        run("load", table, folder / f"{table}.gpkg", "--db", database)
    for table, file, column_map in (
        ("roads", STREETS, "streets.toml"),
        ("rainfall", RAIN, "rain.toml"),
        ("drain_pipes", folder / "pipes.shp", "pipes.toml"),
        ("vaults", folder / "vaults.csv", "vaults.toml"),
    ):
        run("load", table, file, "--map", folder / column_map, "--db", database)
    for table, file in (
        ("inlets", "inlets.gdb"),
        ("outfalls", "outfalls.gpkg"),
        ("receiving_waters", "waters.geojson"),
        ("visits", "visits.csv"),
        ("work_orders", "orders.csv"),
        ("trucks", "trucks.csv"),
    ):
        run("load", table, folder / file, "--db", database)
    settings = folder / "settings.toml"
    run("plan", "--week-of", MONDAY, "--out", out, "--db", database, "--settings", settings)
    run("verify", "--db", database, "--settings", settings)
    run("trace", "--db", database, "--settings", settings, "--out", folder / "traces.parquet")
    return database, out


def test_streets_keep_their_published_length_through_a_change_of_foot(
    walked: tuple[Path, Path],
) -> None:
    with open_database(str(walked[0])) as database:
        roads = read_table(database, "roads")
    assert len(roads) == 293
    published_us_survey_ft = 104_414.09
    in_international_ft = published_us_survey_ft * M_PER_US_SURVEY_FT / M_PER_FT
    # 0.21 ft apart in all: only a load that knows both feet lands on the right one.
    assert roads.geometry.length.sum() == pytest.approx(in_international_ft, abs=0.05)


def test_rain_keeps_its_published_yearly_totals(walked: tuple[Path, Path]) -> None:
    with open_database(str(walked[0])) as database:
        rain = read_table(database, "rainfall")
    assert len(rain) == 1461
    by_year_mm = rain.groupby(rain["fell_on"].dt.year)["rain_in"].sum() * 25.4
    assert by_year_mm.round(1).to_dict() == {2012: 1226.0, 2013: 828.0, 2014: 1232.8, 2015: 1139.2}


def test_every_vault_runs_down_the_published_network(walked: tuple[Path, Path]) -> None:
    traces = gpd.read_parquet(walked[0].with_name("traces.parquet"))
    assert len(traces) == 120
    assert set(traces["trace_status"]) == {"complete"}
    assert set(traces["end_node"]) == {"18"}
    expected = traces["inlet_id"].map(LENGTH_TO_OUTFALL_FT).astype(float)
    assert traces["pipe_ft"].tolist() == pytest.approx(expected.tolist())
    assert traces["inlet_id"].nunique() >= 8


def test_the_week_is_planned_and_every_output_opens(walked: tuple[Path, Path]) -> None:
    _, out = walked
    jobs = pd.read_csv(out / "plan.csv")
    assert jobs["order_id"].nunique() == 30
    layers = {name for name, kind in pyogrio.list_layers(out / "layers.gpkg") if kind}
    assert {"vaults", "planned_stops", "routes", "discharge_paths", "outfalls"} <= layers
    assert list((out / "sheets").glob("*.pdf"))
    assert "Invented Creek" in (out / "map.html").read_text(encoding="utf-8")
