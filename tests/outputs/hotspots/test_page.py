"""The page on hot spots: what it says, draws and keeps out."""

from __future__ import annotations

import base64
import re
from pathlib import Path
from xml.etree import ElementTree

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely.geometry import Point, box

from vaultplan.errors import OutputError
from vaultplan.outputs.drawn.scene import scene_of
from vaultplan.outputs.hotspots.facts import HotSpotFacts
from vaultplan.outputs.hotspots.map import fleet_map, spot_map, state_mark
from vaultplan.outputs.hotspots.page import MOST_SHOWN, write_hot_spot_page
from vaultplan.schema import table

CRS = "EPSG:32606"


def facts(**more) -> HotSpotFacts:
    usual = {
        "name": "Saltmarrow (invented)", "by": "vault", "along": "straight", "since": None,
        "until": pd.Timestamp("2025-06-30"), "heavy_only": False, "looks": 1234,
        "permutations": 999, "seed": 1, "together": 0.3, "reach_ft": 1500.0, "rate": 0.05,
    }  # fmt: skip
    return HotSpotFacts(**{**usual, **more})


@pytest.fixture
def frames() -> dict[str, pd.DataFrame]:
    """Twenty hot vaults in a row, twenty not hot, ten not known; one hot spot of two seasons."""
    state = ["hot"] * 20 + ["not_hot"] * 20 + ["not_known"] * 10
    places = gpd.GeoDataFrame(
        {"vault_id": [f"V{n}" for n in range(50)], "state": state,
         "cluster": [0] * 20 + [-1] * 30},
        geometry=[Point(500_000 + 20 * n, 4_200_000) for n in range(50)], crs=CRS,
    )  # fmt: skip
    cells = gpd.GeoDataFrame(
        {"state": ["many_hot", "none_hot", "not_known", "some_hot"]},
        geometry=[
            box(500_000 + 250 * n, 4_200_000, 500_240 + 250 * n, 4_200_200) for n in range(4)
        ],
        crs=CRS,
    )
    cluster = {
        "cluster": 0, "vault_count": 20, "looked_vaults": 18, "looks": 60, "dirty_looks": 50,
        "expected_looks": 20.0, "ratio": 2.5, "random_maps_frac": 0.001, "by_year": "",
        "by_quarter": "", "example": "V0 <script>", "causes": "lid slotted (+0.40)",
    }  # fmt: skip
    seasons = pd.DataFrame(
        {"cluster": 0, "year": [2024, 2025], "quarter": [1, 3], "looks": [30, 30],
         "dirty_looks": [28, 11], "expected_looks": [10.0, 10.0]}
    )  # fmt: skip
    empty = {
        name: table(name).empty(CRS) for name in ("roads", "receiving_waters", "backdrop", "inlets")
    }
    return {
        **empty,
        "vaults": places,
        "places": places,
        "cells": cells,
        "clusters": pd.DataFrame([cluster]),
        "seasons": seasons,
    }


def written(frames, tmp_path: Path, **more) -> str:
    write_hot_spot_page(tmp_path / "hot.html", facts(**more), frames)
    return (tmp_path / "hot.html").read_text(encoding="utf-8")


def test_it_says_what_is_hot_and_what_nobody_knows(frames, tmp_path):
    page = written(frames, tmp_path)
    text = " ".join(re.sub(r"<[^>]+>", " ", page).split())
    for words in (
        "20 of 50 vaults are hot, in 1 hot spots",
        "Of 10 vaults nobody knows",
        "That is not clean",
        "50 of 60 looks dirty, 20.0 expected: 2.5 times",
        "None of 999 random maps are as strong",
        "28 of 30 10.0 expected",
        "nobody looked",
        "graded visits until 2025-06-30",
        "not an entry permit",
        "Invented data",
    ):
        assert words in text, words
    assert "<script>" not in page
    assert "V0 &lt;script&gt;" in page
    assert 'class="much"' in page and 'class="usual"' in page
    assert page.count('class="nobody"') == 6


def test_its_pictures_can_be_read_and_need_nothing_else(frames, tmp_path):
    page = written(frames, tmp_path)
    pictures = re.findall(r'src="data:image/svg\+xml;base64,([^"]+)" alt="([^"]+)"', page)
    assert len(pictures) == 2
    for picture, alt in pictures:
        assert alt
        ElementTree.fromstring(base64.b64decode(picture))
    assert "http://" not in re.sub(r"base64,[^\"]+", "", page)


def test_the_states_of_a_place_look_different():
    marks = {state: state_mark(state, 5, 5, 4) for state in ("hot", "not_hot", "not_known")}
    assert "<path" in marks["hot"] and "<circle" in marks["not_hot"]
    assert "dasharray" in marks["not_known"] and "dasharray" not in marks["not_hot"]


def test_the_fleet_shows_hatched_what_is_not_known(frames):
    drawn = fleet_map(scene_of(frames), frames["cells"])
    assert drawn.count('fill="url(#unknown)"') == 1
    without = frames["cells"][frames["cells"]["state"].ne("not_known")]
    assert 'fill="url(#unknown)"' not in fleet_map(scene_of(frames), without)
    assert fleet_map(scene_of(frames), frames["cells"].iloc[:0]) == ""


def test_a_hot_spot_of_thousands_is_thinned_and_no_part_is_left_bare(frames):
    count = 6000
    rng = np.random.default_rng(1)
    places = gpd.GeoDataFrame(
        {"state": "hot", "cluster": 0},
        index=range(count),
        geometry=gpd.points_from_xy(*(rng.random((2, count)) * 1000 + 500_000)),
        crs=CRS,
    )
    drawn = spot_map(scene_of(frames), places, 0)
    marks = re.findall(r'<path d="M([0-9.]+) [^"]+Z" fill="#4F2F7F"', drawn)
    assert 600 <= len(marks) <= 1200
    assert np.ptp([float(x) for x in marks]) > 130


def test_more_hot_spots_than_have_a_map_stand_in_a_table(frames, tmp_path):
    many = pd.concat([frames["clusters"]] * (MOST_SHOWN + 3), ignore_index=True)
    page = written({**frames, "clusters": many}, tmp_path)
    assert page.count('class="spot"') == MOST_SHOWN
    assert "Other hot spots" in page
    assert page.count("<td>lid slotted (+0.40)</td>") == 3


def test_nothing_found_is_said(frames, tmp_path):
    none = {**frames, "clusters": frames["clusters"].iloc[:0]}
    assert "None was found." in written(none, tmp_path, by="outfall")
    with pytest.raises(OutputError, match="there is no folder"):
        write_hot_spot_page(tmp_path / "no" / "hot.html", facts(), frames)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"by": "hex"}, "Hexes that touch"),
        ({"by": "outfall"}, "Outfalls have no neighbours"),
        ({"along": "streets"}, "along the streets"),
        ({"along": "drains"}, "along the drain pipes"),
    ],
)
def test_it_says_what_neighbours_are(frames, tmp_path, more, words):
    assert words in written(frames, tmp_path, **more)
