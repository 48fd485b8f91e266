"""Small frames for the store: three vaults, four visits."""

import geopandas as gpd
import pandas as pd
import pytest
from shapely import Point

from vaultplan.schema import table

CRS = "EPSG:32606"


@pytest.fixture
def vaults():
    frame = gpd.GeoDataFrame(
        {
            "vault_id": ["V-1", "V-2", "V-3"],
            "kind": ["vault", "manhole", None],
            "address": ["1 Mole Street", "Straße am Kai, „Süd“ 東 2", ""],
            "depth_ft": [8.0, None, 6.5],
            "has_irrigation": [True, None, False],
        },
        geometry=[Point(500000, 4200000), Point(500100, 4200050), Point(500900, 4200900)],
        crs=CRS,
    )
    return table("vaults").conform(frame)


@pytest.fixture
def visits():
    frame = pd.DataFrame(
        {
            "visit_id": ["a", "b", "c", "d"],
            "vault_id": ["V-1", "V-1", "V-2", "V-9"],
            "visited_at": pd.to_datetime(
                [
                    "1969-12-31T23:59:59.250Z",
                    "2025-03-09T10:00:00Z",
                    "2025-03-09T10:00:00.001Z",
                    "2031-01-01T00:00:00Z",
                ],
                format="ISO8601",
            ),
            "depth_in": [0.1 + 0.2, 12.0, None, 1e-9],
            "socks_used": [0, None, 3, 2**40],
            "has_sheen": [None, True, False, None],
            "notes": ["two\nlines", 'comma, "quote"', None, ""],
        }
    )
    return table("visits").conform(frame)
