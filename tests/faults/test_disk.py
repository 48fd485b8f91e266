"""Disks that fill up and places that may not be written, on both stores."""

from __future__ import annotations

import os
import shutil
import subprocess
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import psycopg
import pytest

from vaultplan.store.sealing import remove

from .forge import Forge
from .places import FilePlace, Place, ServerPlace, is_sound
from .state import fingerprint, state_of

NOBODY = 65534


@contextmanager
def small_disk(kib: int, owner: str = "root") -> Iterator[Path]:
    """A disk of that size; left out where none may be mounted."""
    folder = Path("/tmp") / f"vaultplan-disk-{uuid.uuid4().hex[:8]}"
    folder.mkdir(mode=0o755)
    options = f"size={kib}k,mode=0755"
    mount = ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(folder)]
    if subprocess.run(mount, check=False, capture_output=True).returncode:
        folder.rmdir()
        pytest.skip("no disk may be mounted here")
    try:
        shutil.chown(folder, owner)
        yield folder
    finally:
        subprocess.run(["umount", str(folder)], check=True)
        folder.rmdir()


def enlarge(folder: Path, kib: int) -> None:
    command = ["mount", "-o", f"remount,size={kib}k", str(folder)]
    subprocess.run(command, check=True)


@pytest.mark.parametrize("spare_kib", [8, 32, 64])
def test_a_file_on_a_full_disk_is_as_before(
    forge: Forge, file_place: FilePlace, files: Path, spare_kib: int
) -> None:
    held = Path(file_place.set_back("half"))
    size = held.stat().st_size // 1024
    with small_disk(size + spare_kib) as disk:
        location = str(shutil.copy(held, disk / "trial.gpkg"))
        job = {"do": "load", "location": location, "files": str(files.with_name("more"))}
        before = state_of(location)
        trial = forge.run(job)
        assert (trial.kind, "free some space" in trial.error) == ("StoreError", True), trial.error
        # With no space at all SQLite cannot even read what lies beside the file.
        enlarge(disk, 20_000)
        assert state_of(location) == before
        again = forge.run(job)
        assert again.status == 0, again.error
        assert state_of(location) != before
        is_sound(location)


@pytest.mark.postgis
def test_a_server_on_a_full_disk_is_as_before(
    forge: Forge, server_place: ServerPlace, files: Path
) -> None:
    with psycopg.connect(f"{server_place.server}/postgres") as connection:
        (data,) = connection.execute("SHOW data_directory").fetchone() or ("",)
    with small_disk(200_000, Path(data).owner()) as disk:
        server_place.run(f"CREATE TABLESPACE small LOCATION '{disk}'")
        try:
            server_place.set_back("half")
            server_place.run("DROP DATABASE trial")
            server_place.run("CREATE DATABASE trial TEMPLATE base_half TABLESPACE small")
            location = server_place.location
            before = state_of(location)
            used = shutil.disk_usage(disk).used // 1024
            enlarge(disk, used + 64)
            job = {"do": "load", "location": location, "files": str(files.with_name("more"))}
            trial = forge.run(job)
            told = (trial.kind, "free some space" in trial.error)
            assert told == ("StoreError", True), trial.error
            enlarge(disk, 200_000)
            assert state_of(location) == before
            again = forge.run(job)
            assert again.status == 0, again.error
            server_place.check()
            is_sound(location)
        finally:
            server_place.run("DROP DATABASE IF EXISTS trial WITH (FORCE)")
            server_place.run("DROP TABLESPACE small")


def test_a_forecast_for_a_full_disk_leaves_the_file_that_was_there(
    forge: Forge, file_place: FilePlace
) -> None:
    location = file_place.set_back("town")
    with small_disk(64) as disk:
        (disk / "water.csv").write_text("what was forecast the day before", encoding="utf-8")
        trial = forge.run({"do": "forecast", "location": location, "out": str(disk)})
        assert trial.kind == "OutputError", trial.error
        assert "water.csv cannot be written" in trial.error
        assert [path.name for path in disk.iterdir()] == ["water.csv"]
        assert (disk / "water.csv").read_text() == "what was forecast the day before"


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody else")
@pytest.mark.parametrize("do", ["load", "plan", "upgrade"])
def test_a_file_that_may_not_be_written_is_read_only_in_words(
    forge: Forge, file_place: FilePlace, files: Path, do: str
) -> None:
    held = Path(file_place.set_back("old" if do == "upgrade" else "town"))
    folder = Path("/tmp") / f"vaultplan-read-only-{uuid.uuid4().hex[:8]}"
    folder.mkdir()
    more = shutil.copytree(files.with_name("more"), folder / "more")
    path = Path(shutil.copy(held, folder / "trial.gpkg"))
    (folder / "out").mkdir(mode=0o777)
    (folder / "out").chmod(0o777)
    path.chmod(0o444)
    folder.chmod(0o555)
    try:
        before = fingerprint(path)
        job = {"do": do, "location": str(path), "files": str(more), "out": str(folder / "out")}
        trial = forge.run({**job, "user": NOBODY})
        assert trial.kind == "StoreError", (trial.kind, trial.error)
        refused = "it cannot be opened" if do == "upgrade" else "you may read but not change it"
        assert refused in trial.error
        assert fingerprint(path) == before
        left = sorted(part.name for part in folder.iterdir())
        assert left == ["more", "out", "trial.gpkg"]
    finally:
        folder.chmod(0o755)
        remove(path)
        shutil.rmtree(folder)


def test_two_places_do_not_share_a_file(place: Place) -> None:
    """The trials' own ground: setting back begins with what was kept, each time."""
    first = state_of(place.set_back("half"))
    assert state_of(place.set_back("town")) != first
    assert state_of(place.set_back("half")) == first
