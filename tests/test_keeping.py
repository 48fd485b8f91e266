"""What is kept from run to run: tables brought up to date by the rows that changed."""

import json
import os
import shutil
import stat

import pandas as pd
import pytest

from vaultplan import keeping
from vaultplan.keeping import forget
from vaultplan.schema import LOADABLE
from vaultplan.store.bulk import filling
from vaultplan.store.database import create_database, open_database
from vaultplan.store.read import read_table
from vaultplan.store.write import delete_keys, insert, upsert

TABLES = dict.fromkeys(("vaults", "visits", "rainfall", "drain_pipes", "roads"))


def read(location, **more):
    with open_database(location) as database:
        kept = keeping.read_kept(database, TABLES, **more)
        direct = {name: read_table(database, name) for name in TABLES}
    for name, frame in direct.items():
        pd.testing.assert_frame_equal(kept.frames[name], frame, check_like=True)
        assert type(kept.frames[name]) is type(frame)
    return kept


def read_and_keep(location):
    kept = read(location)
    kept.write()
    kept.wait()
    return kept


def test_the_second_run_reads_only_what_changed(town, keeping):
    first = read_and_keep(town)
    assert set(first.changes) == set(TABLES)
    assert all(change is None for change in first.changes.values())
    assert first.reused == []
    assert read(town).changes == {}
    with open_database(town) as database:
        visits = read_table(database, "visits")
        rain = read_table(database, "rainfall")
        gauge = rain["gauge_id"].iloc[-1]
        with database.writing() as connection:
            delete_keys(connection, "visits", visits.iloc[[3]])
            upsert(connection, "visits", visits.iloc[[5]].assign(grade="heavy"))
            new = visits.iloc[[7, 8]].assign(visit_id=["0 the first", "~ the last"])
            upsert(connection, "visits", new)
            upsert(connection, "rainfall", rain.iloc[[-1]].assign(rain_in=1.25))
    second = read(town)
    assert set(second.changes) == {"visits", "rainfall"}
    change = second.changes["visits"]
    assert sorted(change.before["visit_id"]) == sorted(visits["visit_id"].iloc[[3, 5]])
    assert sorted(change.after["visit_id"]) == sorted(
        ["0 the first", visits["visit_id"].iloc[5], "~ the last"]
    )
    assert set(change.values("vault_id")) == set(visits["vault_id"].iloc[[3, 5, 7, 8]])
    assert set(second.changes["rainfall"].after["gauge_id"]) == {gauge}
    assert "rows of the tables kept" in second.reused[0]
    second.write()
    second.wait()
    assert read(town).changes == {}


def test_a_run_that_keeps_nothing_new_leaves_the_changes_for_the_next(town, keeping):
    read_and_keep(town)
    with open_database(town) as database, database.writing() as connection:
        connection.exec_driver_sql("DELETE FROM roads")
    assert read(town).changes["roads"] is None, "all rows went: read anew"
    assert "roads" in read(town).changes


def test_a_table_loaded_anew_is_read_anew(town, keeping):
    read_and_keep(town)
    with open_database(town) as database:
        rain = read_table(database, "rainfall")
        with database.writing() as connection:
            connection.exec_driver_sql("DELETE FROM rainfall")
            with filling(connection, "rainfall"):
                insert(connection, "rainfall", rain.iloc[:40])
    assert read(town).changes == {"rainfall": None}


def test_what_stages_found_is_handed_back_under_the_same_version_only(town_file, keeping):
    first = read(town_file)
    first.keep("count", "v1", {"vaults": 3})
    first.write()
    first.wait()
    again = read(town_file)
    assert again.result("count", "v1") == {"vaults": 3}
    assert again.result("count", "v2") is None
    assert again.result("other", "v1") is None


def test_a_result_that_nobody_brought_up_to_date_is_dropped(town_file, keeping):
    first = read(town_file)
    first.keep("count", "v1", 3)
    first.write()
    first.wait()
    with open_database(town_file) as database, database.writing() as connection:
        connection.exec_driver_sql("UPDATE visits SET notes = 'seen'")
    unasked = read(town_file)
    unasked.write()
    unasked.wait()
    assert read(town_file).result("count", "v1") is None


def test_anew_uses_nothing(town_file, keeping):
    read_and_keep(town_file)
    assert set(read(town_file, anew=True).changes) == set(TABLES)


