"""Steps done by a cluster give what the single process gives, to the last bit."""

from __future__ import annotations

import os
import signal
import subprocess
import sys

import geopandas as gpd
import pandas as pd
import pytest
import shapely

from vaultplan import loading, spread, week
from vaultplan.drainage.trace import trace_vaults
from vaultplan.errors import CRSError, SchemaError
from vaultplan.provisions import JobDraws
from vaultplan.spread import steps
from vaultplan.spread.cluster import Cluster

from .judging import assert_same, judged, plan


def test_the_cluster_gives_the_bits_of_the_single_process(
    spread: Cluster, town: week.Week, points: pd.DataFrame, alone: dict[str, pd.DataFrame]
) -> None:
    told: dict[str, list[tuple[int, int]]] = {}

    def on_step(step: str, done: int | None = None, total: int | None = None) -> None:
        if done is not None and total is not None:
            told.setdefault(step, []).append((done, total))

    found = judged(town, points, on_step)
    for name, table in alone.items():
        assert_same(table, found[name])
    forecast, traced = told.values()
    assert len(forecast) > 10
    assert forecast == sorted(forecast)
    assert forecast[-1] == (16, 16)
    assert len(traced) > 2
    assert traced[-1] == (len(town.frames["vaults"]),) * 2


def test_workers_killed_in_mid_run_cost_nothing_but_time(
    spread: Cluster, town: week.Week, points: pd.DataFrame, alone: dict[str, pd.DataFrame]
) -> None:
    before = spread.pids()
    killed: set[int] = set()

    def kill(which: slice) -> None:
        for pid in list(spread.pids().values())[which]:
            os.kill(pid, signal.SIGKILL)
            killed.add(pid)

    def on_step(step: str, done: int | None = None, total: int | None = None) -> None:
        # One while residence times are learned, both while paths are traced.
        if step.startswith("Forecast") and done == 2:
            kill(slice(1))
        if step.startswith("Trace") and done and len(killed) < 3:
            kill(slice(None))

    found = judged(town, points, on_step)
    assert len(killed) == 3
    assert not killed & set(spread.pids().values())
    assert killed & set(before.values())
    for name, table in alone.items():
        assert_same(table, found[name])


def test_a_plan_is_the_same_plan(
    spread: Cluster, town: week.Week, planned: tuple[week.Week, JobDraws]
) -> None:
    here, there = planned[0].frames, plan(town)[0].frames
    assert here["plans"]["plan_id"].iloc[0] == there["plans"]["plan_id"].iloc[0]
    assert here["plans"]["content_version"].iloc[0] == there["plans"]["content_version"].iloc[0]
    assert len(here["plan_stops"]) > 20
    for name in ("forecasts", "traces", "decisions", "rankings", *week.PLAN_TABLES):
        assert_same(here[name], there[name])


def test_parts_of_any_size_give_the_same(
    in_parts: object,
    monkeypatch: pytest.MonkeyPatch,
    town: week.Week,
    points: pd.DataFrame,
    alone: dict[str, pd.DataFrame],
) -> None:
    for most in (97, 611):
        monkeypatch.setattr(steps, "most_rows", lambda *_, most=most: most)
        found = judged(town, points)
        for name, table in alone.items():
            assert_same(table, found[name])


@pytest.mark.parametrize(
    "left_out",
    [("roads",), ("curbs",), ("roads", "curbs"), ("inlets",), ("drain_pipes",), ("outfalls",),
     ("drainage_areas", "inlet_choices")],
)  # fmt: skip
def test_paths_are_the_same_whatever_is_not_known(
    in_parts: object, town: week.Week, left_out: tuple[str, ...]
) -> None:
    frames = {name: town.frames[name] for name in (*week.DRAIN_TABLES, *week.STREET_TABLES)}
    frames |= {name: frames[name].iloc[:0] for name in left_out}
    more = {name: frames[name] for name in week.STREET_TABLES}
    drains = [frames[name] for name in week.DRAIN_TABLES]
    settings = town.settings.drainage
    expected = trace_vaults(*drains, settings=settings, with_geometry=True, **more)
    found = spread.trace_vaults(*drains, settings=settings, with_geometry=True, **more)
    assert_same(expected, found)


def test_a_street_that_lies_near_no_part_is_still_a_street(
    in_parts: object, monkeypatch: pytest.MonkeyPatch, town: week.Week
) -> None:
    monkeypatch.setattr(steps, "most_rows", lambda *_: 40)
    frames = town.frames
    far = shapely.linestrings([[0.0, 0.0], [1.0, 1.0]])
    roads = frames["roads"].iloc[:1].set_geometry(gpd.GeoSeries([far], crs=frames["roads"].crs))
    drains = [frames[name] for name in week.DRAIN_TABLES]
    more = {"settings": town.settings.drainage, "roads": roads, "curbs": frames["curbs"]}
    assert_same(trace_vaults(*drains, **more), spread.trace_vaults(*drains, **more))


def test_faults_of_tables_are_told_as_they_are_here(
    in_parts: object, town: week.Week, points: pd.DataFrame
) -> None:
    frames = dict(town.frames)
    frames["roads"] = frames["roads"].set_crs("EPSG:4326", allow_override=True)
    with pytest.raises(CRSError, match="roads"):
        week.trace_paths(frames, town.settings, loading.silent, with_geometry=False)
    unknown = pd.concat([points, points.iloc[:1].assign(vault_id="nowhere")])
    with pytest.raises(SchemaError, match="nowhere"):
        week.forecast_points(frames, unknown, town.as_of, town.settings, loading.silent)


def test_nothing_asked_is_nothing_found(in_parts: object, town: week.Week) -> None:
    frames = dict(town.frames)
    nothing = week.cross([], town.days[:1])
    found, model = spread.fit_and_forecast(
        frames, nothing, as_of=town.as_of, settings=town.settings
    )
    assert len(found) == 0
    assert len(model.vault_ids) == len(frames["vaults"])
    frames |= {"forecasts": found, "vaults": frames["vaults"].iloc[:0]}
    traces = week.trace_paths(frames, town.settings, loading.silent, with_geometry=True)
    decided = spread.decide_discharges(frames, as_of=town.as_of, settings=town.settings)
    assert (len(traces), len(decided)) == (0, 0)


def test_without_a_cluster_dask_is_not_even_imported() -> None:
    told = "import sys, vaultplan.cli; print({'dask', 'distributed'} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", told], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "set()"
