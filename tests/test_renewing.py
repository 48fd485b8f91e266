"""A change recomputes what hangs on it and nothing else, and gives what doing all anew gives."""

import shutil
from pathlib import Path

import pandas as pd
import pytest
import shapely

from vaultplan import pipeline, renewing, week
from vaultplan.discharge import rules
from vaultplan.forecast.fitting import refit
from vaultplan.forecast.forecasts import fit_models, forecast_with
from vaultplan.forecast.grade import regrade
from vaultplan.loading import silent
from vaultplan.store.database import open_database
from vaultplan.store.read import read_table
from vaultplan.store.write import delete_keys, upsert

MONDAY, FRIDAY = pd.Timestamp("2026-11-02"), pd.Timestamp("2026-10-30")
JUDGED = ("forecasts", "traces", "sensitivities", "decisions", "rankings")


def judged(location, settings, **more):
    ahead = week.open_week(location, MONDAY, FRIDAY, settings, silent, **more)
    week.judge(ahead, silent, everywhere=True)
    ahead.kept.wait()
    return ahead


def assert_same(one, other, names=JUDGED):
    for name in names:
        pd.testing.assert_frame_equal(one.frames[name], other.frames[name])


def change(location, *work):
    with open_database(location) as database, database.writing() as connection:
        for name, do in work:
            do(connection, name, read_table(database, name, connection=connection))


def new_visits(connection, name, visits):
    late = visits.drop_duplicates("vault_id").iloc[[10, 50, 90]]
    moment = pd.Timestamp("2026-10-29T20:00Z")
    new = late.assign(visit_id=["n1", "n2", "n3"], visited_at=moment, depth_in=31.0, finding="wet")
    upsert(connection, name, new.assign(grade="heavy"))


@pytest.fixture(scope="module")
def judged_once(demo_file, quick, tmp_path_factory):
    folder = tmp_path_factory.mktemp("judged")
    location = shutil.copy(demo_file, folder / "town.gpkg")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("VAULTPLAN_KEEP", str(folder / "kept"))
        return location, folder / "kept", judged(str(location), quick)


@pytest.fixture
def known(judged_once, keeping, quick, tmp_path):
    location, kept, first = judged_once
    shutil.copytree(kept, keeping)
    return str(shutil.copy(location, tmp_path / "town.gpkg")), first, quick


def test_nothing_changed_nothing_is_done_again(known):
    location, first, settings = known
    again = judged(location, settings)
    assert_same(again, first)
    points = len(first.frames["forecasts"])
    assert f"{points:,} of {points:,} forecasts kept" in again.kept.reused
    assert "1,500 of 1,500 paths kept" in again.kept.reused


def test_paths_traced_beside_are_those_traced_here(known, monkeypatch):
    location, first, settings = known
    monkeypatch.setattr(renewing, "_MANY_VAULTS", 1)
    monkeypatch.setattr(renewing, "processes", lambda: 2)
    monkeypatch.setattr(renewing, "traced", None)
    again = judged(location, settings, anew=True)
    assert_same(again, first, ["traces"])


def test_new_visits_touch_their_vaults_alone(known):
    location, first, settings = known
    change(location, ("visits", new_visits))
    now = judged(location, settings)
    after, before = now.frames["forecasts"], first.frames["forecasts"]
    seen = now.kept.changes["visits"].values("vault_id")
    assert len(seen) == 3
    others = ~after["vault_id"].isin(seen)
    pd.testing.assert_frame_equal(after[others], before[others])
    assert (after["depth_in_p50"] != before["depth_in_p50"])[~others].all()
    assert any("3 vaults have new visits" in line for line in now.kept.reused)
    assert "1,500 of 1,500 paths kept" in now.kept.reused
    # The same by hand: lessons of the first fit, the vaults' own visits of now.
    first_frames = {**now.frames, "visits": first.frames["visits"]}
    asked = {"as_of": FRIDAY, "settings": now.settings}
    water, grades = fit_models(first_frames, **asked)
    mine = {"vault_ids": seen, "as_of": FRIDAY}
    water = refit(water, now.frames, **mine)
    grades = regrade(grades, now.frames, **mine, settings=now.settings)
    points = after.loc[~others, ["vault_id", "on"]]
    pd.testing.assert_frame_equal(forecast_with(water, grades, points), after[~others])


def test_visits_taken_in_twice_are_those_taken_in_at_once(known):
    location, _, settings = known
    change(location, ("visits", new_visits))
    judged(location, settings)
    change(location, ("visits", lambda c, n, f: delete_keys(c, n, f[f["visit_id"] == "n2"])))
    then = judged(location, settings)
    assert any("1 vaults have new visits" in line for line in then.kept.reused)
    change(location, ("visits", lambda c, n, f: delete_keys(c, n, f[f["visit_id"] > "n"])))
    back = judged(location, settings)
    assert_same(back, known[1])


def test_visits_to_many_vaults_are_learned_from(known):
    location, _, settings = known
    change(location, ("visits", lambda c, n, f: delete_keys(c, n, f.iloc[::40])))
    now = judged(location, settings)
    assert not any("forecasts kept" in line for line in now.kept.reused)
    assert_same(now, judged(location, settings, anew=True))


