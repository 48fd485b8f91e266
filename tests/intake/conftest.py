"""Small files as a utility might export them, all invented."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
from shapely import Point

from vaultplan.errors import BadRow, BadRowsError
from vaultplan.intake import read_table

CRS = "EPSG:32606"

Write = Callable[..., Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    """Return a function that writes text or bytes to a named file."""

    def put(name: str, content: str | bytes, encoding: str = "utf-8") -> Path:
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode(encoding))
        return path

    return put


@pytest.fixture
def vaults() -> gpd.GeoDataFrame:
    """Return three vaults of Saltmarrow."""
    return gpd.GeoDataFrame(
        {
            "vault_id": ["001", "002", "003"],
            "kind": ["vault", "manhole", None],
            "depth_ft": [8.0, 6.5, None],
            "has_irrigation": ["yes", None, "no"],
            "water_table_ft": [12.0, None, 3.0],
        },
        geometry=[Point(500_000, 4_206_000), Point(500_100, 4_206_000), Point(500_200, 4_206_050)],
        crs=CRS,
    )


@pytest.fixture
def load() -> Callable[..., pd.DataFrame]:
    """Return a function that reads a whole file into one frame."""

    def read(name: str, path: Path, **options: object) -> pd.DataFrame:
        options.setdefault("crs", CRS)
        return pd.concat(list(read_table(name, path, **options)), ignore_index=True)

    return read


@pytest.fixture
def faults_of() -> Callable[..., tuple[BadRow, ...]]:
    """Return a function that reads a file that is to be refused and returns its faults."""

    def read(name: str, path: Path, **options: object) -> tuple[BadRow, ...]:
        options.setdefault("crs", CRS)
        with pytest.raises(BadRowsError) as caught:
            list(read_table(name, path, **options))
        return caught.value.faults

    return read
