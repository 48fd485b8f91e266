"""The walk on the demo, on both stores."""

from __future__ import annotations

import shutil
from pathlib import Path

import pandas as pd
import pyogrio
import pytest
import sqlalchemy as sa

from vaultplan import loading, pipeline, schema, sources, week
from vaultplan.errors import BadRowsError, OutputError, ScheduleError, SettingsError, StoreError
from vaultplan.outputs.sheets.write import OF_YARD
from vaultplan.settings import Settings
from vaultplan.store.database import open_database
from vaultplan.store.read import count_rows, read_table

DEMO = pipeline.demo_folder()
MADE_AT = pd.Timestamp("2026-10-30T20:00Z")


def plan(location: str, out: Path, settings: Settings, **more: object) -> pipeline.PlanResult:
    return pipeline.plan(location, out=out, settings=settings, **{"made_at": MADE_AT, **more})


def test_a_week_is_planned_stored_and_verified(town: str, tmp_path: Path, quick: Settings) -> None:
    out = tmp_path / "week"
    result = plan(town, out, quick)
    names = {path.name for path in result.written if path.suffix != ".pdf"}
    assert names >= {
        "summary.md", "plan.csv", "plan.xlsx", "layers.gpkg", "map.html", "data_dictionary.md"
    }  # fmt: skip
    assert all(path.stat().st_size > 500 for path in result.written)
    stops = result.frames["plan_stops"]
    sheets = {
        path.stem for path in result.written if path.suffix == ".pdf" and OF_YARD not in path.name
    }
    assert len(sheets) == len(stops[["truck_id", "on"]].drop_duplicates())

    orders = result.frames["work_orders"]
    later = orders["earliest_on"] > pd.Timestamp("2026-11-06")
    asked = set(orders.loc[orders["status"].eq("open") & ~later, "order_id"])
    served = set(stops["order_id"].dropna())
    left = result.frames["plan_unserved"]["order_id"]
    assert served.isdisjoint(left)
    assert served | set(left) == asked

    name, breaches = pipeline.verify(town, settings=quick)
    assert name == result.plan_id
    assert breaches.empty


@pytest.mark.postgis
@pytest.mark.usefixtures("unwritten")
def test_both_stores_give_the_same_plan(
    tmp_path: Path, town_file: str, town_on_server: str, quick: Settings
) -> None:
    ours = plan(town_file, tmp_path / "file", quick)
    theirs = plan(town_on_server, tmp_path / "server", quick)
    assert ours.plan_id == theirs.plan_id
    for name in ("forecasts", "decisions", "rankings", "plan_jobs", "plan_stops", "plan_unserved"):
        pd.testing.assert_frame_equal(
            pd.DataFrame(ours.frames[name]), pd.DataFrame(theirs.frames[name])
        )
    for location in (town_file, town_on_server):
        _, breaches = pipeline.verify(location, settings=quick)
        assert breaches.empty


@pytest.mark.usefixtures("unwritten")
def test_a_later_plan_of_a_week_takes_the_place_of_the_earlier(
    town_file: str, tmp_path: Path, quick: Settings
) -> None:
    first = plan(town_file, tmp_path / "first", quick)
    later = MADE_AT + pd.Timedelta(hours=1)
    second = plan(town_file, tmp_path / "second", quick, seed=2, made_at=later)
    assert first.plan_id != second.plan_id
    with open_database(town_file) as database:
        states = read_table(database, "plans").set_index("plan_id")["state"]
    assert states.to_dict() == {first.plan_id: "superseded", second.plan_id: "checked"}
    name, breaches = pipeline.verify(town_file, settings=quick)
    assert (name, len(breaches)) == (second.plan_id, 0)
    _, breaches = pipeline.verify(town_file, first.plan_id, settings=quick)
    assert breaches["limit"].tolist() == ["state"]


@pytest.mark.parametrize(
    "edit",
    [
        "DELETE FROM plan_unserved WHERE outcome = 'referred'",
        "UPDATE plan_jobs SET method = 'storm_drain' WHERE method = 'filter_sock'",
        "UPDATE plan_jobs SET allowed_days = allowed_days || ';2026-11-04'",
    ],
)
def test_a_plan_changed_by_hand_is_noticed(
    planned_town: Path, tmp_path: Path, quick: Settings, edit: str
) -> None:
    changed = str(shutil.copy(planned_town, tmp_path / "changed.gpkg"))
    with open_database(changed) as database, database.writing() as connection:
        assert connection.execute(sa.text(edit)).rowcount > 0
    _, breaches = pipeline.verify(changed, settings=quick)
    assert "edited" in set(breaches["limit"])


def test_a_plan_that_breaks_a_limit_is_neither_stored_nor_written(
    town_file: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, quick: Settings
) -> None:
    def too_late(*args: object, **more: object) -> tuple[pd.DataFrame, pd.DataFrame]:
        stops, left = solve_week(*args, **more)
        stops["leave_at"] += pd.Timedelta(hours=9)
        return stops, left

    solve_week = week.solve_week
    monkeypatch.setattr(week, "solve_week", too_late)
    with pytest.raises(ScheduleError, match="not published"):
        plan(town_file, tmp_path / "week", quick)
    assert not (tmp_path / "week").exists()
    with open_database(town_file) as database:
        assert count_rows(database, "plans") == 0


