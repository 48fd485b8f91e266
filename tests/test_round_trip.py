"""What is exported loads again, and exported again it is the same, byte for byte."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator, Mapping
from itertools import cycle, islice
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from vaultplan import loading, schema, sources
from vaultplan.columns import Column, Table
from vaultplan.outputs.export import write_export, write_export_folder
from vaultplan.store.database import open_database
from vaultplan.store.read import read_table
from vaultplan.store.write import upsert

CRS = "EPSG:32606"
TIME_ZONE = "Etc/GMT+10"
TABLES = schema.LOADABLE
ROWS = 36

TEXTS = (
    *("plain", "with, comma", 'said "wait"', '"', '""', '","', "two\nlines", "two\r\nlines"),
    *("one\rreturn", "a\ttab", "semi;colon", "pipe|d", "back\\slash", "it's", "'t Hof", "''"),
    *(
        "Ölmühle Łódź",
        "東京の井戸",
        "🌊 deep",
        "e\u0301 not é",
        "007",
        "1e5",
        "NaN",
        "None",
        "NULL",
    ),
    *("true", "#N/A", "<b>&amp;</b>", "{x} %s", "a\u2028b", "x" * 5000, None),
)
FORMULAS = (
    *("=1+1", "=cmd|' /C calc'!A0", "+1 907 555 0100", "-5", "-", "@home", "'=1+1", "''=1+1"),
    *("'-5", "＝1", "'＠x", '=a,"b"\nc', None),  # noqa: RUF001
)
#: Ids hold no line breaks; they are made different by a number behind them.
IDS = ("K", "K,", 'K"', "Kö", "K;", "K ", "0", "'K")
REALS = (
    *(0.1 + 0.2, 1 / 3, 5e-324, 2.2250738585072014e-308, 1.7976931348623157e308, -0.0, 0.0),
    *(123456789.12345679, 1e22, 1e-7, 1e16, 9007199254740993.0, 4.35, 1e5, 2.5, None),
)
KEYS = tuple(
    f"{mark}{row:02}" for mark, row in zip(islice(cycle(IDS), ROWS), range(ROWS), strict=True)
)
INTEGERS = (0, 1, 7, 999_999_999_999_999, None)
BOOLEANS = (True, False, None)
DATES = ("0001-01-01", "1582-10-15", "1899-12-31", "2000-02-29", "9999-12-31", None)
TIMES = (
    *("0001-01-01T00:00:00Z", "1969-12-31T23:59:58.999Z", "2026-03-08T12:30:00Z"),
    *("2026-11-01T08:59:59.001Z", "2262-04-12T00:00:00.5Z", "9999-12-31T23:59:59.999Z", None),
)
#: No visit is yet to come, and no vault is as small as an atom: such rows would be set aside.
PLAUSIBLE: dict[str, tuple[object, ...]] = {
    "visits.visited_at": (*TIMES[:2], "2024-03-10T12:30:00Z", "2023-11-05T08:59:59.001Z"),
    "vaults.length_ft": (10 + 1 / 3, 9.000000000000002, 10.1, None),
    "vaults.width_ft": (6 + 1 / 3, 5.999999999999999, 6.1, None),
    "vaults.depth_ft": (7 + 1 / 3, 7.000000000000001, 8.0, None),
}
CLOCKS = ("00:00", "07:30", "23:59", None)


def _shapes(kind: str) -> Iterator[Any]:
    """Shapes near the town, every coordinate of a double's full length, no two alike."""
    draw = np.random.default_rng(7)
    while True:
        x, y = 500_000 + draw.uniform(-900, 900), 4_206_000 + draw.uniform(-900, 900)
        ring = shapely.box(x, y, x + 31 / 3, y + 31 / 7)
        holed = ring.difference(shapely.box(x + 1 / 3, y + 1 / 7, x + 4 / 3, y + 8 / 7))
        away = shapely.Polygon([(x + 20, y), (x + 20 + 1 / 3, y), (x + 20, y + 1 / 9)])
        line = shapely.LineString([(x, y), (x + 1 / 3, y), (x + 2 / 3, y + 1e-9), (x, y + 5)])
        made = {
            "POINT": [shapely.Point(x, y)],
            "LINESTRING": [line],
            "MULTIPOLYGON": [
                shapely.MultiPolygon([holed]),
                shapely.MultiPolygon([holed, away]),
                shapely.MultiPolygon([away]),
            ],
        }
        mixed = [*made["POINT"], line, holed, *made["MULTIPOLYGON"]]
        mixed += [shapely.MultiLineString([line.coords, [(x, y), (x - 1, y)]])]
        mixed += [shapely.MultiPoint([(x, y), (y / 9, x * 9)])]
        mixed += [shapely.GeometryCollection([shapely.Point(x, y), line, away])]
        yield from made.get(kind, mixed)


