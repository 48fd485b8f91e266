"""What lies behind a place, on a town of two creeks solved by hand."""

import networkx as nx
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vaultplan.drainage import build_network, trace_vaults, vaults_behind
from vaultplan.drainage.behind import _any_behind
from vaultplan.drainage.waters import waters_of_outfalls
from vaultplan.errors import TraceError
from vaultplan.settings import DrainageSettings


@pytest.fixture
def behind(town):
    """i1 drops into a, i2 into e, i3 into s, which splits in halves between both outfalls."""
    tables = {
        "inlets": town.inlets(i1=(0, 0, "a"), i2=(500, 0, "e"), i3=(1000, 0, "s")),
        "drain_pipes": town.pipes(
            ("p", "a", "b", 10.0),
            ("q", "b", "c", 10.0),
            ("t", "s", "b", 10.0),
            ("u", "s", "e", 10.0),
        ),
        "outfalls": town.outfalls(("o1", "c", "creek"), ("o2", "e", "sea"), ("o3", "z", None)),
        "receiving_waters": town.waters(creek="lagoon", lagoon="sea", sea=None),
    }
    vaults = town.vaults(v=(0, 1), w=(500, 1), x=(1000, 1), y=(255, 1), lost=(0, 9000))
    network = build_network(*(tables[n] for n in ("inlets", "drain_pipes", "outfalls")))
    traces = trace_vaults(vaults, **tables, settings=DrainageSettings(), network=network)
    waters = waters_of_outfalls(tables["outfalls"], tables["receiving_waters"])

    def ask(**place):
        found = vaults_behind(network, traces, tables["inlets"], waters=waters, **place)
        return {
            row["vault_id"]: (row["how"], None if np.isnan(row["share"]) else row["share"])
            for row in found.to_dict("records")
        }

    return ask


def test_an_inlet(behind):
    """y lies between i1 and i2, a little nearer to i2."""
    assert behind(inlet_id="i2") == {"w": ("path", 1.0), "y": ("path", 1.0)}
    assert behind(inlet_id="i1") == {"v": ("path", 1.0), "y": ("second_inlet", None)}


def test_an_outfall(behind):
    assert behind(outfall_id="o1") == {
        "v": ("path", 1.0), "x": ("path", 0.5), "y": ("second_inlet", None)
    }  # fmt: skip
    assert behind(outfall_id="o2") == {
        "w": ("path", 1.0), "x": ("part", 0.5), "y": ("path", 1.0)
    }  # fmt: skip


def test_a_water_and_the_waters_it_runs_into(behind):
    assert behind(water_id="creek") == behind(outfall_id="o1")
    assert behind(water_id="sea") == {
        "v": ("path", 1.0), "w": ("path", 1.0), "x": ("path", 1.0), "y": ("path", 1.0)
    }  # fmt: skip
    assert behind(water_id="lag") == {}


def test_a_pipe_and_a_node(behind):
    """Below a split nobody has reckoned how much comes by: the share stays blank."""
    assert behind(pipe_id="q") == {
        "v": ("path", 1.0), "x": ("path", None), "y": ("second_inlet", None)
    }  # fmt: skip
    assert behind(pipe_id="u") == {"x": ("part", None)}
    assert behind(node_id="b") == behind(pipe_id="q")


def test_a_place_that_is_not_there_or_not_said(behind):
    for place in ({"node_id": "n"}, {"pipe_id": "n"}, {}, {"inlet_id": "i1", "node_id": "a"}):
        with pytest.raises(TraceError):
            behind(**place)


@settings(max_examples=100, deadline=None)
@given(
    pairs=st.lists(st.tuples(st.integers(0, 15), st.integers(0, 15)), min_size=1, max_size=40),
    falls=st.sets(st.integers(0, 15), max_size=2),
    place=st.integers(0, 15),
)
def test_everything_upstream_is_what_networkx_calls_ancestors(pairs, falls, place):
    names = [f"{n:02d}" for n in range(16)]
    pipes = pd.DataFrame(
        {
            "pipe_id": [f"p{n}" for n in range(len(pairs))],
            "from_node": pd.Series([names[a] for a, _ in pairs], dtype="str"),
            "to_node": pd.Series([names[b] for _, b in pairs], dtype="str"),
            "length_ft": 1.0,
        }
    )
    inlets = pd.DataFrame({"inlet_id": names, "node_id": pd.Series(names, dtype="str")})
    outfalls = pd.DataFrame({"outfall_id": [f"o{n}" for n in sorted(falls)],
                             "node_id": pd.Series([names[n] for n in sorted(falls)],
                                                  dtype="str")})  # fmt: skip
    network = build_network(inlets, pipes, outfalls)
    graph = nx.DiGraph((a, b) for a, b in pairs if a not in falls)
    graph.add_nodes_from(range(16))
    told = set(np.flatnonzero(_any_behind(network, place)).tolist())
    assert told == nx.ancestors(graph, place) | {place}
