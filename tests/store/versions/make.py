"""Makes a small database of an earlier table version, for the test that brings it up to date.

    python -m tests.store.versions.make 0005

Two files are written beside this one: ``0005.gpkg.gz``, a GeoPackage made by the store's own
migrations up to that version, and ``0005.sql.gz``, what ``pg_dump`` says of the same on PostGIS.
They are made once, while the version is the newest or when the next one is begun, and then stay:
a database in the field does not change either.

The rows are the little town's, loaded and planned by today's program; of each table those columns
are kept that it had at the time. Tables that stay empty so get a row made up from their columns.
"""

from __future__ import annotations

import gzip
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import sqlalchemy as sa
from shapely import Point, from_wkt

from vaultplan import loading, pipeline
from vaultplan.columns import Column, Table
from vaultplan.schema import STORED, TABLES
from vaultplan.settings import Settings, load_settings
from vaultplan.store.connect import file_engine, server_engine
from vaultplan.store.database import open_database
from vaultplan.store.frames import csv_bytes, sqlite_rows
from vaultplan.store.geopackage import DIALECT
from vaultplan.store.geopackage_meta import create_own_tables, note_changes
from vaultplan.store.migrate import upgrade
from vaultplan.store.read import read_table
from vaultplan.store.sealing import seal
from vaultplan.store.transaction import driver_of, transaction
from vaultplan.styles import LAYER_STYLES, write_layer_styles

from .little_town import cut

HERE = Path(__file__).parent
ROOT = HERE.parents[2]
SRID = 32606
FACTS = {"name": "Saltmarrow", "crs": f"EPSG:{SRID}", "time_zone": "Etc/GMT+10"}
NOW = pd.Timestamp("2026-10-30T20:00Z")
MEANT = "made up so that no table is empty"


def settings() -> Settings:
    """The demo's settings with a solver that stops by iterations."""
    read = load_settings(pipeline.demo_folder() / "vaultplan.toml")
    return read.model_copy(update={"schedule": read.schedule.model_copy(update={"iterations": 25})})


def rows_of_today(folder: Path) -> dict[str, pd.DataFrame]:
    """Every table of the little town, loaded and planned, none of them empty."""
    location = str(folder / "today.gpkg")
    loading.new(location, FACTS["crs"], name=FACTS["name"], time_zone=FACTS["time_zone"])
    loading.load(location, "all", cut(folder / "files"), now=NOW)
    pipeline.plan(location, out=folder / "out", settings=settings(), made_at=NOW)
    with open_database(location) as database:
        frames = {name: read_table(database, name) for name in STORED if name != "project"}
    return {name: frame if len(frame) else made_up(TABLES[name]) for name, frame in frames.items()}


def made_up(declared: Table) -> pd.DataFrame:
    """One row of a table, a value in every column."""
    values = {column.name: [_value(column)] for column in declared.columns}
    if declared.geometry is None:
        return declared.conform(pd.DataFrame(values))
    return declared.conform(gpd.GeoDataFrame(values, crs=f"EPSG:{SRID}"))


def _value(column: Column) -> Any:
    if column.type == "geometry":
        return (
            Point(500000, 4207000) if column.shape == "POINT" else from_wkt(f"{column.shape} EMPTY")
        )
    if column.allowed:
        return column.allowed[0]
    of_types: Mapping[str, Any] = {
        "integer": 1,
        "real": 0.5,
        "boolean": True,
        "date": pd.Timestamp("2026-10-30"),
        "time": NOW,
        "clock": "07:30",
    }
    return of_types.get(column.type, MEANT)


def fill(connection: sa.Connection, frames: Mapping[str, pd.DataFrame]) -> None:
    """Put rows into the tables that are there, as far as these have the columns."""
    look = sa.inspect(connection)
    for name in sorted(set(look.get_table_names()) & set(STORED)):
        there = {column["name"] for column in look.get_columns(name)}
        columns = [column for column in TABLES[name].columns if column.name in there]
        names = ", ".join(f'"{column.name}"' for column in columns)
        driver: Any = connection.connection.driver_connection
        frame = frames[name].head(1000)
        if connection.dialect.name == DIALECT:
            marks = ", ".join("?" * len(columns))
            put = f'INSERT INTO "{name}" ({names}) VALUES ({marks})'
            driver.executemany(put, sqlite_rows(frame, columns, SRID))
        else:
            copy_in = f'COPY "{name}" ({names}) FROM STDIN (FORMAT csv)'
            with driver.cursor() as cursor, cursor.copy(copy_in) as copy:
                copy.write(csv_bytes(frame, columns, SRID))


def make_file(version: str, frames: Mapping[str, pd.DataFrame], path: Path) -> None:
    """Write a GeoPackage of that version."""
    engine = file_engine(path, 5)
    with transaction(engine, "tables") as connection:
        create_own_tables(connection, SRID)
        upgrade(connection, SRID, version)
        layers = {
            name for (name,) in connection.exec_driver_sql("SELECT table_name FROM gpkg_contents")
        }
        styles = {name: style for name, style in LAYER_STYLES.items() if name in layers}
        write_layer_styles(driver_of(connection), styles)
        fill(connection, frames)
        note_changes(connection, layers)
    engine.dispose()
    seal(path)


def make_dump(version: str, frames: Mapping[str, pd.DataFrame], url: str) -> bytes:
    """Return what ``pg_dump`` says of a PostGIS database of that version."""
    engine = server_engine(url, 5)
    with transaction(engine, "tables") as connection:
        connection.exec_driver_sql("CREATE EXTENSION IF NOT EXISTS postgis")
        upgrade(connection, SRID, version)
        fill(connection, frames)
    engine.dispose()
    options = ("--no-owner", "--no-privileges", "--no-comments", "--rows-per-insert=200")
    told = subprocess.run(["pg_dump", *options, url], check=True, capture_output=True).stdout
    # Lines for psql alone, and remarks.
    plain = [line for line in told.splitlines() if not line.startswith((b"\\", b"--"))]
    return b"\n".join(line for line in plain if line) + b"\n"


def main(versions: list[str]) -> None:
    """Make the files of the versions named."""
    server = subprocess.Popen(
        [sys.executable, ROOT / "scripts" / "postgis", "--no-fsync"],
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert server.stdout is not None
        url = server.stdout.readline().strip()
        with tempfile.TemporaryDirectory() as place:
            folder = Path(place)
            facts = pd.DataFrame({"fact": list(FACTS), "value": list(FACTS.values())})
            frames = {**rows_of_today(folder), "project": facts}
            for version in versions:
                path = folder / f"{version}.gpkg"
                make_file(version, frames, path)
                own = f"{url.rsplit('/', 1)[0]}/v{version}"
                with sa.create_engine(
                    sa.make_url(url).set(drivername="postgresql+psycopg"),
                    isolation_level="AUTOCOMMIT",
                ).connect() as connection:
                    connection.exec_driver_sql(f"CREATE DATABASE v{version}")
                dump = make_dump(version, frames, own)
                for name, content in (
                    (f"{version}.gpkg", path.read_bytes()),
                    (f"{version}.sql", dump),
                ):
                    (HERE / f"{name}.gz").write_bytes(gzip.compress(content, 9, mtime=0))
    finally:
        server.terminate()
        server.communicate(timeout=60)


if __name__ == "__main__":
    main(sys.argv[1:])
