"""The fleet on a map: tiles from the store, drawn by the browser, with no network behind it."""

from __future__ import annotations

import math
from typing import Any, Final

import geopandas as gpd
from fastapi import FastAPI, HTTPException, Request
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel, Field

from vaultplan.geometry import feet_per_unit
from vaultplan.store.read import read_table
from vaultplan.styles import GRADE_COLOURS, GRADE_ORDER
from vaultplan.web.board import Board
from vaultplan.web.fleet_tiles import MOST_LEVEL
from vaultplan.web.guard import check_csrf

#: Streets are drawn in tiles that are no wider than this; there a window holds few enough.
_STREETS_FT: Final = 8_000.0
_MOST_STREETS: Final = 20_000


class Numbers(BaseModel):
    """Vaults by their numbers in tiles."""

    numbers: list[int] = Field(min_length=1, max_length=50)


def map_pages(app: FastAPI, board: Board) -> None:
    """Add the map and its tiles."""
    tiles, database = board.tiles, board.data.database
    foot = feet_per_unit(gpd.GeoSeries([], crs=database.crs))

    @app.get("/map", include_in_schema=False)
    def whole(request: Request) -> Response:
        session = board.person(request)
        fleet = tiles.fleet()
        colours = [{"grade": grade, "colour": GRADE_COLOURS[grade]} for grade in GRADE_ORDER]
        return board.show(
            request, "map.html", session, count=len(fleet.vault_ids), colours=colours,
            side_ft=fleet.side * foot, most_level=MOST_LEVEL, street_level=street_level(),
        )  # fmt: skip

    def street_level() -> int:
        return max(0, math.ceil(math.log2(tiles.fleet().side * foot / _STREETS_FT)))

    @app.get("/api/tiles/{level}/{column}/{row}", responses={401: {}, 403: {}, 404: {}})
    def tile(request: Request, level: int, column: int, row: int) -> Response:
        """Return a tile of the fleet as packed arrays; empty beside the fleet."""
        board.person(request)
        _check(level, column, row)
        return Response(tiles.tile(level, column, row), media_type="application/octet-stream")

    @app.get("/api/streets/{level}/{column}/{row}", responses={401: {}, 403: {}, 404: {}})
    def streets(request: Request, level: int, column: int, row: int) -> Response:
        """Return the streets of a tile as lists of x, y in 65,535 steps of its side."""
        board.person(request)
        _check(level, column, row)
        if level < street_level():
            return JSONResponse([])
        fleet = tiles.fleet()
        side = fleet.side / 2**level
        west, south = fleet.west + column * side, fleet.south + row * side
        box = (west, south, west + side, south + side)
        roads: Any = read_table(database, "roads", bbox=box, columns=["road_id", "geometry"])
        lines = []
        for shape in roads.geometry.head(_MOST_STREETS):
            flat = []
            for x, y in shape.coords:
                flat += [round((x - west) / side * 65_535), round((y - south) / side * 65_535)]
            lines.append(flat)
        return JSONResponse(lines)

    @app.post("/api/tiles/vaults", responses={401: {}, 403: {}})
    def named(request: Request, asked: Numbers) -> list[str]:
        """Return the ids of vaults by their numbers in tiles. Needs the session's token."""
        session = board.person(request)
        check_csrf(session, request.headers.get("x-csrf-token", ""))
        return tiles.ids(asked.numbers)


def _check(level: int, column: int, row: int) -> None:
    if not (0 <= level <= MOST_LEVEL and 0 <= column < 2**level and 0 <= row < 2**level):
        raise HTTPException(404, "there is no such tile")
