"""Speed and memory of tracing a fleet, beside networkx on a hundredth of it in the same run.

Off by default: name a folder that ``scripts/make_fleet.py`` wrote and run

    VAULTPLAN_FLEET=DIR python -m pytest tests/benchmarks/test_tracing.py -m benchmark_run

Writes ``.benchmarks/tracing.json``.
"""

from __future__ import annotations

import importlib.metadata
import json
import os
import platform
import resource
import time
from pathlib import Path

import networkx as nx
import numpy as np
import pyogrio
import pytest

from vaultplan.drainage import trace_vaults
from vaultplan.drainage.follow import follow
from vaultplan.drainage.network import lay_network
from vaultplan.drainage.retrace import retrace
from vaultplan.drainage.survey import survey_drains
from vaultplan.schema import table
from vaultplan.settings import DrainageSettings

pytestmark = [pytest.mark.benchmark_run, pytest.mark.timeout(0)]

LAYERS = ("vaults", "inlets", "drain_pipes", "outfalls", "receiving_waters", "roads", "curbs",
          "drainage_areas")  # fmt: skip
SETTINGS = DrainageSettings()


def _walk_with_networkx(frames, inlet_ids) -> float:
    """Return seconds that networkx takes from some inlets to their ends, the graph being built."""
    pipes = frames["drain_pipes"]
    graph = nx.DiGraph()
    lengths = pipes.geometry.length.to_numpy()
    for start, stop, feet in zip(pipes["from_node"], pipes["to_node"], lengths, strict=True):
        graph.add_edge(start, stop, ft=feet)
    node = frames["inlets"].set_index("inlet_id")["node_id"]
    falls = set(frames["outfalls"]["node_id"])
    begun = time.perf_counter()
    for inlet_id in inlet_ids:
        if node[inlet_id] in graph:
            reached = nx.single_source_dijkstra_path_length(graph, node[inlet_id], weight="ft")
            falls.intersection(reached)
    return time.perf_counter() - begun


def test_tracing_a_fleet() -> None:
    fleet = os.environ.get("VAULTPLAN_FLEET")
    if not fleet:
        pytest.skip("name a folder of scripts/make_fleet.py in VAULTPLAN_FLEET")
    source = Path(fleet) / "spatial.gpkg"
    frames = {
        name: table(name).conform(pyogrio.read_dataframe(source, layer=name)) for name in LAYERS
    }
    begun = time.perf_counter()
    drains = [frames[name] for name in LAYERS[1:4]]
    survey = survey_drains(*drains)
    read = time.perf_counter() - begun
    network = lay_network(survey, SETTINGS)
    built = time.perf_counter() - begun
    walking = time.perf_counter()
    follow(network.receiver, network.step_ft)
    alone = time.perf_counter() - walking
    more = {name: frames[name] for name in LAYERS[5:]}
    traces = trace_vaults(
        *(frames[name] for name in LAYERS[:5]), settings=SETTINGS, network=network, **more
    )
    whole = time.perf_counter() - begun
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    # What networkx does is the way along the pipes alone: neither inlets nor words.
    hundredth = traces["inlet_id"].dropna().iloc[::100]
    walked = _walk_with_networkx(frames, hundredth)
    start = network.find(frames["inlets"]["node_id"])
    middle = int(network.receiver[network.receiver[start[len(start) // 2]]])
    edited = frames["drain_pipes"].iloc[[max(int(network.pipe[middle]), 0)]].assign(length_ft=99.0)
    begun = time.perf_counter()
    again, _ = retrace(traces, network, edited, frames, settings=SETTINGS)
    retraced = time.perf_counter() - begun
    assert len(again) == len(traces)
    report = {
        "machine": f"{os.cpu_count()} cores, {platform.machine()}, {platform.system()}",
        "versions": {
            "python": platform.python_version(),
            **{name: importlib.metadata.version(name) for name in ("numpy", "shapely", "networkx")},
        },
        "rows": {name: len(frames[name]) for name in LAYERS},
        "drain tables numbered, s": round(read, 1),
        "every node followed to its end, s": round(built - read, 2),
        "all vaults traced, s": round(whole, 1),
        "peak memory, MB": int(peak),
        "networkx on a hundredth, s": round(walked, 1),
        "networkx on all, reckoned, s": round(100 * walked),
        "of that, walking and adding up feet, s": round(alone, 2),
        "walking and adding up feet, times faster": round(100 * walked / alone),
        "with splits, gaps, pumps and sewers, times faster": round(100 * walked / (built - read)),
        "with inlets, sides and words, times faster": round(100 * walked / whole, 1),
        "one pipe edited and traced again, s": round(retraced, 2),
        "status": {str(k): int(v) for k, v in traces["trace_status"].value_counts().items()},
        "mean pipe_ft": round(float(np.nanmean(traces["pipe_ft"]))),
    }
    out = Path(".benchmarks")
    out.mkdir(exist_ok=True)
    (out / "tracing.json").write_text(json.dumps(report, indent=2) + "\n", encoding="utf-8")
