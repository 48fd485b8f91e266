"""Many at once: a hundred who read while a load goes on, and two who write."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import sqlalchemy as sa

from vaultplan import pipeline
from vaultplan.errors import StoreError
from vaultplan.settings import Settings
from vaultplan.store.database import open_database
from vaultplan.store.read import count_rows, read_table
from vaultplan.store.write import upsert

from .forge import Forge, Trial
from .places import FilePlace, Place, is_sound

READERS = 100


@pytest.fixture(scope="module")
def other_forge() -> Iterator[Forge]:
    """A second process, for a second writer."""
    running = Forge()
    yield running
    running.close()


def test_a_hundred_readers_see_one_whole_state_each(
    forge: Forge, other_forge: Forge, place: Place, files: Path, tmp_path: Path
) -> None:
    """A hundred processes that look before, during and after a load, at three tables each time."""
    location, until = place.set_back("half"), tmp_path / "done"
    out = tmp_path / "seen"
    out.mkdir()
    other_forge.begin(
        {
            **{"do": "read", "location": location, "readers": READERS},
            **{"out": str(out), "until": str(until)},
        }
    )
    while len(list(out.iterdir())) < READERS:
        time.sleep(0.05)
    trial = forge.run({"do": "load", "location": location, "files": str(files.with_name("more"))})
    until.touch()
    looked = other_forge.finish()
    assert (trial.status, looked.status) == (0, 0), (trial.error, looked.error)
    found = [
        [tuple(json.loads(line)) for line in path.read_text().splitlines()]
        for path in out.iterdir()
    ]
    assert len(found) == READERS
    (before,), (after,) = {first for first, *_ in found}, {last for *_, last in found}
    assert (before[3], after[3]) == (0, after[0])
    assert before[1] < after[1]
    for looks in found:
        turn = looks.index(after)
        assert looks == [before] * turn + [after] * (len(looks) - turn)
    is_sound(location)


def both(one: Forge, other: Forge, jobs: tuple[dict[str, Any], dict[str, Any]]) -> list[Trial]:
    """What became of two jobs that were begun at the same time."""
    one.begin(jobs[0])
    other.begin(jobs[1])
    return [one.finish(), other.finish()]


def test_two_loads_at_once_are_both_kept(
    forge: Forge, other_forge: Forge, place: Place, files: Path, tmp_path: Path
) -> None:
    location = place.set_back("half")
    rain = tmp_path / "rain"
    rain.mkdir()
    frame = pd.read_csv(files / "rainfall.csv", dtype="str")
    frame.assign(rain_in="0.11").to_csv(rain / "rainfall.csv", index=False)
    jobs = tuple(
        {"do": "load", "location": location, "files": str(folder)}
        for folder in (files.with_name("more"), rain)
    )
    one, other = both(forge, other_forge, (jobs[0], jobs[1]))
    assert (one.status, other.status) == (0, 0), (one.error, other.error)
    with open_database(location) as database:
        assert read_table(database, "rainfall")["rain_in"].eq(0.11).all()
        assert read_table(database, "vaults")["address"].str.endswith("(said anew)").all()
        loads = read_table(database, "loads").tail(3)
    # Entered one after the other, none over another's.
    assert sorted(loads["table_name"]) == ["rainfall", "vaults", "visits"]
    assert loads["load_id"].is_unique
    is_sound(location)


def test_the_same_load_twice_at_once_is_as_one(
    forge: Forge, other_forge: Forge, place: Place, files: Path
) -> None:
    location = place.set_back("half")
    job = {"do": "load", "location": location, "files": str(files.with_name("more"))}
    one, other = both(forge, other_forge, (job, job))
    assert (one.status, other.status) == (0, 0), (one.error, other.error)
    with open_database(location) as database:
        twice = read_table(database, "loads").tail(4)
        visits = read_table(database, "visits")
    came = twice.groupby("table_name")[["rows_new", "rows_changed", "rows_same"]].agg(list)
    # Who came second found all of it there already.
    assert sorted(came.loc["visits", "rows_new"])[0] == 0
    assert 0 in came.loc["vaults", "rows_changed"]
    assert visits["visit_id"].is_unique
    is_sound(location)


def test_a_plan_and_a_load_at_once_are_both_kept(
    forge: Forge, other_forge: Forge, place: Place, files: Path, tmp_path: Path, quick: Settings
) -> None:
    location = place.set_back("town")
    load = {"do": "load", "location": location, "files": str(files.with_name("more"))}
    plan = {"do": "plan", "location": location, "out": str(tmp_path / "out"), "stores_only": True}
    one, other = both(forge, other_forge, (load, plan))
    assert (one.status, other.status) == (0, 0), (one.error, other.error)
    _, breaches = pipeline.verify(location, settings=quick)
    assert breaches.empty
    with open_database(location) as database:
        assert read_table(database, "vaults")["address"].str.endswith("(said anew)").all()
    is_sound(location)


def test_of_two_plans_of_one_week_one_counts_and_the_other_is_told(
    forge: Forge, other_forge: Forge, place: Place, tmp_path: Path, quick: Settings
) -> None:
    location = place.set_back("town")
    plan = {"do": "plan", "location": location, "out": str(tmp_path / "out"), "stores_only": True}
    trials = both(forge, other_forge, ({**plan, "seed": 1}, {**plan, "seed": 2}))
    with open_database(location) as database:
        plans = read_table(database, "plans")
        for name in ("plan_jobs", "plan_stops"):
            assert set(read_table(database, name)["plan_id"]) == set(plans["plan_id"])
    told = [trial.kind for trial in trials if trial.status]
    assert set(told) <= {"ConflictError"}, [trial.error for trial in trials]
    # One that only began when the other was stored takes its place, as by a planner who saw it.
    assert len(plans) + len(told) == 2
    assert plans["state"].tolist().count("checked") == 1
    is_sound(location)


def test_who_looks_for_long_keeps_seeing_the_old_state(
    forge: Forge, place: Place, files: Path
) -> None:
    """And whoever writes does not wait for it, where the writer began first or on a server."""
    location = place.set_back("half")
    job = {"do": "load", "location": location, "files": str(files.with_name("more"))}
    with open_database(location) as database, ExitStack() as stack:
        count = count_rows(database, "visits")
        forge.begin(job)
        reader: list[Any] = []

        def look(mark: str) -> None:
            if mark == "writing":
                reader.append(stack.enter_context(database.reading()))
                assert len(read_table(database, "visits", connection=reader[0])) == count

        trial = forge.finish(on_mark=look)
        assert trial.status == 0, trial.error
        assert len(read_table(database, "visits", connection=reader[0])) == count
        stack.close()
        assert count_rows(database, "visits") > count


@pytest.mark.timeout(120)
def test_a_file_that_is_looked_at_throughout_is_not_written(
    file_place: FilePlace, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The look began before the write, so there is no second file: the writer says so once.

    Pages that no longer fit into memory must not wait for the reader each on its own.
    """
    monkeypatch.setattr("vaultplan.store.connect._CACHE_KIB", 40)
    location = file_place.set_back("half")
    moments = pd.date_range("2025-01-01", periods=20_000, freq="min", tz="UTC")
    many = pd.DataFrame({"visit_id": [f"v{number}" for number in range(20_000)]})
    many = many.assign(vault_id="V", visited_at=moments, notes="long words " * 20)
    with open_database(location, busy_seconds=1) as database:
        before = count_rows(database, "visits")
        with database.reading() as reader:
            reader.execute(sa.select(database.tables["vaults"].c.vault_id)).all()
            with (
                pytest.raises(StoreError, match="is locked"),
                database.writing() as connection,
            ):
                upsert(connection, "visits", many)
        assert count_rows(database, "visits") == before
        with database.writing() as connection:
            upsert(connection, "visits", many)
        assert count_rows(database, "visits") == before + 20_000
    is_sound(location)