def _values(column: Column, texts: tuple[str | None, ...]) -> tuple[object, ...]:
    if column.allowed:
        several = (";".join(column.allowed),) if column.type == "words" else ()
        return (*column.allowed, *several, None)
    given: dict[str, tuple[object, ...]] = {
        "text": texts,
        "words": (*(text and text.replace(";", ":") for text in texts), "a;b", "ü;-x;=y"),
        "clock": CLOCKS,
        "integer": INTEGERS,
        "real": REALS,
        "boolean": BOOLEANS,
        "date": DATES,
        "time": TIMES,
    }
    values = given[column.type]
    if column.most is not None:
        values = tuple(value for value in values if value is None or value <= column.most)
    if column.least is not None:
        values = tuple(value for value in values if value is None or value >= column.least)
    elif column.type == "real":
        values += (-1 / 3, -1e-300)
    return values


def _nasty(name: str, texts: tuple[str | None, ...]) -> pd.DataFrame:
    """Rows of a table whose every column goes through all the values that could go wrong."""
    declared = schema.table(name)
    data: dict[str, list[object]] = {}
    for place, column in enumerate(declared.columns):
        if column.type == "geometry":
            data["geometry"] = list(islice(_shapes(column.shape), ROWS))
        elif column.name in declared.key and column.type == "text":
            data[column.name] = list(KEYS)
        elif column.refers_to.startswith(f"{name}."):
            data[column.name] = [None] * ROWS
        elif column.refers_to:
            data[column.name] = list(KEYS[::-1])
        else:
            values = PLAUSIBLE.get(f"{name}.{column.name}") or _values(column, texts)
            values = tuple(v for v in values if v is not None) if column.required else values
            data[column.name] = list(islice(cycle(values[place % 3 :] + values[: place % 3]), ROWS))
    return _in_shape(declared, data)


def _in_shape(declared: Table, data: Mapping[str, list[object]]) -> pd.DataFrame:
    columns = {name: pd.Series(values, dtype=object) for name, values in data.items()}
    for column in declared.columns:
        if column.type == "time":
            moments = [pd.Timestamp(v).as_unit("ms") if v else pd.NaT for v in data[column.name]]
            columns[column.name] = pd.Series(moments, dtype="datetime64[ms, UTC]")
        elif column.type == "date":
            days = np.array([v or "NaT" for v in data[column.name]], dtype="datetime64[s]")
            columns[column.name] = pd.Series(days)
    frame = pd.DataFrame(columns)
    if declared.geometry is not None:
        frame = gpd.GeoDataFrame(frame, geometry="geometry", crs=CRS)
    return declared.conform(frame)


def _store(location: str, frames: Mapping[str, pd.DataFrame]) -> None:
    with open_database(location) as database, database.writing() as connection:
        for name, frame in frames.items():
            upsert(connection, name, frame)


def _held(location: str) -> dict[str, pd.DataFrame]:
    with open_database(location) as database:
        return {name: read_table(database, name) for name in TABLES}


def _bytes(paths: tuple[Path, ...]) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in paths}


@pytest.fixture
def fresh(made_file: Path, tmp_path: Path) -> Callable[[], str]:
    """Gives another new, empty database at every call."""
    numbers = iter(range(100))
    return lambda: str(shutil.copy(made_file, tmp_path / f"fresh{next(numbers)}.gpkg"))


@pytest.fixture(scope="module")
def demo_frames(demo_file: Path) -> dict[str, pd.DataFrame]:
    """Every table of the demo as the store holds it."""
    return _held(str(demo_file))


@pytest.fixture(scope="module")
def nasty_frames() -> dict[str, pd.DataFrame]:
    """Every table with nasty rows; what refers to another table finds its rows there."""
    return {name: _nasty(name, TEXTS) for name in TABLES}


def _load(location: str, name: str, written: tuple[Path, ...]) -> pd.DataFrame:
    """Load one table from what was exported; return it as the store holds it then."""
    path, *column_map = written
    loading.load(location, name, path, column_map=column_map[0] if column_map else None)
    with open_database(location) as database:
        return read_table(database, name)


