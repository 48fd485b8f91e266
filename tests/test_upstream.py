"""What lies behind a place of the demo, looked at through the store."""

from pathlib import Path

import pandas as pd
import pytest

from vaultplan import pipeline, upstream
from vaultplan.errors import TraceError
from vaultplan.settings import Settings


@pytest.fixture(scope="module")
def creek(demo_file: Path) -> upstream.Upstream:
    return upstream.behind(str(demo_file), "pennywhistle creek", settings=Settings())


def test_a_creek_by_its_name_has_the_vaults_whose_traces_pass_it(creek, town_file: str) -> None:
    traces = pipeline.trace(town_file, settings=Settings())
    passes = (";" + traces["waters_passed"].fillna("") + ";").str.contains(";SM-W-penny;")
    by_path = creek.vaults.loc[creek.vaults["how"] == "path", "vault_id"]
    assert set(by_path) == set(traces.loc[passes, "vault_id"]) != set()


def test_gallons_are_those_of_the_forecast_and_summed_as_means(creek, town_file: str) -> None:
    water = pipeline.forecast(town_file, settings=Settings()).set_index("vault_id")
    told = creek.vaults.set_index("vault_id")
    expected = water["volume_gal_mean"].reindex(told.index)
    pd.testing.assert_series_equal(told["expected_gal"], expected, check_names=False)
    share = told["share"].fillna((told["how"] == "path").astype(float))
    assert f"{(expected * share).sum():,.0f} gal" in creek.summary
    assert told["planned_gal"].eq(0.0).all()
    assert told["last_grade"].isin(["clear", "light", "heavy"]).any()


def test_a_place_that_nobody_knows_is_refused(town_file: str) -> None:
    with pytest.raises(TraceError, match="is called 'nowhere'"):
        upstream.behind(town_file, "nowhere", settings=Settings())
