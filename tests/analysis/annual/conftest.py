"""Small tables of a town with one of everything the yearly report tells apart."""

from __future__ import annotations

import geopandas as gpd
import pandas as pd
import pytest
from shapely.geometry import Point, Polygon

from vaultplan.analysis.annual.book import year_book
from vaultplan.analysis.annual.exceptions import (
    incidents_of_year,
    overrides_by_visit,
    with_exceptions,
)
from vaultplan.schema import table

ZONE = "Etc/GMT+10"


def visits_of(*rows: dict[str, object]) -> pd.DataFrame:
    """Visits at noon of 1 May 2025 at vault A, wet, with what each row says besides."""
    usual = {"vault_id": "A", "visited_at": "2025-05-01T22:00Z", "finding": "wet"}
    told = [{"visit_id": f"v{at}", **usual, **row} for at, row in enumerate(rows)]
    frame = pd.DataFrame(told)
    frame["visited_at"] = pd.to_datetime(frame["visited_at"], utc=True, format="ISO8601")
    return table("visits").conform(frame)


def town(*rows: dict[str, object], **others: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """A creek behind outfall O1 (cap 100 gal), a sewer behind inlet I2; A's path ends at O1."""
    vaults = gpd.GeoDataFrame(
        {"vault_id": ["A", "B"], "district": ["North", None]},
        geometry=[Point(0, 0), Point(900, 0)],
        crs="EPSG:32606",
    )
    creek = Polygon([(0, 50), (10, 50), (10, 60)])
    frames = {
        "visits": visits_of(*rows),
        "vaults": table("vaults").conform(vaults),
        "outfalls": pd.DataFrame(
            {"outfall_id": ["O1"], "name": ["Creek pipe"], "daily_cap_gal": [100.0]}
        ),
        "receiving_waters": gpd.GeoDataFrame(
            {"water_id": ["W1"], "name": ["Minnow Cut"]}, geometry=[creek], crs="EPSG:32606"
        ),
        "inlet_ends": pd.DataFrame(
            {
                "inlet_id": ["I1", "I2"],
                "outfall_id": ["O1", None],
                "water_id": ["W1", None],
                "status": ["complete", "sewer"],
                "is_split": [True, False],
            }
        ),
        "traces": pd.DataFrame(
            {
                "vault_id": ["A", "B"],
                "outfall_id": ["O1", None],
                "water_id": ["W1", None],
                "trace_status": ["complete", "no_inlet"],
                "main_share": [1.0, 1.0],
            }
        ),
        "incidents": table("incidents").empty(),
        "overrides": table("overrides").empty(),
    }
    return {**frames, **others}


@pytest.fixture
def booked():
    """The full book of some visits of 2025."""

    def made(*rows: dict[str, object], **others: pd.DataFrame) -> pd.DataFrame:
        frames = town(*rows, **others)
        book = year_book(frames, year=2025, time_zone=ZONE)
        _, near = incidents_of_year(book, frames, year=2025, incident_days=30)
        book = with_exceptions(book, frames, near)
        book["override_ids"] = overrides_by_visit(book, frames["overrides"])
        return book

    return made
