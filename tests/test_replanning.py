"""A stored plan of the demo, made again after something happened."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from vaultplan import pipeline, replanning
from vaultplan.errors import ScheduleError, SettingsError
from vaultplan.settings import Settings
from vaultplan.store.database import open_database
from vaultplan.store.read import read_table
from vaultplan.store.write import insert, upsert

pytestmark = pytest.mark.usefixtures("unwritten")

MADE_AT = pd.Timestamp("2026-10-30T20:00Z")
LATER = pd.Timestamp("2026-10-30T23:00Z")


@pytest.fixture
def town_planned(planned_town: Path, tmp_path: Path) -> str:
    return str(shutil.copy(planned_town, tmp_path / "planned.gpkg"))


def _again(location: str, tmp_path: Path, quick: Settings, **more: object) -> replanning.Replanned:
    return replanning.replan(
        location, out=tmp_path / "again", settings=quick, made_at=LATER, **more
    )


def _rows(location: str, name: str) -> pd.DataFrame:
    with open_database(location) as database:
        return read_table(database, name)


def _crew(stops: pd.DataFrame) -> pd.DataFrame:
    return stops[stops["kind"].isin(["work", "pump_out"])].set_index("order_id")


def test_a_truck_down_touches_its_own_jobs_and_few_others(
    town_planned: str, tmp_path: Path, quick: Settings
) -> None:
    was = _crew(_rows(town_planned, "plan_stops"))
    day = pd.Timestamp("2026-11-03")
    truck = was.loc[was["on"] == day, "truck_id"].value_counts().index[0]
    made = _again(town_planned, tmp_path, quick, down=[f"{truck}@2026-11-03"])
    now = _crew(made.frames["plan_stops"])
    assert not ((now["truck_id"] == truck) & (now["on"] == day)).any()
    gone = was.index[(was["truck_id"] == truck) & (was["on"] == day)]
    others = was.index.difference(gone).intersection(now.index)
    moved = (was.loc[others, ["truck_id", "on"]] != now.loc[others, ["truck_id", "on"]]).any(axis=1)
    assert moved.sum() <= 0.05 * len(was)
    assert set(gone) <= set(made.changes["order_id"])
    plans = _rows(town_planned, "plans").set_index("plan_id")
    assert plans.loc[made.plan_id, "replaces"] == made.replaces
    assert plans["state"].to_dict() == {made.plan_id: "checked", made.replaces: "superseded"}
    stored = _rows(town_planned, "plan_changes")
    assert stored["order_id"].tolist() == sorted(made.changes["order_id"])
    _, breaches = pipeline.verify(town_planned, settings=quick)
    assert breaches.empty


def test_results_and_new_orders_come_in(town_planned: str, tmp_path: Path, quick: Settings) -> None:
    stops = _crew(_rows(town_planned, "plan_stops"))
    orders = _rows(town_planned, "work_orders")
    done, closed = stops.index[stops["on"] == "2026-11-02"][:2]
    free = _rows(town_planned, "vaults").query("status == 'in_service'")
    free = free[~free["vault_id"].isin(orders["vault_id"])]
    before = {*stops.index, *orders["order_id"]}
    more = pd.DataFrame(
        {
            "order_id": [f"NEW-{n}" for n in range(12)],
            "vault_id": free["vault_id"].tolist()[:12],
            "task": "inspect",
            "due_on": pd.Timestamp("2026-11-06"),
            "priority": 1,
            "task_minutes": 15.0,
        }
    )
    visit = {
        "visit_id": ["R-1"],
        "vault_id": [stops.loc[done, "vault_id"]],
        "visited_at": [pd.Timestamp("2026-11-02T18:00Z")],
        "order_id": [done],
        "finding": ["wet"],
    }
    with open_database(town_planned) as database, database.writing() as connection:
        insert(connection, "work_orders", more)
        insert(connection, "visits", pd.DataFrame(visit))
        shut = orders[orders["order_id"] == closed].assign(status="done")
        upsert(connection, "work_orders", shut)
    made = _again(town_planned, tmp_path, quick, as_of=pd.Timestamp("2026-11-02"))
    now = _crew(made.frames["plan_stops"])
    assert (now["on"] > "2026-11-02").all()
    assert not {done, closed} & set(now.index)
    told = made.changes.set_index("order_id")["what"]
    assert (told[told.index.isin(set(now.index) - before)] == "added").all()
    assert {order for order in now.index if order.startswith("NEW-")}
    assert not {done, closed} & set(told[told.isin(["dropped", "held"])].index)


def test_a_storm_sends_discharges_to_dry_days(
    town_planned: str, tmp_path: Path, quick: Settings
) -> None:
    """Every member is wet on Friday, in an outlook issued a little later."""
    outlook = _rows(town_planned, "rain_outlook")
    storm = outlook.assign(
        issued_at=outlook["issued_at"] + pd.Timedelta(hours=1),
        rain_in=np.where(outlook["falls_on"] == "2026-11-06", 1.0, 0.0),
    )
    with open_database(town_planned) as database, database.writing() as connection:
        insert(connection, "rain_outlook", storm)
    made = _again(town_planned, tmp_path, quick)
    stops = made.frames["plan_stops"]
    friday = stops[(stops["on"] == "2026-11-06") & (stops["kind"] == "pump_out")]
    assert friday.empty
    assert {"newly_wet", "pulled_forward"} & set(made.changes["what"])
    told = made.changes[made.changes["was_on"] == "2026-11-06"]
    first = stops[(stops["stop_number"] == 1)]
    assert len(told) and told["call_by"].notna().all()
    assert (told["call_by"] <= first["arrive_at"].max()).all()
    assert made.weighed["plan"].tolist() == [replanning.AS_IT_STANDS]


def test_days_in_doubt_are_weighed_and_may_be_chosen(
    town_planned: str, tmp_path: Path, quick: Settings
) -> None:
    outlook = _rows(town_planned, "rain_outlook")
    doubt = outlook.assign(
        issued_at=outlook["issued_at"] + pd.Timedelta(hours=1),
        rain_in=np.where(
            (outlook["falls_on"] == "2026-11-06") & (outlook["member"] % 3 == 0), 1.0, 0.0
        ),
    )
    with open_database(town_planned) as database, database.writing() as connection:
        insert(connection, "rain_outlook", doubt)
    made = _again(town_planned, tmp_path, quick, choose="hold 2026-11-06")
    weighed = made.weighed.set_index("plan")
    assert weighed.index.tolist() == [replanning.AS_IT_STANDS, "hold 2026-11-06"]
    assert weighed.index[weighed["is_chosen"]].tolist() == ["hold 2026-11-06"]
    assert (weighed["most_regret_usd"].min()) == 0.0
    stops = made.frames["plan_stops"]
    assert stops[(stops["on"] == "2026-11-06") & (stops["kind"] == "pump_out")].empty


@pytest.mark.postgis
def test_a_plan_on_a_server_is_made_again_and_nothing_changes(
    town_on_server: str, tmp_path: Path, quick: Settings
) -> None:
    first = pipeline.plan(town_on_server, out=tmp_path / "week", settings=quick, made_at=MADE_AT)
    made = _again(town_on_server, tmp_path, quick)
    assert made.replaces == first.plan_id
    assert made.changes.empty
    assert made.cost == {"drive_minutes": 0.0, "truck_usd": 0.0}
    pd.testing.assert_frame_equal(
        made.frames["plan_stops"].drop(columns="plan_id"),
        first.frames["plan_stops"].drop(columns="plan_id"),
    )
    _, breaches = pipeline.verify(town_on_server, settings=quick)
    assert breaches.empty


def test_what_cannot_be_made_again_is_said(
    town_planned: str, town_file: str, tmp_path: Path, quick: Settings
) -> None:
    with pytest.raises(ScheduleError, match="make one with `vaultplan plan`"):
        _again(town_file, tmp_path, quick)
    with pytest.raises(ScheduleError, match="no plan nowhere"):
        _again(town_planned, tmp_path, quick, plan_id="nowhere")
    with pytest.raises(SettingsError, match="no truck Z9"):
        _again(town_planned, tmp_path, quick, down=["Z9"])
    with pytest.raises(SettingsError, match="YYYY-MM-DD"):
        _again(town_planned, tmp_path, quick, down=["C01@friday"])
    with pytest.raises(SettingsError, match="no alternative"):
        _again(town_planned, tmp_path, quick, choose="hope")
    assert (_rows(town_planned, "plans")["state"] == "checked").all()
