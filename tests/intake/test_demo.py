"""The demo's own files pass intake whole, and its known gaps are found."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from vaultplan.intake import check_frames, count_rows, layers_of, preview, read_table
from vaultplan.schema import LOADABLE, table

DEMO = Path(__file__).parents[2] / "data" / "demo"
SPATIAL = DEMO / "spatial.gpkg"

pytestmark = pytest.mark.skipif(not SPATIAL.exists(), reason="the demo has not been made")


def file_of(name: str) -> Path:
    return SPATIAL if name in layers_of(SPATIAL) else DEMO / f"{name}.csv"


@pytest.fixture(scope="module")
def frames() -> dict[str, pd.DataFrame]:
    known: dict[str, pd.Series] = {}
    found = {}
    for name in LOADABLE:
        parts = read_table(name, file_of(name), crs="EPSG:32606", known=known)
        found[name] = pd.concat(list(parts), ignore_index=True)
        for key in table(name).key:
            known[f"{name}.{key}"] = found[name][key]
    return found


@pytest.mark.parametrize("name", LOADABLE)
def test_every_row_and_column_of_every_table(frames, name):
    path = file_of(name)
    layer = name if path == SPATIAL else None
    assert len(frames[name]) == count_rows(path, layer=layer) > 0
    assert preview(name, path).unused == ()
    pd.testing.assert_frame_equal(frames[name], table(name).conform(frames[name]))


def test_the_demo_lies_in_the_open_sea(frames):
    west, south, east, north = frames["vaults"].to_crs(4326).total_bounds
    assert -148 < west < east < -146
    assert 37 < south < north < 39


def test_the_demo_has_no_impossible_rows_but_honest_gaps(frames):
    report = check_frames(frames)
    findings = set(report["finding"])
    assert not any(finding.startswith("not ") for finding in findings)
    assert "key stands in an earlier row too" not in findings
    assert {"blank", "never visited", "no full set of inside dimensions"} <= findings
