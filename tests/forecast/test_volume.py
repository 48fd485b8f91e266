import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from vaultplan.errors import SchemaError
from vaultplan.forecast.drivers import STREET_CURVE_NUMBER, build_drivers
from vaultplan.forecast.fitting import fit_water
from vaultplan.forecast.weather import runoff_in
from vaultplan.schema import table
from vaultplan.settings import Settings

SETTINGS = Settings()
AS_OF = pd.Timestamp("2026-06-30")
STREET = STREET_CURVE_NUMBER
BANDS = ["depth_in_p10", "depth_in_p50", "depth_in_p90"]


def vaults(count=1, **columns):
    base = {
        "vault_id": [f"V{i}" for i in range(count)],
        "kind": "vault",
        "shape": "rectangular",
        "length_ft": 8.0,
        "width_ft": 6.0,
        "depth_ft": 5.0,
        "gear_frac": 0.0,
    }
    frame = gpd.GeoDataFrame(
        base | columns,
        index=range(count),
        geometry=gpd.points_from_xy(np.arange(count) * 100.0, np.zeros(count)),
        crs="EPSG:32606",
    )
    return table("vaults").conform(frame)


def visits(rows):
    frame = pd.DataFrame(rows, columns=["vault_id", "on", "finding", "depth_in", "disposal"])
    frame["visited_at"] = pd.to_datetime(frame["on"]).dt.tz_localize("UTC")
    frame["visit_id"] = [f"S{i:05d}" for i in range(len(frame))]
    return table("visits").conform(frame)


def pumped_on_and_off(law, count=40, noise=0.15, seed=2):
    """Return visits to V0, pumped dry each time, that find depth ``law(days since)``."""
    draw = np.random.default_rng(seed)
    gaps = draw.integers(15, 120, count)
    days = AS_OF - pd.to_timedelta(gaps[::-1].cumsum()[::-1], "D")
    rows = [("V0", days[0], "wet", min(law(10_000), 60.0), "storm_drain")]
    for i in range(1, count):
        depth = law((days[i] - days[i - 1]).days) + draw.normal(0, noise)
        rows.append(("V0", days[i], "wet", depth, "storm_drain"))
    return visits(rows), days[-1]


def points(ids, *days):
    return pd.DataFrame(
        {"vault_id": np.repeat(list(ids), len(days)), "on": list(pd.to_datetime(days)) * len(ids)}
    )


@pytest.mark.parametrize(
    ("law", "slack"),
    [
        (lambda days: 0.1 * days, 1.0),  # a steady seep into a tight room
        (lambda days: 40 * (1 - np.exp(-days / 30)), 2.5),  # rises to groundwater and stays
    ],
    ids=["fills steadily", "rises to rest"],
)
def test_a_law_of_filling_is_recovered_from_one_vaults_visits(law, slack):
    seen, last = pumped_on_and_off(law)
    model = fit_water({"vaults": vaults(), "visits": seen}, as_of=AS_OF, settings=SETTINGS)
    ahead = [max((AS_OF - last).days, 0) + 5, 60, 100]
    asked = points(["V0"], *[last + pd.Timedelta(days=days) for days in ahead])
    found = model.forecast(asked)
    expected = [law(days) for days in ahead]
    assert found["depth_in_p50"].to_numpy() == pytest.approx(expected, abs=slack)
    assert (found["depth_in_p90"] - found["depth_in_p10"] < 10).all()
    # 8 x 6 ft hold 48 / 12 ft3, or 29.92 gal, an inch.
    per_in = 48 / 12 * 1728 / 231
    assert found["volume_gal_p50"].to_numpy() == pytest.approx(found["depth_in_p50"] * per_in)


