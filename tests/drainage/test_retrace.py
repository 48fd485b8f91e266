"""An edited pipe: the same network and the same traces as if all had been read again."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import LineString, Point

from vaultplan.drainage import build_network, trace_vaults
from vaultplan.drainage.network import lay_network
from vaultplan.drainage.retrace import retrace
from vaultplan.drainage.survey import amended
from vaultplan.errors import TraceError
from vaultplan.schema import table
from vaultplan.settings import DrainageSettings

CRS = "EPSG:32606"
ORIGIN = np.array([500_000.0, 4_206_000.0])
SETTINGS = DrainageSettings()
PARTS = ("receiver", "pipe", "step_ft", "end", "run_ft", "hops", "splits", "unstated", "doubtful",
         "pumps", "gap_ft", "sewer_entry", "private_entry", "on_loop", "split_nodes",
         "bridged")  # fmt: skip


def _frame(name, rows):
    return table(name).conform(gpd.GeoDataFrame(rows, geometry="geometry", crs=CRS))


def _pipe(rng, number, spots):
    start, stop = rng.choice(len(spots), 2, replace=False)
    line = LineString([spots[start], spots[stop]])
    return {
        "pipe_id": f"p{number:03d}",
        "from_node": f"n{start:03d}",
        "to_node": f"n{stop:03d}",
        "length_ft": rng.choice([np.nan, 50.0]),
        "diameter_in": rng.choice([np.nan, 12.0, 24.0]),
        "system": rng.choice(["storm", "storm", "storm", "combined", "private"]),
        "kind": rng.choice(["pipe", "force_main"]),
        "from_invert_ft": rng.choice([np.nan, 10.0]),
        "to_invert_ft": rng.choice([9.0, 11.0]),
        "geometry": line if rng.random() < 0.8 else line.reverse(),
    }


def _town(seed):
    rng = np.random.default_rng(seed)
    spots = rng.uniform(0, 400, (60, 2)) + ORIGIN
    tables = {
        "vaults": _frame("vaults", [
            {"vault_id": f"v{n:02d}", "geometry": Point(xy)}
            for n, xy in enumerate(rng.uniform(0, 400, (80, 2)) + ORIGIN)
        ]),
        "inlets": _frame("inlets", [
            {"inlet_id": f"i{n}", "node_id": f"n{n:03d}", "geometry": Point(spots[n])}
            for n in range(60) if n not in (5, 17, 33)
        ]),
        "drain_pipes": _frame("drain_pipes", [_pipe(rng, n, spots) for n in range(70)]),
        "outfalls": _frame("outfalls", [
            {"outfall_id": f"o{n}", "node_id": f"n{n:03d}", "water_id": "bay",
             "geometry": Point(spots[n])} for n in (5, 17, 33)
        ]),
        "receiving_waters": _frame("receiving_waters", [
            {"water_id": "bay", "name": "Bay", "geometry": Point(0, 0)}
        ]),
    }  # fmt: skip
    return rng, spots, tables


@pytest.mark.parametrize("seed", range(25))
def test_as_if_all_had_been_read_again(seed):
    rng, spots, tables = _town(seed)
    net = build_network(*(tables[n] for n in ("inlets", "drain_pipes", "outfalls")))
    traces = trace_vaults(**tables, settings=SETTINGS, network=net)
    for _ in range(3):
        rows = [_pipe(rng, int(n), spots) for n in rng.choice(70, 2, replace=False)]
        changed = _frame("drain_pipes", rows)
        pipes = tables["drain_pipes"].set_index("pipe_id")
        pipes.loc[changed["pipe_id"], :] = changed.set_index("pipe_id")
        tables["drain_pipes"] = table("drain_pipes").conform(pipes.reset_index())
        anew = build_network(*(tables[n] for n in ("inlets", "drain_pipes", "outfalls")))
        traces, net = retrace(traces, net, changed, tables, settings=SETTINGS)
        for name in PARTS:
            np.testing.assert_array_equal(getattr(net, name), getattr(anew, name), name)
        np.testing.assert_array_equal(net.parts.shares.toarray(), anew.parts.shares.toarray())
        expected = trace_vaults(**tables, settings=SETTINGS)
        pd.testing.assert_frame_equal(pd.DataFrame(traces), pd.DataFrame(expected))


def test_only_what_passes_the_pipe_is_traced_again(monkeypatch):
    _, _, tables = _town(1)
    net = build_network(*(tables[n] for n in ("inlets", "drain_pipes", "outfalls")))
    traces = trace_vaults(**tables, settings=SETTINGS, network=net)
    asked = []

    def watched(vaults, *args, **more):
        asked.append(len(vaults))
        return trace_vaults(vaults, *args, **more)

    monkeypatch.setattr("vaultplan.drainage.retrace.trace_vaults", watched)
    changed = tables["drain_pipes"].iloc[[0]].assign(length_ft=77.0)
    retrace(traces, net, changed, tables, settings=SETTINGS)
    assert 0 < sum(asked) < len(traces)


def test_a_new_pipe_or_node_must_be_read_with_all_others():
    _, _, tables = _town(1)
    net = build_network(*(tables[n] for n in ("inlets", "drain_pipes", "outfalls")))
    one = tables["drain_pipes"].iloc[[0]]
    for changed in (one.assign(pipe_id="new"), one.assign(to_node="new")):
        with pytest.raises(TraceError, match="read them all again"):
            amended(net.survey, changed)


def test_an_edit_that_changes_nothing_changes_nothing():
    _, _, tables = _town(2)
    net = build_network(*(tables[n] for n in ("inlets", "drain_pipes", "outfalls")))
    same = lay_network(amended(net.survey, tables["drain_pipes"].iloc[[3]]), SETTINGS)
    for name in PARTS:
        np.testing.assert_array_equal(getattr(net, name), getattr(same, name), name)
