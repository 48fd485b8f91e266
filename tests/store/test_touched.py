"""What changed since a moment, whoever changed it, on both stores."""

import sqlite3
import threading

import pytest
import sqlalchemy as sa

from vaultplan.schema import LOADABLE
from vaultplan.store import touched
from vaultplan.store.bulk import filling
from vaultplan.store.database import open_database
from vaultplan.store.write import delete_keys, insert, upsert


def _moment(database):
    with database.reading() as connection:
        return touched.moment(connection)


def _changed(database, earlier):
    with database.reading() as connection:
        return touched.changed_since(connection, earlier, LOADABLE)


@pytest.fixture
def filled(database, vaults, visits):
    with database.writing() as connection:
        upsert(connection, "vaults", vaults)
        upsert(connection, "visits", visits)
    return database


def test_nothing_changed_in_a_database_left_alone(filled):
    assert _changed(filled, _moment(filled)) == {}


def test_new_altered_and_deleted_rows_are_told_by_their_keys(filled, vaults, visits):
    before = _moment(filled)
    altered = vaults.assign(depth_ft=[9.0, None, 6.5])
    with filled.writing() as connection:
        upsert(connection, "vaults", altered)
        delete_keys(connection, "visits", visits.iloc[[1]])
        upsert(connection, "visits", visits.iloc[[2]].assign(visit_id="z"))
    assert _changed(filled, before) == {"vaults": ["V-1"], "visits": ["b", "z"]}


def test_rows_written_again_as_they_were_did_not_change(filled, vaults, visits):
    before = _moment(filled)
    with filled.writing() as connection:
        upsert(connection, "vaults", vaults)
        upsert(connection, "visits", visits)
    assert _changed(filled, before) == {}


def test_what_was_rolled_back_did_not_happen(filled, vaults):
    before = _moment(filled)
    with pytest.raises(ZeroDivisionError), filled.writing() as connection:
        upsert(connection, "vaults", vaults.assign(depth_ft=1.0))
        raise ZeroDivisionError
    assert _changed(filled, before) == {}


def test_a_key_that_changed_is_told_under_both_names(filled):
    before = _moment(filled)
    with filled.writing() as connection:
        connection.exec_driver_sql("UPDATE vaults SET vault_id = 'V-7' WHERE vault_id = 'V-3'")
    assert _changed(filled, before) == {"vaults": ["V-3", "V-7"]}


def test_a_first_load_is_told_as_a_whole(database, vaults):
    before = _moment(database)
    with database.writing() as connection, filling(connection, "vaults") as is_first:
        assert is_first
        insert(connection, "vaults", vaults)
    assert _changed(database, before) == {"vaults": [""]}
    after = _moment(database)
    with database.writing() as connection:
        upsert(connection, "vaults", vaults.assign(depth_ft=1.0).iloc[:1])
    assert _changed(database, after) == {"vaults": ["V-1"]}, "rows are noted again afterwards"


def test_very_many_changes_are_told_as_a_whole(filled, vaults, monkeypatch):
    before = _moment(filled)
    monkeypatch.setattr(touched, "MOST_ROWS", 4)
    for depth in (1.0, 2.0):
        with filled.writing() as connection, filling(connection, "vaults"):
            upsert(connection, "vaults", vaults.assign(depth_ft=depth))
    assert _changed(filled, before) in ({"vaults": [""]}, None)
    with filled.reading() as connection:
        noted = connection.exec_driver_sql("SELECT COUNT(*) FROM touched_rows").scalar_one()
    assert noted < 9


def test_a_moment_of_another_past_is_not_known(filled, vaults):
    before = _moment(filled)
    other = touched.Moment(before.number, before.token + 1, before.settled)
    assert _changed(filled, other) is None
    later = touched.Moment(before.number + 50, before.token, before.settled)
    assert _changed(filled, later) is None


def test_changes_by_another_program_are_seen(embedded, visits):
    with embedded.writing() as connection:
        upsert(connection, "visits", visits)
    before = _moment(embedded)
    embedded.close()
    with sqlite3.connect(embedded.location) as other:
        other.execute("UPDATE visits SET notes = 'elsewhere' WHERE visit_id = 'b'")
    other.close()
    with open_database(embedded.location) as again:
        assert _changed(again, before) == {"visits": ["b"]}


@pytest.mark.postgis
def test_a_change_that_ends_after_a_later_one_is_not_missed(on_server, vaults):
    """Its number is the smaller one, but it came to light only after the moment was taken."""
    with on_server.writing() as connection:
        upsert(connection, "vaults", vaults)
    slow_wrote, moment_taken = threading.Event(), threading.Event()

    def write_slowly():
        with on_server.engine.begin() as slow:
            slow.execute(sa.text("UPDATE vaults SET address = 'slow' WHERE vault_id = 'V-1'"))
            slow_wrote.set()
            assert moment_taken.wait(20)

    thread = threading.Thread(target=write_slowly)
    thread.start()
    assert slow_wrote.wait(20)
    with on_server.engine.begin() as quick:
        quick.execute(sa.text("UPDATE vaults SET address = 'quick' WHERE vault_id = 'V-2'"))
    taken = _moment(on_server)
    moment_taken.set()
    thread.join()
    assert "V-1" in _changed(on_server, taken)["vaults"]


@pytest.mark.postgis
def test_a_table_emptied_at_once_is_told(on_server, vaults):
    with on_server.writing() as connection:
        upsert(connection, "vaults", vaults)
    before = _moment(on_server)
    with on_server.writing() as connection:
        connection.exec_driver_sql("TRUNCATE vaults")
    assert _changed(on_server, before) == {"vaults": [""]}
