"""Copies made while others work, tables brought up to date, space given back."""

from __future__ import annotations

import gzip
import shutil
import sqlite3
import threading
from contextlib import closing
from pathlib import Path

import pandas as pd
import psycopg
import pytest
import sqlalchemy as sa

from vaultplan.errors import StoreError
from vaultplan.schema import STORED, table
from vaultplan.store import upkeep
from vaultplan.store.database import open_database
from vaultplan.store.integrity import check_integrity
from vaultplan.store.migrate import newest_version
from vaultplan.store.read import count_rows, read_table
from vaultplan.store.upkeep import Upgraded, back_up, compact, upgrade
from vaultplan.store.write import delete_rows, upsert

VERSIONS = Path(__file__).parent / "versions"
EARLIER = sorted(path.name.split(".")[0] for path in VERSIONS.glob("*.gpkg.gz"))


def put(database, name, frame):
    with database.writing() as connection:
        return upsert(connection, name, frame)


def assert_same(one, other):
    for name in STORED:
        here, there = read_table(one, name), read_table(other, name)
        pd.testing.assert_frame_equal(pd.DataFrame(here), pd.DataFrame(there), obj=name)


def many_visits(number: int) -> pd.DataFrame:
    moments = pd.date_range("2025-01-01", periods=number, freq="min", tz="UTC")
    keys = [f"v{n:06}" for n in range(number)]
    frame = pd.DataFrame({"visit_id": keys, "vault_id": "V-1", "visited_at": moments})
    return table("visits").conform(frame.assign(notes="the same long words " * 10))


def test_a_backup_opens_and_holds_the_same(town, tmp_path):
    target, told = tmp_path / "friday.gpkg", []
    size = back_up(town, target, on_progress=lambda *at: told.append(at))
    assert target.stat().st_size == size
    with open_database(town) as database, open_database(str(target)) as copy:
        assert (copy.name, copy.time_zone, copy.srid) == ("Saltmarrow", "Etc/GMT+10", 32606)
        assert copy.is_embedded
        assert_same(database, copy)
    assert check_integrity(str(target)).is_sound
    assert not [path for path in tmp_path.iterdir() if path.name.startswith(".")]
    steps = {step for step, done, total in told if done == total}
    assert steps >= ({"Copy pages"} if town.endswith(".gpkg") else {"Copy vaults", "Copy visits"})


def test_a_backup_holds_one_moment_while_others_write(database, vaults, tmp_path, monkeypatch):
    """Between two parts of the copy somebody changes a table read already and one still to come."""
    put(database, "vaults", vaults)
    put(database, "visits", many_visits(3_000))
    monkeypatch.setattr(upkeep, "_PAGES_AT_A_TIME", 10)
    monkeypatch.setattr(upkeep, "_ROWS_AT_A_TIME", 500)
    target, changed = tmp_path / "copy.gpkg", []

    def change(step, done, total):
        if 0 < done < total and step in ("Copy pages", "Copy visits") and not changed:
            with open_database(database.location, busy_seconds=1) as other:
                put(other, "vaults", vaults.assign(address="moved"))
                put(other, "visits", many_visits(3_010).assign(notes="later"))
                assert read_table(other, "vaults")["address"].eq("moved").all()
            changed.append(step)

    back_up(database.location, target, on_progress=change)
    assert changed
    with open_database(str(target)) as copy:
        assert read_table(copy, "vaults")["address"].tolist() == vaults["address"].tolist()
        notes = read_table(copy, "visits")["notes"]
        assert (len(notes), notes.str.startswith("the same").all()) == (3_000, True)
    assert count_rows(database, "visits") == 3_010


def test_nothing_is_written_over(database, tmp_path):
    (tmp_path / "notes.txt").write_text("keep me")
    for taken in (tmp_path / "notes.txt", tmp_path / "other.gpkg"):
        taken.touch()
        before = taken.read_bytes()
        with pytest.raises(StoreError, match="already exists; give the backup another name"):
            back_up(database.location, taken)
        assert taken.read_bytes() == before
    if database.is_embedded:
        with pytest.raises(StoreError, match="already exists"):
            back_up(database.location, Path(database.location))
    with pytest.raises(StoreError, match="a backup is a file"):
        back_up(database.location, "postgresql://planner@localhost/fleet")


