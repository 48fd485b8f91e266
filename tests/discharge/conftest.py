"""Small tables for the discharge rules, placed in metres at the open-sea origin."""

from types import SimpleNamespace

import geopandas as gpd
import pandas as pd
import pytest
from shapely import Point, box

from vaultplan.discharge.fact_columns import FACTS
from vaultplan.schema import table

CRS = "EPSG:32606"
X0, Y0 = 500_000.0, 4_206_000.0


def point(x, y=0.0):
    return Point(X0 + x, Y0 + y)


def square(x, y=0.0, half=1.0):
    return box(X0 + x - half, Y0 + y - half, X0 + x + half, Y0 + y + half)


def frame(name, *rows):
    declared = table(name)
    if not rows:
        return declared.empty(CRS)
    if declared.geometry is None:
        return declared.conform(pd.DataFrame(list(rows)))
    return declared.conform(gpd.GeoDataFrame(list(rows), geometry="geometry", crs=CRS))


def water(water_id, **more):
    """Return a calm pond 10 km from everything unless told otherwise."""
    row = {
        "water_id": water_id,
        "name": water_id.title(),
        "kind": "lake",
        "protection": "none",
        "impairments": "none",
        "geometry": square(10_000),
    }
    return row | more


def area(kind, x, **more):
    row = {"area_id": kind, "name": kind.title(), "kind": kind, "reviewed_on": "2026-06-01"}
    return row | {"geometry": square(x)} | more


def outfall(outfall_id, water_id, x=20_000.0):
    return {"outfall_id": outfall_id, "node_id": "n", "water_id": water_id, "geometry": point(x)}


CALM = {
    "vault_id": "v",
    "on": "2026-11-04",
    "grade_reckoned": "clear",
    "prob_light": 0.1,
    "prob_heavy": 0.0,
    "last_grade": "clear",
    "days_since_grade": 100.0,
    "heavy_in_a_row": 0,
    "bad_in_a_row": 0,
    "last_odd_color": False,
    "last_odd_odor": False,
    "last_has_foam": False,
    "last_ph": 7.0,
    "last_has_sheen": False,
    "pcb_status": "no_oil",
    "vault_status": "in_service",
    "trace_status": "complete",
    "end_unknown": False,
    "ends_in_sewer": False,
    "ends_private": False,
    "ends_in_ground": False,
    "ends_at_pump": False,
    "parts_elsewhere": False,
    "gap_ft": 0.0,
    "trace_confidence": "high",
    "gutter_ft": 50.0,
    "gutter_overflows": False,
    "gutter_slope_assumed": False,
    "sensitive_ft": 50_000.0,
    "reaches_impaired": False,
    "reaches_intake": False,
    "reaches_shellfish": False,
    "reaches_beach": False,
    "reaches_habitat": False,
    "near_sensitive": False,
    "tide_may_lock": False,
    "sensitivity": "ordinary",
    "near_concern": False,
    "near_incident": False,
    "water_above_floor": False,
    "prob_wet_day": 0.0,
    "is_wet_day": False,
    "volume_gal_p90": 300.0,
    "pump_minutes": 2.0,
    "over_outfall_cap": False,
}


def facts(*changes):
    """Return facts of calm vaults v, v1, v2 ... each with the given changes."""
    rows = [CALM | {"vault_id": f"v{n}" if n else "v"} | change for n, change in enumerate(changes)]
    made = pd.DataFrame(
        {
            name: fact.cast(pd.Series([row[name] for row in rows], dtype=object))
            for name, fact in FACTS.items()
            if name != "method"
        }
    )
    made.insert(0, "vault_id", pd.Series([row["vault_id"] for row in rows], dtype="str"))
    made.insert(1, "on", pd.to_datetime([row["on"] for row in rows]).astype("datetime64[s]"))
    return made


@pytest.fixture
def make():
    return SimpleNamespace(
        frame=frame,
        water=water,
        area=area,
        outfall=outfall,
        point=point,
        square=square,
        facts=facts,
        calm=CALM,
    )
