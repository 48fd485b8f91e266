import numpy as np
import pandas as pd
import pytest

from vaultplan.forecast.fitting import fit_water
from vaultplan.forecast.rivals import RIVALS
from vaultplan.settings import Settings

LEVELS = np.array([0.1, 0.5, 0.9])


@pytest.fixture(scope="module")
def model(fleet):
    return fit_water(fleet.frames, as_of=pd.Timestamp("2026-06-30"), settings=Settings())


@pytest.mark.parametrize("name", RIVALS)
def test_a_rivals_quantiles_are_ordered_and_lie_in_the_room(model, name):
    vault = np.arange(0, len(model.vault_ids), 3)
    day = np.full(len(vault), model.drivers.source.as_of_day + 30)
    found = RIVALS[name](model, vault, day, LEVELS)
    assert found.shape == (len(vault), len(LEVELS))
    assert (np.diff(found, axis=1) >= 0).all()
    assert ((found >= 0) & (found <= 1)).all()


def test_the_last_reading_and_the_own_mean_are_what_they_say(model):
    readings, room = model.readings, model.site.depth_in
    seen = np.flatnonzero(np.diff(readings.start) >= 2)
    vault = seen[:5]
    day = np.full(5, model.drivers.source.as_of_day + 10)
    rows = [slice(readings.start[v], readings.start[v + 1]) for v in vault]
    fills = [readings.depth_in[part] / room[v] for v, part in zip(vault, rows, strict=True)]
    levels = np.array([0.5])
    for name, expected in (
        ("last reading", [fill[-1] for fill in fills]),
        ("own mean", [fill.mean() for fill in fills]),
    ):
        found = RIVALS[name](model, vault, day, levels)[:, 0]
        # The median error of the past is small and the same for all.
        off = found - np.array(expected)
        inside = (found > 0) & (found < 1)
        assert np.ptp(off[inside]) < 1e-9
        assert abs(off[inside]).max() < 0.1