def test_what_comes_to_be_there_meanwhile_stays(embedded, tmp_path):
    target = tmp_path / "copy.gpkg"
    with pytest.raises(StoreError, match="already exists"):
        back_up(embedded.location, target, on_progress=lambda *_: target.write_text("mine"))
    assert target.read_text() == "mine"
    assert {path.name for path in tmp_path.iterdir()} == {"copy.gpkg", "fleet.gpkg"}


def test_a_backup_that_cannot_be_written_leaves_nothing(database, tmp_path):
    with pytest.raises(StoreError, match="folder"):
        back_up(database.location, tmp_path / "nowhere" / "copy.gpkg")
    assert not [path for path in tmp_path.iterdir() if path.name != "fleet.gpkg"]


def test_a_damaged_database_gives_no_backup(embedded, tmp_path):
    put(embedded, "visits", many_visits(3_000))
    embedded.close()
    damage(Path(embedded.location))
    with pytest.raises(StoreError, match=r"vaultplan integrity|damaged"):
        back_up(embedded.location, tmp_path / "copy.gpkg")
    assert not (tmp_path / "copy.gpkg").exists()


def damage(path: Path) -> None:
    """Write zeros over a page of the table ``visits`` or of its index."""
    with closing(sqlite3.connect(path)) as connection:
        (size,) = connection.execute("PRAGMA page_size").fetchone()
        (root,) = connection.execute(
            "SELECT rootpage FROM sqlite_master WHERE type = 'table' AND name = 'visits'"
        ).fetchone()
    with path.open("r+b") as file:
        file.seek((root - 1) * size + 8)
        file.write(bytes(size - 8))


@pytest.fixture
def earlier(request, tmp_path) -> str:
    """A database in a file as an earlier release left it."""
    path = tmp_path / "town.gpkg"
    with gzip.open(VERSIONS / f"{request.param}.gpkg.gz") as packed, path.open("wb") as file:
        shutil.copyfileobj(packed, file)
    return str(path)


@pytest.mark.parametrize("earlier", EARLIER[:-1] or EARLIER, indirect=True)
def test_an_old_file_is_upgraded_with_a_copy_of_it_beside(earlier, tmp_path):
    before = Path(earlier).read_bytes()
    with pytest.raises(StoreError, match="vaultplan upgrade"):
        open_database(earlier)
    done = upgrade(earlier)
    assert done.after == newest_version() != done.before
    assert done.backup == tmp_path / f"town-tables-{done.before}.gpkg"
    with closing(sqlite3.connect(done.backup)) as kept, closing(sqlite3.connect(":memory:")) as old:
        old.deserialize(before)
        assert list(kept.iterdump()) == list(old.iterdump())
    open_database(earlier).close()
    assert check_integrity(earlier).is_sound
    assert upgrade(earlier) == Upgraded(newest_version(), newest_version())
    assert {path.name for path in tmp_path.iterdir()} == {"town.gpkg", done.backup.name}


@pytest.mark.parametrize("earlier", EARLIER[:1], indirect=True)
def test_a_copy_is_not_made_where_none_is_wanted_and_never_replaces_one(earlier, tmp_path):
    (tmp_path / "town-tables-0001.gpkg").write_text("mine")
    again = shutil.copy(earlier, tmp_path / "again.gpkg")
    assert upgrade(str(again), with_backup=False).backup is None
    assert upgrade(earlier).backup == tmp_path / "town-tables-0001-2.gpkg"
    assert (tmp_path / "town-tables-0001.gpkg").read_text() == "mine"


@pytest.mark.parametrize("earlier", EARLIER[:1], indirect=True)
def test_an_upgrade_that_fails_leaves_the_file_as_it_was(earlier, tmp_path, monkeypatch):
    before = Path(earlier).read_bytes()

    def fail(*_):
        raise RuntimeError("power cut")

    monkeypatch.setattr(upkeep, "write_layer_styles", fail)
    with pytest.raises(RuntimeError, match="power cut"):
        upgrade(earlier)
    assert [path.name for path in tmp_path.iterdir()] == ["town.gpkg"]
    with closing(sqlite3.connect(earlier)) as now, closing(sqlite3.connect(":memory:")) as old:
        old.deserialize(before)
        assert list(now.iterdump()) == list(old.iterdump())


