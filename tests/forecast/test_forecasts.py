import numpy as np
import pandas as pd
import pytest

from vaultplan.forecast import forecast_vaults
from vaultplan.schema import table
from vaultplan.settings import Settings

AS_OF = pd.Timestamp("2026-06-30")


@pytest.fixture(scope="module")
def asked(fleet):
    ids = fleet.frames["vaults"]["vault_id"]
    days = pd.to_datetime(["2026-07-01", "2026-07-05"])
    return pd.DataFrame({"vault_id": np.repeat(ids.to_numpy(), 2), "on": np.tile(days, len(ids))})


@pytest.fixture(scope="module")
def found(fleet, asked):
    return forecast_vaults(fleet.frames, asked, as_of=AS_OF, settings=Settings())


def test_the_table_is_as_declared(found, asked):
    declared = table("forecasts")
    assert tuple(found.columns) == declared.column_names
    assert found.notna().all(axis=None)
    assert found["vault_id"].tolist() == asked["vault_id"].tolist()
    assert (found["on"] == asked["on"]).all()
    assert (found["as_of_on"] == AS_OF).all()
    for column in declared.columns:
        values = found[column.name]
        if column.allowed:
            assert values.isin(column.allowed).all()
        if column.least is not None and column.type == "real":
            assert (values >= column.least).all(), column.name
        if column.most is not None:
            assert (values <= column.most).all(), column.name


def test_bands_and_chances_are_coherent(found):
    for name in ("depth_in", "volume_gal", "refill_hours"):
        band = found[[f"{name}_p{percent}" for percent in (10, 50, 90)]]
        assert (band.diff(axis=1).iloc[:, 1:] >= 0).all(axis=None)
    assert (found["volume_gal_p90"] <= found["capacity_gal"] * (1 + 1e-12)).all()
    chances = found[["prob_clear", "prob_light", "prob_heavy"]].sum(axis=1)
    assert chances.to_numpy() == pytest.approx(np.ones(len(found)), abs=1e-12)
    assert (found["depth_in_p10"][found["prob_dry"] >= 0.1] == 0).all()


def test_same_bits_again_in_any_order_and_with_any_company(fleet, asked, found):
    few = asked.sample(n=25, random_state=1)
    shuffled = {name: rows.sample(frac=1, random_state=5) for name, rows in fleet.frames.items()}
    again = forecast_vaults(shuffled, few, as_of=AS_OF, settings=Settings())
    water = [name for name in found.columns if name not in ("prob_clear", "prob_light")]
    pd.testing.assert_frame_equal(again[water], found.loc[few.index, water], check_exact=True)


def test_index_of_the_points_is_kept_even_if_it_repeats(fleet, asked):
    points = asked.head(4).set_axis([7, 7, 3, 3])
    found = forecast_vaults(fleet.frames, points, as_of=AS_OF, settings=Settings())
    assert found.index.tolist() == [7, 7, 3, 3]


def test_nothing_asked_is_nothing_forecast(fleet, asked):
    none = forecast_vaults(fleet.frames, asked.iloc[:0], as_of=AS_OF, settings=Settings())
    assert len(none) == 0
    assert tuple(none.columns) == table("forecasts").column_names


def test_progress_runs_to_its_end(fleet, asked):
    told = []
    forecast_vaults(
        fleet.frames,
        asked.head(3),
        as_of=AS_OF,
        settings=Settings(),
        on_progress=lambda done, of: told.append((done, of)),
    )
    assert [done for done, _ in told] == sorted({done for done, _ in told})
    assert len({of for _, of in told}) == 1
    assert told[-1][0] == told[-1][1]