def _referred_to(name: str, frames: Mapping[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """The tables that must be there before this one can be loaded."""
    targets = {c.refers_to.partition(".")[0] for c in schema.table(name).columns if c.refers_to}
    return {target: frames[target] for target in sorted(targets - {name})}


def _goes_round(
    location: str, frames: Mapping[str, pd.DataFrame], folder: Path, ending: str
) -> None:
    """Assert that exported rows, loaded, are the same rows and give the same bytes."""
    for name in (name for name in sources.load_order() if name in frames):
        first, second = folder / "first" / name, folder / "second" / name
        first.mkdir(parents=True)
        second.mkdir(parents=True)
        written = write_export(frames[name], name, first / f"{name}{ending}")
        again = _load(location, name, written)
        expected = frames[name].sort_values(list(schema.table(name).key), ignore_index=True)
        for column in expected.columns:
            assert again[column].equals(expected[column]), f"{name}.{column}"
        rewritten = write_export(again, name, second / f"{name}{ending}")
        assert _bytes(rewritten) == _bytes(written), name


@pytest.mark.parametrize("ending", [".csv", ".gpkg", ".parquet"])
def test_every_table_of_the_demo_comes_back_byte_for_byte(
    demo_frames: dict[str, pd.DataFrame], fresh: Callable[[], str], tmp_path: Path, ending: str
) -> None:
    assert all(len(frame) for frame in demo_frames.values())
    _goes_round(fresh(), demo_frames, tmp_path, ending)


@pytest.mark.parametrize("ending", [".csv", ".gpkg", ".parquet"])
def test_the_nastiest_rows_of_every_table_come_back_byte_for_byte(
    nasty_frames: dict[str, pd.DataFrame], fresh: Callable[[], str], tmp_path: Path, ending: str
) -> None:
    source = fresh()
    _store(source, nasty_frames)
    held = _held(source)
    assert all(len(frame) == ROWS for frame in held.values())
    _goes_round(fresh(), held, tmp_path, ending)


@pytest.mark.parametrize("ending", [".csv", ".gpkg", ".parquet"])
def test_text_like_formulas_comes_back_byte_for_byte(
    fresh: Callable[[], str], tmp_path: Path, ending: str
) -> None:
    source = fresh()
    _store(source, {name: _nasty(name, FORMULAS) for name in TABLES})
    _goes_round(fresh(), _held(source), tmp_path, ending)


@pytest.mark.parametrize("ending", [".csv", ".gpkg", ".parquet"])
def test_empty_tables_come_back_byte_for_byte(
    fresh: Callable[[], str], tmp_path: Path, ending: str
) -> None:
    frames = {name: schema.table(name).empty(CRS) for name in TABLES}
    _goes_round(fresh(), frames, tmp_path, ending)


def test_a_folder_fills_either_store_and_comes_back_byte_for_byte(
    nasty_frames: dict[str, pd.DataFrame], fresh: Callable[[], str], tmp_path: Path, location: str
) -> None:
    source = fresh()
    full = [name for name in TABLES if name not in ("backdrop", "overrides")]
    _store(source, {name: nasty_frames[name] for name in full})
    first, second = tmp_path / "first", tmp_path / "second"
    first.mkdir()
    second.mkdir()
    written = write_export_folder(_held(source), first)
    loading.new(location, CRS, time_zone=TIME_ZONE)
    loading.load(location, "all", first)
    held = _held(location)
    assert {name: len(frame) for name, frame in held.items()} == {
        name: ROWS if name in full else 0 for name in TABLES
    }
    assert _bytes(write_export_folder(held, second)) == _bytes(written)


def test_both_stores_export_the_demo_alike(
    demo_frames: dict[str, pd.DataFrame], town: str, tmp_path: Path
) -> None:
    first, second = tmp_path / "first", tmp_path / "second"
    first.mkdir()
    second.mkdir()
    written = write_export_folder(demo_frames, first)
    assert _bytes(write_export_folder(_held(town), second)) == _bytes(written)


@pytest.mark.parametrize("ending", [".csv", ".gpkg"])
def test_loading_takes_blanks_around_text_away_and_nothing_else(
    nasty_frames: dict[str, pd.DataFrame], fresh: Callable[[], str], tmp_path: Path, ending: str
) -> None:
    padded = [" in front", "behind \t", "\u00a0both\u3000", "   ", "", "a  b", " 'q' ", "\t=1 "]
    tidied = ["in front", "behind", "both", None, None, "a  b", "'q'", "=1"]
    frame = nasty_frames["visits"].sort_values("visit_id", ignore_index=True).head(len(padded))
    frame = frame.assign(notes=padded, crew=padded[::-1])
    source = fresh()
    _store(source, {"visits": frame})
    stored = _held(source)["visits"]
    assert stored["notes"].tolist() == padded
    targets = [fresh(), fresh()]
    for target in targets:
        _store(target, _referred_to("visits", nasty_frames))
    once = _load(targets[0], "visits", write_export(stored, "visits", tmp_path / f"first{ending}"))
    expected = stored.assign(notes=pd.Series(tidied, dtype="str"))
    expected["crew"] = pd.Series(tidied[::-1], dtype="str")
    pd.testing.assert_frame_equal(once, expected)
    second = tmp_path / f"second{ending}"
    twice = _load(targets[1], "visits", write_export(once, "visits", second))
    write_export(twice, "visits", tmp_path / f"third{ending}")
    assert (tmp_path / f"third{ending}").read_bytes() == second.read_bytes()