def test_rain_still_to_come_is_in_the_outlook():
    # 10 in of water for each inch that runs off the street, nothing else; visits every 10 days,
    # pumped each time.
    days = pd.date_range("2024-07-01", AS_OF)
    rain = np.where(np.random.default_rng(5).random(len(days)) < 0.15, 0.5, 0.0)
    rainfall = table("rainfall").conform(
        pd.DataFrame({"gauge_id": "G", "fell_on": days, "rain_in": rain})
    )
    stops = np.arange(10, len(days) - 1, 10)
    found = [10 * runoff_in(rain[stop - 9 : stop + 1], STREET).sum() for stop in stops]
    seen = visits(
        [
            ("V0", days[stop], "wet" if depth >= 1 else "dry", depth, "storm_drain")
            for stop, depth in zip(stops, found, strict=True)
        ]
    )
    on = AS_OF + pd.Timedelta(days=4)

    def forecast(inches):
        outlook = pd.DataFrame(
            {
                "gauge_id": "G",
                "issued_at": AS_OF.tz_localize("UTC"),
                "falls_on": pd.date_range(AS_OF + pd.Timedelta(days=1), periods=4),
                "member": 1,
                "rain_in": inches / 4,
            }
        )
        frames = {
            "vaults": vaults(),
            "visits": seen,
            "rainfall": rainfall,
            "rain_outlook": table("rain_outlook").conform(outlook),
        }
        model = fit_water(frames, as_of=AS_OF, settings=SETTINGS)
        return float(model.forecast(points(["V0"], on))["depth_in_p50"].iloc[0])

    expected = 40 * np.diff(runoff_in(np.array([0.25, 0.75]), STREET))[0]
    assert forecast(3.0) - forecast(1.0) == pytest.approx(expected, rel=0.25)


def test_nothing_after_the_as_of_day_leaks_in(fleet):
    as_of = AS_OF - pd.Timedelta(days=300)
    asked = points(fleet.frames["vaults"]["vault_id"], as_of, as_of + pd.Timedelta(days=20))
    frames = dict(fleet.frames)
    whole = fit_water(frames, as_of=as_of, settings=SETTINGS).forecast(asked)
    known = frames["visits"]["visited_at"] < as_of.tz_localize("UTC") + pd.Timedelta(days=1)
    frames["visits"] = frames["visits"].assign(
        depth_in=frames["visits"]["depth_in"].where(known, 55.0),
        finding=frames["visits"]["finding"].where(known, "wet"),
    )
    past = frames["rainfall"]["fell_on"] <= as_of
    frames["rainfall"] = frames["rainfall"].assign(
        rain_in=frames["rainfall"]["rain_in"].where(past, 5.0)
    )
    later = pd.DataFrame(
        {
            "gauge_id": "G0",
            "issued_at": (as_of + pd.Timedelta(days=1)).tz_localize("UTC"),
            "falls_on": [as_of + pd.Timedelta(days=2)],
            "member": 1,
            "rain_in": 9.0,
        }
    )
    frames["rain_outlook"] = table("rain_outlook").conform(later)
    assert not known.all()
    pd.testing.assert_frame_equal(
        fit_water(frames, as_of=as_of, settings=SETTINGS).forecast(asked), whole, check_exact=True
    )
    frames["visits"] = frames["visits"][known].assign(depth_in=5.0)
    other = fit_water(frames, as_of=as_of, settings=SETTINGS).forecast(asked)
    assert not other["depth_in_p50"].equals(whole["depth_in_p50"])


def test_bits_do_not_depend_on_row_order_chunks_or_company(fleet):
    asked = points(fleet.frames["vaults"]["vault_id"], "2026-07-03", "2026-07-20")
    model = fit_water(fleet.frames, as_of=AS_OF, settings=SETTINGS)
    whole = model.distribution(asked)
    for chunk in (17, 1000):
        assert np.array_equal(model.distribution(asked, chunk_vaults=chunk).chance, whole.chance)
    shuffled = {name: frame.sample(frac=1, random_state=9) for name, frame in fleet.frames.items()}
    again = fit_water(shuffled, as_of=AS_OF, settings=SETTINGS)
    few = asked.sample(n=7, random_state=4)
    assert np.array_equal(
        model.distribution(few, chunk_vaults=1).chance, whole.chance[:, few.index]
    )
    assert np.array_equal(again.distribution(few).chance, whole.chance[:, few.index])


