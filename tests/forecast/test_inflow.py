from itertools import pairwise

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from vaultplan.forecast.fitting import fit_water
from vaultplan.forecast.inflow import WAYS, inflow_ways
from vaultplan.forecast.weather import runoff_in
from vaultplan.schema import table
from vaultplan.settings import Settings

AS_OF = pd.Timestamp("2026-06-30")
DAYS = pd.date_range("2023-07-01", AS_OF)


def town(*laws, readings=40):
    """Return the fleet of vaults that fill as each law says of (days since, rain since)."""
    draw = np.random.default_rng(3)
    rain = np.where(draw.random(len(DAYS)) < 0.2, draw.gamma(1.0, 0.5, len(DAYS)), 0.0).round(2)
    rows = []
    for number, law in enumerate(laws):
        stops = np.sort(draw.choice(np.arange(20, len(DAYS)), readings, replace=False))
        for before, stop in pairwise(stops):
            fell = runoff_in(rain[before + 1 : stop + 1], 98.0).sum()
            depth = min(law(stop - before, fell), 60.0)
            rows.append((f"V{number}", DAYS[stop], "wet" if depth >= 1 else "dry", depth))
    visits = pd.DataFrame(rows, columns=["vault_id", "visited_at", "finding", "depth_in"])
    visits = visits.assign(
        visited_at=visits["visited_at"].dt.tz_localize("UTC"),
        visit_id=[f"S{i}" for i in range(len(visits))],
        disposal="storm_drain",
    )
    vaults = gpd.GeoDataFrame(
        {
            "vault_id": [f"V{i}" for i in range(len(laws))],
            "length_ft": 10.0,
            "width_ft": 6.0,
            "depth_ft": 5.0,
            "gear_frac": 0.0,
        },
        geometry=gpd.points_from_xy(np.arange(len(laws)), np.zeros(len(laws))),
        crs="EPSG:32606",
    )
    rainfall = pd.DataFrame({"gauge_id": "G", "fell_on": DAYS, "rain_in": rain})
    frames = {
        "vaults": table("vaults").conform(vaults),
        "visits": table("visits").conform(visits),
        "rainfall": table("rainfall").conform(rainfall),
    }
    return fit_water(frames, as_of=AS_OF, settings=Settings())


def test_a_vault_is_told_by_what_fills_it():
    model = town(lambda days, _: 0.25 * days, lambda _, fell: 2.0 * fell, lambda *_: 0.0)
    found = inflow_ways(model, pd.Series(["V0", "V1", "V2"]))
    assert found["inflow"].tolist() == ["groundwater", "rain", "tight"]
    # 90 days lie beyond all but a few of its fillings, so the sum is a rough one.
    assert found["filling_in"].iloc[0] == pytest.approx(0.25 * 90, rel=0.4)
    shares = found[[f"inflow_{way}_frac" for way in WAYS]]
    assert shares.stack().between(0, 1).all()
    assert shares.sum(axis=1).iloc[:2].to_numpy() == pytest.approx([1.0, 1.0])


def test_a_few_readings_leave_it_unknown():
    model = town(lambda days, _: 0.25 * days, readings=3)
    assert inflow_ways(model, pd.Series(["V0"]))["inflow"].tolist() == ["unknown"]
