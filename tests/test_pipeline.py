"""The walk on the demo, on both stores."""

from __future__ import annotations

import dataclasses
import shutil
from pathlib import Path

import pandas as pd
import pyogrio
import pytest

from vaultplan import loading, pipeline, schema
from vaultplan.errors import BadRowsError, OutputError, ScheduleError, SettingsError, StoreError
from vaultplan.settings import Settings, load_settings
from vaultplan.store.database import open_database
from vaultplan.store.read import count_rows, read_table

DEMO = pipeline.demo_folder()
MADE_AT = pd.Timestamp("2026-10-30T20:00Z")


def quick() -> Settings:
    """The demo's settings with a solver that stops by iterations, so that plans repeat."""
    settings = load_settings(DEMO / "vaultplan.toml")
    schedule = settings.schedule.model_copy(update={"iterations": 40})
    return settings.model_copy(update={"schedule": schedule})


@pytest.fixture
def town(location: str) -> str:
    loading.new(location, pipeline.DEMO_CRS, name="Saltmarrow", time_zone="Etc/GMT+10")
    loading.load(location, "all", DEMO)
    return location


def plan(location: str, out: Path, **more: object) -> pipeline.PlanResult:
    return pipeline.plan(location, out=out, settings=quick(), made_at=MADE_AT, **more)


def test_a_week_is_planned_stored_and_verified(town: str, tmp_path: Path) -> None:
    out = tmp_path / "week"
    result = plan(town, out)
    names = {path.name for path in result.written if path.suffix != ".pdf"}
    assert names == {
        "summary.md", "plan.csv", "plan.xlsx", "layers.gpkg", "map.html", "data_dictionary.md"
    }  # fmt: skip
    assert all(path.stat().st_size > 500 for path in result.written)
    stops = result.frames["plan_stops"]
    sheets = {path.stem for path in result.written if path.suffix == ".pdf"}
    assert len(sheets) == len(stops[["truck_id", "on"]].drop_duplicates())

    orders = result.frames["work_orders"]
    later = orders["earliest_on"] > pd.Timestamp("2026-11-06")
    asked = set(orders.loc[orders["status"].eq("open") & ~later, "order_id"])
    served = set(stops["order_id"].dropna())
    left = result.frames["plan_unserved"]["order_id"]
    assert served.isdisjoint(left)
    assert served | set(left) == asked

    name, breaches = pipeline.verify(town, settings=quick())
    assert name == result.plan_id
    assert breaches.empty


@pytest.mark.postgis
def test_both_stores_give_the_same_plan(tmp_path: Path, postgis_url: str) -> None:
    results = []
    for number, location in enumerate((str(tmp_path / "town.gpkg"), postgis_url)):
        loading.new(location, pipeline.DEMO_CRS, time_zone="Etc/GMT+10")
        loading.load(location, "all", DEMO)
        results.append(plan(location, tmp_path / str(number)))
    ours, theirs = results
    assert ours.plan_id == theirs.plan_id
    for name in ("forecasts", "decisions", "rankings", "plan_jobs", "plan_stops", "plan_unserved"):
        pd.testing.assert_frame_equal(
            pd.DataFrame(ours.frames[name]), pd.DataFrame(theirs.frames[name])
        )


@pytest.fixture(scope="module")
def file_town(tmp_path_factory: pytest.TempPathFactory) -> str:
    location = str(tmp_path_factory.mktemp("town") / "town.gpkg")
    loading.new(location, pipeline.DEMO_CRS, time_zone="Etc/GMT+10")
    loading.load(location, "all", DEMO)
    return location