def test_a_table_that_cannot_be_written_is_one_message(tmp_path: Path) -> None:
    (tmp_path / "taken.csv").mkdir()
    frame = pd.DataFrame({"vault_id": ["V"]})
    with pytest.raises(OutputError, match=r"taken\.csv cannot be"):
        pipeline.write_table(frame, tmp_path / "taken.csv", location="town.gpkg")
    (tmp_path / ".water.part.csv").mkdir()
    with pytest.raises(OutputError, match=r"water\.csv cannot be written"):
        pipeline.write_table(frame, tmp_path / "water.csv", location="town.gpkg")


def test_a_plan_that_could_not_be_written_is_not_begun(
    town_file: str, tmp_path: Path, quick: Settings
) -> None:
    steps: list[str] = []
    (tmp_path / "file").touch()
    beside = tmp_path / "layers.gpkg"
    shutil.copy(town_file, beside)
    for location, out in ((town_file, tmp_path / "file" / "week"), (str(beside), tmp_path)):
        with pytest.raises(OutputError, match="name another"):
            plan(location, out, quick, on_step=lambda step, *_: steps.append(step))
    assert steps == []


def test_a_demo_takes_the_place_of_a_demo_only(tmp_path: Path) -> None:
    location = tmp_path / "vaultplan.gpkg"
    loading.new(str(location), pipeline.DEMO_CRS, name="Somebody's fleet")
    before = location.read_bytes()
    with pytest.raises(StoreError, match="is not a demo"):
        pipeline.run_demo(tmp_path)
    assert location.read_bytes() == before


def test_nothing_later_than_the_as_of_day_is_used(town_file: str, quick: Settings) -> None:
    early = pipeline.forecast(
        town_file,
        days=[pd.Timestamp("2026-06-02")],
        vault_ids=["SM-0001"],
        as_of=pd.Timestamp("2026-06-01"),
        settings=quick,
    )
    assert early["as_of_on"].eq(pd.Timestamp("2026-06-01")).all()


def test_solids_and_oil_come_with_the_forecast_if_asked(town_file: str, quick: Settings) -> None:
    """A sock holds back nine tenths (settings) of what the water carries."""
    found = pipeline.forecast(town_file, with_solids=True, settings=quick)
    wet = found[found["volume_gal_p50"] > 0]
    assert len(wet) > 100
    assert (wet["solids_lb_p10"] <= wet["solids_lb_p90"]).all()
    assert wet["oil_held_gal_p50"].to_numpy() == pytest.approx(0.9 * wet["oil_gal_p50"].to_numpy())
    assert found["solids_lb_p50"].notna().all()


def test_an_as_of_day_after_the_week_is_refused(
    town_file: str, tmp_path: Path, quick: Settings
) -> None:
    with pytest.raises(SettingsError, match="after the week"):
        plan(
            town_file,
            tmp_path,
            quick,
            week_of=pd.Timestamp("2026-11-02"),
            as_of=pd.Timestamp("2026-12-01"),
        )


def test_settings_in_another_time_zone_are_refused(town_file: str) -> None:
    with pytest.raises(SettingsError, match="time zone"):
        pipeline.rank(town_file, settings=Settings(time_zone="Europe/Paris"))


def test_tables_are_loaded_after_those_they_refer_to() -> None:
    order = sources.load_order()
    assert sorted(order) == sorted(schema.LOADABLE)
    assert order.index("gauges") < order.index("vaults") < order.index("visits")
    assert order.index("visits") < order.index("samples")


def test_a_bad_file_is_refused_whole_and_the_database_is_as_before(
    town_file: str, tmp_path: Path
) -> None:
    bad = tmp_path / "visits.csv"
    bad.write_text(
        "visit_id,vault_id,visited_at,depth_in\n"
        "NEW1,SM-0001,2026-10-01T18:00:00Z,12\n"
        "NEW2,SM-0001,yesterday,12\n"
        "NEW3,SM-0001,2026-10-01T18:00:00Z,deep\n"
    )
    with open_database(town_file) as database:
        before = read_table(database, "visits")
    with pytest.raises(BadRowsError) as refused:
        loading.load(town_file, "visits", bad, is_strict=True)
    faults = {(fault.row, fault.column) for fault in refused.value.faults}
    assert faults == {(3, "visited_at"), (4, "depth_in")}
    assert all(fault.remedy for fault in refused.value.faults)
    assert "visits.csv" in str(refused.value)
    with open_database(town_file) as database:
        pd.testing.assert_frame_equal(read_table(database, "visits"), before)


def test_the_database_file_opens_with_gdal_every_layer_placed_and_styled(town_file: str) -> None:
    layers = dict(pyogrio.list_layers(town_file))
    spatial = {name for name, declared in schema.TABLES.items() if declared.geometry}
    stored = spatial & set(schema.STORED)
    assert stored <= {name for name, kind in layers.items() if kind}
    for name in stored:
        assert pyogrio.read_info(town_file, layer=name)["crs"] == "EPSG:32606"
    styles = pyogrio.read_dataframe(town_file, layer="layer_styles")
    assert stored <= set(styles["f_table_name"])
    assert pyogrio.read_info(town_file, layer="vaults")["features"] == 1500
