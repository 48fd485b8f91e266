"""The little town on both stores, and a process that forks what is to be killed."""

from __future__ import annotations

import gzip
import shutil
from collections.abc import Iterator
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest

from vaultplan import loading
from vaultplan.store.database import open_database

from ..store.versions.little_town import cut
from .forge import Forge
from .places import FilePlace, Place, ServerPlace

CRS = "EPSG:32606"
NOW = pd.Timestamp("2026-10-30T20:00Z")
VERSIONS = Path(__file__).parents[1] / "store" / "versions"
OLDEST = "0001"


@pytest.fixture(scope="session")
def forge() -> Iterator[Forge]:
    """A process that has the program imported."""
    running = Forge()
    yield running
    running.close()


@pytest.fixture(scope="session")
def files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The little town's files; in ``more`` beside them what a later load brings."""
    folder = cut(tmp_path_factory.mktemp("faults") / "town")
    more = folder.with_name("more")
    more.mkdir()
    vaults = gpd.read_file(folder / "spatial.gpkg", layer="vaults")
    vaults["address"] = vaults["address"] + " (said anew)"
    vaults.to_file(more / "spatial.gpkg", layer="vaults", driver="GPKG")
    shutil.copy(folder / "visits.csv", more)
    return folder


def _fill(location: str, files: Path) -> None:
    loading.new(location, CRS, name="Saltmarrow", time_zone="Etc/GMT+10")
    loading.load(location, "all", files, now=NOW)


def _empty(location: str) -> None:
    """Take away what the load in ``more`` brings, all but a few rows."""
    with open_database(location) as database, database.writing() as connection:
        connection.exec_driver_sql("DELETE FROM visits WHERE visit_id > 'V0005'")


@pytest.fixture(scope="session")
def file_place(files: Path, tmp_path_factory: pytest.TempPathFactory) -> FilePlace:
    """An embedded file to work on."""
    place = FilePlace(tmp_path_factory.mktemp("place"))
    place.keep("town", lambda location: _fill(location, files))
    shutil.copy(place.folder / "town.gpkg", place.folder / "half.gpkg")
    _empty(str(place.folder / "half.gpkg"))
    old = gzip.decompress((VERSIONS / f"{OLDEST}.gpkg.gz").read_bytes())
    place.keep("old", lambda location: Path(location).write_bytes(old))
    return place


@pytest.fixture(scope="session")
def server_place(files: Path, postgis_server: str) -> ServerPlace:
    """A database on the session's server to work on."""
    import psycopg

    place = ServerPlace(postgis_server, "vaultplan")
    place.keep("town", lambda location: _fill(location, files))
    place.run("CREATE DATABASE base_half TEMPLATE base_town")
    _empty(f"{postgis_server}/base_half")
    old = gzip.decompress((VERSIONS / f"{OLDEST}.sql.gz").read_bytes())

    def make_old(location: str) -> None:
        with psycopg.connect(location, autocommit=True) as connection:
            connection.execute(old)

    place.keep("old", make_old)
    return place


@pytest.fixture(params=["embedded", pytest.param("postgis", marks=pytest.mark.postgis)])
def place(request: pytest.FixtureRequest) -> Place:
    """A database to work on, on each store in turn."""
    embedded = request.param == "embedded"
    return request.getfixturevalue("file_place" if embedded else "server_place")
