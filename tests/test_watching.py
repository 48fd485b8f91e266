"""The watch-list of a stored plan, on a town small enough to solve by hand."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
from shapely import LineString, Point, box
from typer.testing import CliRunner

from vaultplan import cli, schema
from vaultplan.discharge.rules import load_rules
from vaultplan.errors import OutputError, ScheduleError, SchemaError
from vaultplan.settings import Settings
from vaultplan.store.database import open_database
from vaultplan.store.write import insert
from vaultplan.watching import Watched, watch

CRS = "EPSG:32606"
X0, Y0 = 500_000.0, 4_206_000.0
MON, TUE = pd.Timestamp("2026-11-02"), pd.Timestamp("2026-11-03")
AS_OF = pd.Timestamp("2026-10-30")
VAULTS = ("V1", "V2", "V3", "V4", "V5")


def at(x: float, y: float = 0.0) -> Point:
    return Point(X0 + x, Y0 + y)


def table(name: str, *rows: dict[str, Any]) -> pd.DataFrame:
    declared = schema.table(name)
    frame = pd.DataFrame(list(rows))
    if declared.geometry is not None:
        frame = gpd.GeoDataFrame(frame, geometry="geometry", crs=CRS)
    return declared.conform(frame)


def town() -> dict[str, pd.DataFrame]:
    """Return V1 and V2 on the drain to a protected creek, V3 to V5 on one to a plain pond.

    Creek and pond both end; a work order each. V1 and V3 are drained on Monday, V2 goes by vacuum
    truck, V4 is referred, V5 is drained on Tuesday.
    """
    size = {"shape": "rectangular", "length_ft": 10.0, "width_ft": 6.0, "depth_ft": 8.0}
    spots = {"V1": 0.0, "V2": 20.0, "V3": 1000.0, "V4": 1020.0, "V5": 1040.0}
    vaults = [
        {"vault_id": v, "kind": "vault", "pcb_status": "no_oil", **size, "geometry": at(x)}
        for v, x in spots.items()
    ]
    rng = np.random.default_rng(4)
    visits = [
        {
            "visit_id": f"{v}-{n}",
            "vault_id": v,
            "visited_at": pd.Timestamp("2026-01-10T20:00Z") + pd.Timedelta(days=60 * n),
            "finding": "wet",
            "depth_in": float(20 + rng.integers(0, 20)),
            "left_depth_in": 0.0,
            "grade": "clear",
            "has_sheen": False,
            "disposal": "storm_drain",
        }
        for v in VAULTS
        for n in range(5)
    ]
    rain = [
        {"gauge_id": "G", "fell_on": day, "rain_in": 0.3 * (n % 5 == 0)}
        for n, day in enumerate(pd.date_range("2026-01-01", AS_OF))
    ]
    pipes = [
        {
            "pipe_id": f"P{n}",
            "from_node": f"I{n}",
            "to_node": f"F{n}",
            "kind": "pipe",
            "system": "storm",
            "geometry": LineString([at(x), at(x, -300)]),
        }
        for n, x in ((1, 5.0), (2, 1005.0))
    ]
    water = {"impairments": "none", "reviewed_on": AS_OF, "kind": "lake"}
    return {
        "vaults": table("vaults", *vaults),
        "visits": table("visits", *visits),
        "gauges": table("gauges", {"gauge_id": "G", "geometry": at(500)}),
        "rainfall": table("rainfall", *rain),
        "inlets": table(
            "inlets",
            {"inlet_id": "N1", "node_id": "I1", "geometry": at(5)},
            {"inlet_id": "N2", "node_id": "I2", "geometry": at(1005)},
        ),
        "drain_pipes": table("drain_pipes", *pipes),
        "receiving_waters": table(
            "receiving_waters",
            {
                **water,
                "water_id": "W1",
                "name": "Minnow Lake",
                "protection": "protected",
                "geometry": box(X0 - 50, Y0 - 400, X0 + 50, Y0 - 300),
            },
            {
                **water,
                "water_id": "W2",
                "name": "Plain Pond",
                "protection": "none",
                "geometry": box(X0 + 950, Y0 - 400, X0 + 1050, Y0 - 300),
            },
        ),
        "outfalls": table(
            "outfalls",
            {
                "outfall_id": "F1",
                "node_id": "F1",
                "water_id": "W1",
                "daily_cap_gal": 1.0,
                "geometry": at(5, -300),
            },
            {"outfall_id": "F2", "node_id": "F2", "water_id": "W2", "geometry": at(1005, -300)},
        ),
        "sensitive_areas": table(
            "sensitive_areas",
            {
                "area_id": "A",
                "kind": "beach",
                "reviewed_on": AS_OF,
                "geometry": box(X0 + 9000, Y0, X0 + 9100, Y0 + 100),
            },
        ),
        "work_orders": table(
            "work_orders", *({"order_id": f"O{n}", "vault_id": v} for n, v in enumerate(VAULTS, 1))
        ),
        "depots": table("depots", {"depot_id": "D", "geometry": at(500)}),
        "trucks": table(
            "trucks",
            *(
                {
                    "truck_id": name,
                    "kind": kind,
                    "depot_id": "D",
                    "shift_from": "07:00",
                    "shift_to": "15:00",
                    "days": "mon;tue",
                }
                for name, kind in (("C1", "crew"), ("X1", "vacuum"))
            ),
        ),
        "overrides": table(
            "overrides",
            {
                "override_id": "OV",
                "vault_id": "V2",
                "ladder": "gate",
                "step": "go",
                "who": "R. Samphire",
                "why": "seen clean",
                "made_on": "2026-10-01",
                "expires_on": "2026-11-05",
            },
        ),
    }


def plan() -> dict[str, pd.DataFrame]:
    band = {"volume_gal_p10": 10.0, "volume_gal_p50": 20.0, "volume_gal_p90": 30.0}
    job = {"plan_id": "P", "allowed_days": "2026-11-02", "gate": "go", "load_gal": 30.0, **band}
    methods = {"V1": "storm_drain", "V2": "vacuum_truck", "V3": "storm_drain", "V5": "filter_sock"}
    stops = (
        ("C1", MON, 1, "pump_out", "O1", "V1"),
        ("C1", MON, 2, "work", "O2", "V2"),
        ("C1", MON, 3, "pump_out", "O3", "V3"),
        ("C1", TUE, 1, "pump_out", "O5", "V5"),
        ("X1", MON, 1, "vacuum", "O2", "V2"),
    )
    return {
        "plans": table(
            "plans",
            {
                "plan_id": "P",
                "week_of": MON,
                "as_of_on": AS_OF,
                "made_at": "2026-10-30T22:00Z",
                "state": "checked",
                "rules_version": load_rules(None).version,
                "settings_version": "other",
            },
        ),
        "plan_jobs": table(
            "plan_jobs",
            *(
                {**job, "order_id": f"O{v[1]}", "vault_id": v, "method": m, "geometry": at(0)}
                for v, m in methods.items()
            ),
        ),
        "plan_stops": table(
            "plan_stops",
            *(
                {
                    "plan_id": "P",
                    "truck_id": truck,
                    "on": on,
                    "stop_number": number,
                    "kind": kind,
                    "order_id": order,
                    "vault_id": vault,
                    **dict.fromkeys(("arrive_at", "start_at", "leave_at"), f"{on:%Y-%m-%d}T19:30Z"),
                    "geometry": at(0),
                }
                for truck, on, number, kind, order, vault in stops
            ),
        ),
        "plan_unserved": table(
            "plan_unserved",
            {
                "plan_id": "P",
                "order_id": "O4",
                "vault_id": "V4",
                "outcome": "referred",
                "reason": "ask first",
            },
        ),
    }


@pytest.fixture(scope="module")
def stored(made_file: Path, tmp_path_factory: pytest.TempPathFactory) -> str:
    path = shutil.copy(made_file, tmp_path_factory.mktemp("watch") / "town.gpkg")
    with open_database(str(path)) as database, database.writing() as connection:
        for name, frame in {**town(), **plan()}.items():
            insert(connection, name, frame)
    return str(path)


Look = Callable[..., Watched]


@pytest.fixture(scope="module")
def look(stored: str) -> Look:
    return lambda **more: watch(stored, settings=Settings(), **more)


@pytest.fixture(scope="module")
def found(look: Look) -> Watched:
    return look()


def test_only_drained_water_that_reaches_a_sensitive_water_is_listed(found: Watched) -> None:
    waters = found.frames["waters"]
    assert waters[["water", "sensitivity", "discharges"]].values.tolist() == [
        ["Minnow Lake", "protected", 1]
    ]
    row = found.frames["discharges"].iloc[0]
    assert row[["vault_id", "order_id", "truck_id", "outfall_id"]].tolist() == [
        *("V1", "O1", "C1", "F1")
    ]
    assert (row["time"], row["on"]) == ("09:30", MON)  # ten hours behind 19:30 UTC
    # 5 m to the inlet and 300 m of pipe
    assert row["length_ft"] == pytest.approx(305 / 0.3048, rel=1e-3)
    assert found.frames["discharges"].geometry.notna().all()
    assert row["sensitivity_reckoned"] == "protected"


def test_rules_that_ask_for_more_than_the_plan_are_told(found: Watched) -> None:
    # To a protected water the rules ask for a sock even where the water is clear.
    assert "filter sock where storm drain stands" in found.frames["discharges"]["changed"].iloc[0]


def test_the_gallons_of_one_discharge_are_its_forecast(found: Watched) -> None:
    total = found.frames["totals"].iloc[0]
    row = found.frames["discharges"].iloc[0]
    assert total["volume_gal_p50"] == pytest.approx(row["volume_gal_mean"])
    for percent in (10, 90):
        drawn, told = total[f"volume_gal_p{percent}"], row[f"volume_gal_p{percent}"]
        assert drawn == pytest.approx(told, rel=0.1, abs=15.0)
    day = found.frames["outfall_days"].iloc[0]
    assert day["daily_cap_gal"] == 1.0
    assert day["prob_above_cap"] > 0.9
    assert day["cap_words"].startswith("above the cap is likely")


def test_notice_and_override_are_told_with_their_days(found: Watched, look: Look) -> None:
    notice = found.frames["notices"].iloc[0]
    assert (notice["due_on"], notice["state"]) == (pd.Timestamp("2026-10-31"), "due in 1 day")
    override = found.frames["overrides"].iloc[0]
    assert (override["vault_id"], bool(override["is_ending"])) == ("V2", True)
    assert any("settings changed" in warning for warning in found.warnings)
    assert any("No rain outlook" in warning for warning in found.warnings)
    assert not any("rules changed" in warning for warning in found.warnings)
    later = look(as_of=pd.Timestamp("2026-11-02"))
    assert later.frames["notices"]["state"].iloc[0] == "OVERDUE by 2 days"
    assert not later.frames["discharges"]["is_ahead"].any()
    assert later.frames["discharges"]["volume_gal_p90"].iloc[0] == 30.0
    assert np.isnan(later.frames["totals"]["volume_gal_p50"].iloc[0])


def test_a_water_can_be_named_whatever_its_grade(look: Look) -> None:
    named = look(water="plain pond")
    assert named.frames["waters"]["water_id"].tolist() == ["W2"]
    assert named.frames["discharges"]["vault_id"].tolist() == ["V3", "V5"]
    assert named.frames["kept_back"]["order_id"].tolist() == ["O4"]


def test_what_cannot_be_is_refused(
    look: Look, stored: str, made_file: Path, tmp_path: Path
) -> None:
    with pytest.raises(SchemaError, match="Minnow Lake"):
        look(water="Minow")
    with pytest.raises(ScheduleError, match="no plan 'Q'"):
        look(plan_id="Q")
    with pytest.raises(OutputError, match="is the database"):
        look(page=Path(stored))
    with pytest.raises(ScheduleError, match="no plan yet"):
        watch(str(shutil.copy(made_file, tmp_path / "new.gpkg")), settings=Settings())


def test_the_command_writes_screen_table_and_page(stored: str, tmp_path: Path) -> None:
    page, out = tmp_path / "watch.html", tmp_path / "watch.gpkg"
    words = ["watch", "W1", "--db", stored, "--page", str(page), "--out", str(out)]
    result = CliRunner().invoke(cli.app, words, catch_exceptions=False)
    assert result.exit_code == 0
    for said in (
        "Minnow Lake",
        "Notices due",
        "not an entry permit",
        "Outfalls that may go above",
    ):
        assert said in " ".join(result.output.split())
    assert "Minnow Lake" in page.read_text(encoding="utf-8")
    written = pyogrio.read_dataframe(out)
    assert written["vault_id"].tolist() == ["V1"]
    assert written.geometry.geom_type.tolist() == ["LineString"]