@pytest.mark.parametrize("how", ["flow", "drawn", "new"])
def test_a_changed_pipe_turns_the_paths_through_it(known, how):
    location, first, settings = known
    outfall = first.frames["traces"]["outfall_id"].value_counts().index[0]
    traces = first.frames["traces"]
    assert (traces["outfall_id"] == outfall).sum() > 20

    def edit(connection, name, pipes):
        ends = first.frames["outfalls"].set_index("outfall_id").loc[outfall, "node_id"]
        last = pipes[pipes["to_node"] == ends].iloc[:1]
        if how == "new":
            upsert(connection, name, last.assign(pipe_id="a new one"))
            return
        if how == "flow":
            last = last.assign(is_pumped=True, length_ft=last["length_ft"] + 100.0)
        line = shapely.segmentize(last.geometry.iloc[0], 3.0)
        upsert(connection, name, last.set_geometry([shapely.affinity.translate(line, 1.0, 1.0)]))

    change(location, ("drain_pipes", edit))
    now = judged(location, settings)
    assert_same(now, judged(location, settings, anew=True))
    assert any("forecasts kept" in line for line in now.kept.reused)
    is_kept = any("through 1 changed pipes" in line for line in now.kept.reused)
    assert is_kept == (how != "new")
    lines = first.frames["traces"].geometry != now.frames["traces"].geometry
    assert lines[traces["outfall_id"] == outfall].sum() > 20 or how == "new"


def test_a_changed_vault_is_traced_again(known):
    location, _, settings = known

    def move(connection, name, vaults):
        one = vaults.iloc[[100]]
        upsert(connection, name, one.set_geometry(one.translate(400.0, 250.0)))
        upsert(connection, name, one.assign(vault_id="V-new"))
        delete_keys(connection, name, vaults.iloc[[200]])

    change(location, ("vaults", move))
    now = judged(location, settings)
    assert_same(now, judged(location, settings, anew=True))
    assert "1,498 of 1,500 paths kept" in now.kept.reused, "one moved, one is new, one went"


def test_a_new_order_adds_its_own_vault(known):
    location, first, settings = known

    def order(connection, name, orders):
        ordered = set(orders["vault_id"])
        free = next(v for v in first.frames["vaults"]["vault_id"] if v not in ordered)
        upsert(connection, name, orders.iloc[[0]].assign(order_id="W-new", vault_id=free))

    change(location, ("work_orders", order))
    now = judged(location, settings)
    assert_same(now, judged(location, settings, anew=True))
    count, new = len(now.frames["forecasts"]), len(now.days) - 1
    assert f"{count - new:,} of {count:,} forecasts kept" in now.kept.reused


def test_a_changed_rule_leaves_water_and_paths_alone(known, tmp_path):
    location, first, settings = known
    text = Path(rules.__file__).with_name("rules.toml").read_text(encoding="utf-8")
    mine = tmp_path / "ours.toml"
    stricter = text.replace('method = "filter_sock"', 'method = "vacuum_truck"', 1)
    mine.write_text(stricter, encoding="utf-8")
    changed = replace_rules(settings, mine)
    now = judged(location, changed)
    assert_same(now, first, ("forecasts", "traces"))
    assert not now.frames["decisions"].equals(first.frames["decisions"])
    assert_same(now, judged(location, changed, anew=True))
    assert any("forecasts kept" in line for line in now.kept.reused)


def replace_rules(settings, path):
    discharge = settings.discharge.model_copy(update={"rules_file": path})
    return settings.model_copy(update={"discharge": discharge})


def test_another_day_or_other_rain_is_forecast_anew(known):
    location, _, settings = known
    rain = lambda c, n, f: upsert(c, n, f.iloc[[-1]].assign(rain_in=2.0))  # noqa: E731
    change(location, ("rainfall", rain))
    now = judged(location, settings)
    assert not any("forecasts kept" in line for line in now.kept.reused)
    assert "1,500 of 1,500 paths kept" in now.kept.reused
    assert_same(now, judged(location, settings, anew=True))


def test_a_plan_is_made_once_where_nothing_changed(known, tmp_path):
    location, _, settings = known
    out = tmp_path / "out"
    asked = {"week_of": MONDAY, "as_of": FRIDAY, "settings": settings, "out": out}
    first = pipeline.plan(location, **asked)
    before = {path: path.read_bytes() for path in first.written}
    again = pipeline.plan(location, **asked)
    assert again.plan_id == first.plan_id
    assert "the plan stored before: nothing that it hangs on changed" in again.reused
    assert f"{len(first.written)} files kept" in again.reused
    assert set(again.written) == set(first.written)
    assert [path for path in before if path.read_bytes() != before[path]] == []


@pytest.mark.usefixtures("unwritten")
def test_an_edited_plan_is_made_anew(known, tmp_path):
    location, _, settings = known
    asked = {"week_of": MONDAY, "as_of": FRIDAY, "settings": settings, "out": tmp_path}
    first = pipeline.plan(location, **asked)
    with open_database(location) as database, database.writing("plans") as connection:
        connection.exec_driver_sql("UPDATE plan_stops SET drive_minutes = 1")
    again = pipeline.plan(location, **asked)
    assert again.plan_id == first.plan_id
    assert not any("stored before" in line for line in again.reused)
    assert pipeline.verify(location, settings=settings)[1].empty
