"""The fleet in tiles: every placed vault once at every level, with the grade last seen."""

from __future__ import annotations

import shutil
import struct
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from vaultplan.schema import GRADES
from vaultplan.store.database import Database, open_database
from vaultplan.store.read import read_table
from vaultplan.store.write import upsert
from vaultplan.web import fleet_tiles
from vaultplan.web.fleet_tiles import POINTS, STEPS, SUMS, FleetTiles

from .conftest import Running


@pytest.fixture
def town(demo_file: Path, tmp_path: Path) -> Iterator[Database]:
    with open_database(str(shutil.copy(demo_file, tmp_path / "town.gpkg"))) as database:
        yield database


def unpacked(tile: bytes) -> tuple[int, dict[str, np.ndarray]]:
    if not tile:
        return 0, {}
    kind, count = struct.unpack_from("<BxxxI", tile)
    names = (
        (("number", "<u4", 1), ("place", "<u2", 2), ("grade", "u1", 1))
        if kind == POINTS
        else (("vaults", "<u4", 1), ("graded", "<u4", 1), ("dirty", "<u4", 1), ("place", "u1", 2))
    )
    at, found = 8, {}
    for name, kept, each in names:
        found[name] = np.frombuffer(tile, kept, count * each, at)
        at += found[name].nbytes
    assert at == len(tile)
    return kind, found


def all_tiles(tiles: FleetTiles, level: int) -> list[tuple[int, int, int, dict[str, np.ndarray]]]:
    n = range(2**level)
    return [(c, r, *unpacked(tiles.tile(level, c, r))) for c in n for r in n]


def test_every_vault_stands_once_at_every_level_where_it_is(town: Database):
    tiles = FleetTiles(town)
    fleet = tiles.fleet()
    vaults = read_table(town, "vaults", columns=["vault_id", "geometry"]).set_index("vault_id")
    inside = (
        (fleet.x >= fleet.west) & (fleet.x < fleet.west + fleet.side)
        & (fleet.y >= fleet.south) & (fleet.y < fleet.south + fleet.side)
    )  # fmt: skip
    for level in (0, 2, 3):
        side = fleet.side / 2**level
        numbers = []
        for column, row, kind, told in all_tiles(tiles, level):
            if not told:
                continue
            assert kind == POINTS
            numbers += told["number"].tolist()
            x, y = told["place"].reshape(-1, 2).T / STEPS * side
            shapes = vaults.geometry.loc[tiles.ids(told["number"].tolist())]
            left, low = fleet.west + column * side, fleet.south + row * side
            assert np.abs(shapes.x.to_numpy() - left - x).max() <= side / STEPS
            assert np.abs(shapes.y.to_numpy() - low - y).max() <= side / STEPS
        assert sorted(numbers) == np.flatnonzero(inside).tolist()


def test_grades_are_those_last_seen(town: Database):
    visits = read_table(town, "visits").dropna(subset=["grade"]).sort_values("visited_at")
    last = visits.drop_duplicates("vault_id", keep="last").set_index("vault_id")["grade"]
    fleet = FleetTiles(town).fleet()
    codes = {grade: 1 + number for number, grade in enumerate(GRADES)}
    wanted = [codes.get(last.get(vault, ""), 0) for vault in fleet.vault_ids]
    assert fleet.grade.tolist() == wanted and len(set(wanted)) == 4


def test_sums_from_afar_add_up(town: Database, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(fleet_tiles, "MOST_POINTS", 10)
    tiles = FleetTiles(town)
    near = FleetTiles(town)
    kinds, totals = set(), np.zeros(3, int)
    for _, _, kind, told in all_tiles(tiles, 1):
        if kind == SUMS:
            kinds.add(kind)
            totals += [int(told[name].sum()) for name in ("vaults", "graded", "dirty")]
    monkeypatch.setattr(fleet_tiles, "MOST_POINTS", 10**6)
    grade = np.concatenate([told["grade"] for *_, told in all_tiles(near, 1) if told])
    assert kinds == {SUMS}
    assert totals.tolist() == [len(grade), int((grade > 0).sum()), int((grade > 1).sum())]


def test_what_is_recorded_shows(board: Running):
    with board.client("planner") as client:
        csrf = client.get("/api/session").json()["csrf"]
        headers = {"x-csrf-token": csrf}
        kind, told = unpacked(client.get("/api/tiles/0/0/0").content)
        assert kind == POINTS
        ids = client.post(
            "/api/tiles/vaults", json={"numbers": told["number"][:50].tolist()}, headers=headers
        ).json()
        at = int(np.flatnonzero(told["grade"][:50] != 3)[0])
        result = {"vault_id": ids[at], "visited_at": "2026-11-03T09:30", "grade": "heavy"}
        sent = {"key": f"{7:032x}", "values": {**result, "finding": "wet", "depth_in": "9"}}
        answer = client.post("/api/results", json=sent, headers=headers).json()
        assert answer["was_new"], answer
        _, told = unpacked(client.get("/api/tiles/0/0/0").content)
        assert told["grade"][at] == 3


def test_tiles_that_are_none_are_not_found(board: Running):
    with board.client("reader") as client:
        for path in ("0/0/1", "15/0/0", "-1/0/0", "3/8/0", "3/0/8"):
            assert client.get(f"/api/tiles/{path}").status_code == 404
        assert client.get("/api/tiles/3/x/0").status_code == 422
        assert client.get("/api/streets/5/16/16").status_code == 200


def test_a_vault_lost_at_sea_does_not_make_the_map_small(town: Database):
    usual = FleetTiles(town).fleet().side
    lost = read_table(town, "vaults").head(1)
    lost = lost.set_geometry(lost.geometry.translate(1e6, 1e6))
    with town.writing() as connection:
        upsert(connection, "vaults", lost)
    fleet = FleetTiles(town).fleet()
    assert fleet.x.max() > fleet.west + 100 * fleet.side
    assert fleet.side == pytest.approx(usual, rel=0.1)