def sane(found, model):
    capacity = found["capacity_gal"]
    assert (found[BANDS].diff(axis=1).iloc[:, 1:] >= 0).all(axis=None)
    assert (found[BANDS] >= 0).all(axis=None)
    room = model.rooms.set_index("vault_id")["depth_in"].reindex(found["vault_id"]).to_numpy()
    assert (found["depth_in_p90"].to_numpy() <= room).all()
    assert (found["volume_gal_p90"] <= capacity * (1 + 1e-12)).all()
    assert found["volume_gal_mean"].between(0, capacity * (1 + 1e-12)).all()
    assert found[["prob_dry", "prob_full"]].stack().between(0, 1).all()
    assert found.drop(columns="reason").notna().all(axis=None)


@pytest.mark.parametrize("count", [1, 6])
@pytest.mark.parametrize("history", ["none", "not seen", "dry", "full"])
def test_poor_histories_give_sane_answers(count, history):
    finding = {"none": [], "not seen": ["not_seen"] * 3}.get(history, [history] * 12)
    days = pd.date_range("2026-01-01", periods=len(finding), freq="14D")
    rows = [
        (f"V{v}", day, found, None, "storm_drain" if found == "full" else "none")
        for v in range(count)
        for day, found in zip(days, finding, strict=True)
    ]
    frames = {"vaults": vaults(count), "visits": visits(rows)}
    model = fit_water(frames, as_of=AS_OF, settings=SETTINGS)
    found = model.forecast(points([f"V{v}" for v in range(count)], "2026-07-02", "2027-03-01"))
    sane(found, model)
    if history in ("none", "not seen"):
        assert (found["confidence"] == "low").all()
        assert (found["depth_in_p90"] - found["depth_in_p10"] > 20).all()
    if history == "dry":
        assert (found["prob_dry"] > 0.6).all()
    if history == "full":
        # Filled again within two weeks after every pump-out; the last was in June.
        assert (found["prob_full"] > 0.7).all()
    expected = {
        "none": "never visited",
        "not seen": "opened 3 times, water never seen",
    }.get(history, "12 readings, last 2026-06-04")
    assert found["reason"].str.startswith(expected).all()


def test_unmeasured_vaults_are_forecast_with_low_confidence():
    seen, _ = pumped_on_and_off(lambda days: 0.1 * days)
    fleet = vaults(3, depth_ft=[5.0, 5.0, np.nan])
    mine = pd.concat([seen, seen.assign(vault_id="V2", visit_id="T" + seen["visit_id"])])
    model = fit_water({"vaults": fleet, "visits": mine}, as_of=AS_OF, settings=SETTINGS)
    found = model.forecast(points(["V0", "V2"], "2026-07-02"))
    assert found["confidence"].iloc[1] == "low"
    assert "dimensions assumed" in found["reason"].iloc[1]
    assert "dimensions assumed" not in found["reason"].iloc[0]


def test_no_points_are_no_forecasts(fleet):
    model = fit_water(fleet.frames, as_of=AS_OF, settings=SETTINGS)
    assert model.forecast(points([], AS_OF)).empty


def test_refusals_name_the_rows(fleet):
    frames = {"vaults": vaults(2), "visits": visits([])}
    model = fit_water(frames, as_of=AS_OF, settings=SETTINGS)
    with pytest.raises(SchemaError, match="not in the vaults table: X9"):
        model.forecast(points(["X9"], "2026-07-02"))
    with pytest.raises(SchemaError, match="one before 2026-06-30"):
        model.forecast(points(["V0"], "2026-06-29"))
    with pytest.raises(SchemaError, match="lack column"):
        model.forecast(pd.DataFrame({"vault_id": ["V0"]}))
    with pytest.raises(SchemaError, match="more than once: V0"):
        twice = {"vaults": vaults(2, vault_id=["V0", "V0"]), "visits": visits([])}
        fit_water(twice, as_of=AS_OF, settings=SETTINGS)
    with pytest.raises(SchemaError, match="needs the visits table"):
        fit_water({"vaults": vaults()}, as_of=AS_OF, settings=SETTINGS)


def test_the_season_runs_on_past_the_record(fleet):
    source = fit_water(fleet.frames, as_of=AS_OF, settings=SETTINGS).drivers.source
    drivers = build_drivers(source, SETTINGS.forecast)
    # A year apart the season's sums are the same to within the odd quarter day.
    now, before = drivers.season[2][:, -1], drivers.season[2][:, -366]
    assert now == pytest.approx(before, abs=0.5)