@pytest.mark.parametrize("earlier", EARLIER[:1], indirect=True)
def test_of_two_who_upgrade_the_second_finds_it_done(earlier, tmp_path):
    done, waiting = [], threading.Event()

    def second():
        waiting.set()
        done.append(upgrade(earlier))

    thread = threading.Thread(target=second)

    def start_second(step, _done, _total):
        if step.startswith("Bring the tables"):
            thread.start()
            assert waiting.wait(5)

    first = upgrade(earlier, on_progress=start_second)
    thread.join(30)
    assert (first.before, first.after) == ("0001", newest_version())
    assert done == [Upgraded(newest_version(), newest_version())]
    assert [path.name for path in sorted(tmp_path.iterdir())] == [first.backup.name, "town.gpkg"]


@pytest.fixture
def earlier_on_server(postgis_url) -> str:
    """The first tables that there were, on the server."""
    packed = (VERSIONS / f"{EARLIER[0]}.sql.gz").read_bytes()
    with psycopg.connect(postgis_url, autocommit=True) as connection:
        connection.execute(gzip.decompress(packed))
    return postgis_url


@pytest.mark.postgis
def test_of_two_who_upgrade_a_server_the_second_finds_it_done(earlier_on_server):
    done, threads = [], []

    def start_second(step, _done, _total):
        if step.startswith("Bring the tables"):
            second = threading.Thread(target=lambda: done.append(upgrade(earlier_on_server)))
            second.start()
            threads.append(second)

    first = upgrade(earlier_on_server, on_progress=start_second)
    threads[0].join(30)
    assert first == Upgraded("0001", newest_version())
    assert done == [Upgraded(newest_version(), newest_version())]
    assert check_integrity(earlier_on_server).is_sound


@pytest.mark.postgis
def test_an_upgrade_that_fails_leaves_the_server_as_it_was(earlier_on_server, monkeypatch):
    migrate_up = upkeep.migrate.upgrade

    def fail(connection, srid):
        migrate_up(connection, srid)
        raise RuntimeError("power cut")

    monkeypatch.setattr(upkeep.migrate, "upgrade", fail)
    with pytest.raises(RuntimeError, match="power cut"):
        upgrade(earlier_on_server)
    with psycopg.connect(earlier_on_server) as connection:
        asked = "SELECT version_num, to_regclass('loads') FROM alembic_version"
        assert connection.execute(asked).fetchall() == [("0001", None)]


def test_what_a_newer_release_made_is_not_touched(database):
    with database.writing("tables") as connection:
        connection.exec_driver_sql("UPDATE alembic_version SET version_num = '9999'")
    with pytest.raises(StoreError, match="a newer release made them"):
        upgrade(database.location)
    with database.writing("tables") as connection:
        said = connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar()
    assert said == "9999"


def test_space_is_given_back_and_nothing_else_changes(database, vaults):
    put(database, "vaults", vaults)
    put(database, "visits", many_visits(5_000))
    put(database, "visits", many_visits(1).assign(visit_id="kept", vault_id="V-2"))
    with database.writing() as connection:
        delete_rows(connection, "visits", {"vault_id": "V-1"})
    kept = read_table(database, "visits")
    database.close()
    before, after = compact(database.location)
    with open_database(database.location) as opened:
        if opened.is_embedded:
            assert after == Path(opened.location).stat().st_size < before / 2
        else:
            with opened.reading() as connection:
                counted = "SELECT reltuples FROM pg_class WHERE relname = 'visits'"
                assert connection.exec_driver_sql(counted).scalar() == 1
        pd.testing.assert_frame_equal(read_table(opened, "visits"), kept)
        assert read_table(opened, "vaults")["vault_id"].tolist() == vaults["vault_id"].tolist()
    assert check_integrity(database.location).is_sound


def test_a_database_that_is_read_is_not_compacted_below_the_reader(embedded, vaults, monkeypatch):
    put(embedded, "vaults", vaults)
    embedded.close()
    plain = upkeep.plain_connection
    monkeypatch.setattr(upkeep, "plain_connection", lambda path, _seconds=0.2: plain(path, 0.2))
    with embedded.reading() as reader:
        count = sa.select(sa.func.count()).select_from(embedded.tables["vaults"])
        assert reader.scalar(count) == 3
        with pytest.raises(StoreError, match="another program"):
            compact(embedded.location)
        assert reader.scalar(count) == 3