def test_a_plan_that_breaks_a_limit_is_neither_stored_nor_written(
    file_town: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def too_late(*args: object, **more: object) -> tuple[pd.DataFrame, pd.DataFrame]:
        stops, left = solve_week(*args, **more)
        stops["leave_at"] += pd.Timedelta(hours=9)
        return stops, left

    solve_week = pipeline.solve_week
    monkeypatch.setattr(pipeline, "solve_week", too_late)
    with pytest.raises(ScheduleError, match="not published"):
        plan(file_town, tmp_path / "week")
    assert not (tmp_path / "week").exists()
    with open_database(file_town) as database:
        assert count_rows(database, "plans") == 0


def frames_until(visited_at: str | None) -> dict[str, pd.DataFrame]:
    names = ("rainfall", "rain_outlook", "visits")
    frames = {name: schema.table(name).empty() for name in names}
    if visited_at:
        visit = {"visit_id": "W", "vault_id": "V", "visited_at": visited_at}
        frames["visits"] = schema.table("visits").conform(pd.DataFrame([visit]))
    return frames


def test_the_data_end_on_a_local_day(monkeypatch: pytest.MonkeyPatch, file_town: str) -> None:
    # 05:00 UTC on Monday is Sunday evening ten hours west: the week to plan is the one at hand.
    def read(*_args: object, **_more: object) -> dict[str, pd.DataFrame]:
        return read_frames(*_args, **_more) | frames_until("2026-11-02T05:00Z")

    read_frames = pipeline.read_frames
    monkeypatch.setattr(pipeline, "read_frames", read)
    week = pipeline._open_week(file_town, None, None, quick(), loading.silent)
    assert week.as_of == pd.Timestamp("2026-11-01")
    assert week.monday == pd.Timestamp("2026-11-02")


def test_without_rain_and_visits_a_stated_week_is_enough(
    monkeypatch: pytest.MonkeyPatch, file_town: str
) -> None:
    read_frames = pipeline.read_frames
    monkeypatch.setattr(
        pipeline, "read_frames", lambda *args: read_frames(*args) | frames_until(None)
    )
    with pytest.raises(SettingsError, match="say --as-of"):
        pipeline._open_week(file_town, None, None, quick(), loading.silent)
    monday, friday = pd.Timestamp("2026-11-02"), pd.Timestamp("2026-10-30")
    week = pipeline._open_week(file_town, monday, friday, quick(), loading.silent)
    assert week.as_of == friday
    assert len(week.days) == 5


def test_no_later_visit_reaches_the_plan_of_an_earlier_week(file_town: str) -> None:
    monday = pd.Timestamp("2026-06-01")
    week = pipeline._open_week(file_town, monday, None, quick(), loading.silent)
    assert week.as_of == pd.Timestamp("2026-05-31")
    latest = week.frames["visits"]["visited_at"].max()
    assert pd.Timestamp("2026-05-20T00:00Z") < latest < pd.Timestamp("2026-06-01T10:00Z")


def test_a_table_that_cannot_be_written_is_one_message(tmp_path: Path) -> None:
    (tmp_path / "taken.csv").mkdir()
    frame = pd.DataFrame({"vault_id": ["V"]})
    with pytest.raises(OutputError, match=r"taken\.csv cannot be"):
        pipeline.write_table(frame, tmp_path / "taken.csv", location="town.gpkg")
    (tmp_path / ".water.part.csv").mkdir()
    with pytest.raises(OutputError, match=r"water\.csv cannot be written"):
        pipeline.write_table(frame, tmp_path / "water.csv", location="town.gpkg")


def test_the_id_of_a_plan_tells_what_it_was_made_of(file_town: str) -> None:
    week = pipeline._open_week(file_town, None, None, quick(), loading.silent)
    pipeline._rank(week, loading.silent, everywhere=False)
    first = pipeline._plan_id(week, seed=1)
    assert first.startswith("2026-11-02-")
    assert pipeline._plan_id(week, seed=1) == first
    orders, depots = week.frames["work_orders"], week.frames["depots"]
    changes = {
        "work_orders": orders.assign(window_to=orders["window_to"].fillna("16:00")),
        "depots": depots.assign(geometry=depots.translate(1.0)),
    }
    ids = {first, pipeline._plan_id(week, seed=2)}
    for name, changed in changes.items():
        other = dataclasses.replace(week, frames={**week.frames, name: changed})
        ids.add(pipeline._plan_id(other, seed=1))
    assert len(ids) == 4


def test_a_plan_that_could_not_be_written_is_not_begun(file_town: str, tmp_path: Path) -> None:
    steps: list[str] = []
    (tmp_path / "file").touch()
    beside = tmp_path / "layers.gpkg"
    shutil.copy(file_town, beside)
    for location, out in ((file_town, tmp_path / "file" / "week"), (str(beside), tmp_path)):
        with pytest.raises(OutputError, match="name another"):
            plan(location, out, on_step=lambda step, *_: steps.append(step))
    assert steps == []


def test_a_demo_takes_the_place_of_a_demo_only(tmp_path: Path) -> None:
    location = tmp_path / "vaultplan.gpkg"
    loading.new(str(location), pipeline.DEMO_CRS, name="Somebody's fleet")
    before = location.read_bytes()
    with pytest.raises(StoreError, match="is not a demo"):
        pipeline.run_demo(tmp_path)
    assert location.read_bytes() == before


def test_nothing_later_than_the_as_of_day_is_used(file_town: str) -> None:
    early = pipeline.forecast(
        file_town,
        days=[pd.Timestamp("2026-06-02")],
        vault_ids=["SM-0001"],
        as_of=pd.Timestamp("2026-06-01"),
        settings=quick(),
    )
    assert early["as_of_on"].eq(pd.Timestamp("2026-06-01")).all()


def test_an_as_of_day_after_the_week_is_refused(file_town: str, tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="after the week"):
        plan(
            file_town,
            tmp_path,
            week_of=pd.Timestamp("2026-11-02"),
            as_of=pd.Timestamp("2026-12-01"),
        )


def test_settings_in_another_time_zone_are_refused(file_town: str) -> None:
    with pytest.raises(SettingsError, match="time zone"):
        pipeline.rank(file_town, settings=Settings(time_zone="Europe/Paris"))


def test_tables_are_loaded_after_those_they_refer_to() -> None:
    order = loading.load_order()
    assert sorted(order) == sorted(schema.LOADABLE)
    assert order.index("gauges") < order.index("vaults") < order.index("visits")
    assert order.index("visits") < order.index("samples")


def test_a_bad_file_is_refused_whole_and_the_database_is_as_before(
    file_town: str, tmp_path: Path
) -> None:
    bad = tmp_path / "visits.csv"
    bad.write_text(
        "visit_id,vault_id,visited_at,depth_in\n"
        "NEW1,SM-0001,2026-10-01T18:00:00Z,12\n"
        "NEW2,SM-0001,yesterday,12\n"
        "NEW3,SM-0001,2026-10-01T18:00:00Z,deep\n"
    )
    with open_database(file_town) as database:
        before = read_table(database, "visits")
    with pytest.raises(BadRowsError) as refused:
        loading.load(file_town, "visits", bad)
    faults = {(fault.row, fault.column) for fault in refused.value.faults}
    assert faults == {(3, "visited_at"), (4, "depth_in")}
    assert all(fault.remedy for fault in refused.value.faults)
    assert "visits.csv" in str(refused.value)
    with open_database(file_town) as database:
        pd.testing.assert_frame_equal(read_table(database, "visits"), before)


def test_the_database_file_opens_with_gdal_every_layer_placed_and_styled(file_town: str) -> None:
    layers = dict(pyogrio.list_layers(file_town))
    spatial = {name for name, declared in schema.TABLES.items() if declared.geometry}
    stored = spatial & set(schema.STORED)
    assert stored <= {name for name, kind in layers.items() if kind}
    for name in stored:
        assert pyogrio.read_info(file_town, layer=name)["crs"] == "EPSG:32606"
    styles = pyogrio.read_dataframe(file_town, layer="layer_styles")
    assert stored <= set(styles["f_table_name"])
    assert pyogrio.read_info(file_town, layer="vaults")["features"] == 1500