@pytest.mark.parametrize("damage", ["head", "table", "program", "missing"])
def test_what_is_spoiled_is_read_anew(town_file, keeping, damage):
    read_and_keep(town_file)
    (folder,) = keeping.iterdir()
    head = folder / "head.json"
    table = folder / json.loads(head.read_text())["files"]["visits"]
    if damage == "head":
        head.write_text(head.read_text()[:40])
    elif damage == "program":
        head.write_text(head.read_text().replace('"program": "', '"program": "x'))
    elif damage == "table":
        table.write_bytes(table.read_bytes()[:1000])
    else:
        table.unlink()
    assert read(town_file).changes.get("visits", "kept") is None


def test_a_copy_brought_back_is_not_taken_for_what_was_kept(town_file, keeping, tmp_path):
    copy = shutil.copy(town_file, tmp_path / "copy.gpkg")
    with open_database(town_file) as database, database.writing() as connection:
        connection.exec_driver_sql("UPDATE visits SET grade = 'heavy'")
    read_and_keep(town_file)
    shutil.copy(copy, town_file)
    assert set(read(town_file).changes) == set(TABLES)
    with open_database(town_file) as database:
        for _ in range(3):
            with database.writing() as connection:
                connection.exec_driver_sql("UPDATE visits SET grade = 'light'")
    assert set(read(town_file).changes) == set(TABLES), "though as many changes were noted"


def test_nobody_else_may_look_at_what_is_kept(town_file, keeping):
    read_and_keep(town_file)
    (folder,) = keeping.iterdir()
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert {stat.S_IMODE(path.stat().st_mode) for path in folder.iterdir()} == {0o600}
    folder.chmod(0o755)
    assert read(town_file).folder is None, "others could have written what is read from there"


def test_nothing_is_kept_where_nothing_should_be(town_file, monkeypatch, tmp_path):
    monkeypatch.setenv("VAULTPLAN_KEEP", "none")
    assert read_and_keep(town_file).folder is None
    monkeypatch.setenv("VAULTPLAN_KEEP", str(tmp_path / "file"))
    (tmp_path / "file").write_text("in the way")
    assert read_and_keep(town_file).folder is None


def test_a_full_disk_is_no_fault_of_the_run(town_file, keeping, monkeypatch):
    kept = read(town_file)

    def full(*_args, **_more):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pyarrow.ipc.new_file", full)
    kept.write()
    kept.wait()
    (folder,) = keeping.iterdir()
    assert list(folder.iterdir()) == []


def test_databases_not_opened_for_long_are_forgotten(town_file, keeping):
    read_and_keep(town_file)
    (folder,) = keeping.iterdir()
    for name in ("0" * 32, "somebody's project"):
        shutil.copytree(folder, keeping / name)
        os.utime(keeping / name, (1, 1))
    (keeping / ("1" * 32)).mkdir()
    os.utime(keeping / ("1" * 32), (1, 1))
    read(town_file)
    left = {path.name for path in keeping.iterdir()}
    assert left == {folder.name, "somebody's project", "1" * 32}, "only what is surely ours goes"


def test_files_that_others_took_the_place_of_do_not_pile_up(town_file, keeping):
    read_and_keep(town_file)
    (folder,) = keeping.iterdir()
    before = {path.name for path in folder.iterdir()}
    driven = folder / "travel-1.npy"
    driven.touch()
    begun_by_another_run = folder / "visits-begun"
    begun_by_another_run.touch()
    for grade in ("light", "heavy", "clear"):
        with open_database(town_file) as database, database.writing() as connection:
            connection.exec_driver_sql(f"UPDATE visits SET grade = '{grade}'")
        read_and_keep_changes(town_file)
    after = {path.name for path in folder.iterdir()}
    assert len(after) == len(before) + 2
    assert {driven.name, begun_by_another_run.name} < after


def read_and_keep_changes(location):
    kept = read(location)
    assert kept.changes
    kept.write()
    kept.wait()


def test_what_is_kept_of_a_database_can_be_forgotten(town_file, keeping):
    read_and_keep(town_file)
    with open_database(town_file) as database:
        forget(database)
    assert list(keeping.iterdir()) == []


def test_keys_begin_with_text_that_sorts_as_the_store_sorts():
    from vaultplan.schema import table

    assert {table(name).column(table(name).key[0]).type for name in LOADABLE} == {"text"}


def test_an_empty_database(tmp_path, keeping):
    location = str(tmp_path / "empty.gpkg")
    create_database(location, "EPSG:32606").close()
    read_and_keep(location)
    assert read(location).changes == {}
