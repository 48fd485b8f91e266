"""Faults of whole drain networks: cases solved by hand, and circles and reach against networkx."""

from __future__ import annotations

import geopandas as gpd
import networkx as nx
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString, Point

from vaultplan.intake.drain_rules import drain_faults
from vaultplan.intake.quality import row_findings
from vaultplan.schema import table

CRS = "EPSG:32606"


def pipes(*ways):
    """Give ways as ``"a>b"``; pipes are called by their way and number."""
    nodes = [way.split(">") for way in ways]
    frame = pd.DataFrame(
        {
            "pipe_id": [f"{way} {number}" for number, way in enumerate(ways)],
            "from_node": [start or None for start, _ in nodes],
            "to_node": [stop or None for _, stop in nodes],
        }
    )
    lines = [LineString([(0, 0), (10, 0)])] * len(ways)
    return table("drain_pipes").conform(gpd.GeoDataFrame(frame, geometry=lines, crs=CRS))


def points(name, key, nodes, places=None):
    rows = {key: [f"{key[0].upper()}{n}" for n in range(len(nodes))], "node_id": nodes}
    places = [Point(0, 0)] * len(nodes) if places is None else [Point(*xy) for xy in places]
    return table(name).conform(gpd.GeoDataFrame(rows, geometry=places, crs=CRS))


def network(ways, outfalls=(), inlets=(), **more):
    return {
        "drain_pipes": pipes(*ways),
        "outfalls": points("outfalls", "outfall_id", list(outfalls)),
        "inlets": points("inlets", "inlet_id", list(inlets)),
        **more,
    }


def broken(frames):
    """Return, per rule, the positions of the rows that break it."""
    found = {fault.rule: np.flatnonzero(fault.where).tolist() for fault in drain_faults(frames)}
    return {rule: rows for rule, rows in found.items() if rows}


def test_a_sound_drain_has_no_fault():
    frames = network(["a>b", "b>c", "x>b"], outfalls=["c"], inlets=["a", "x"])
    frames["outfalls"]["water_id"] = "W1"
    assert broken(frames) == {}


def test_circles_are_told_apart_from_rings_and_ways_into_them():
    frames = network(["in>a", "a>b", "b>a", "b>c", "c>d", "d>e", "e>c", "r>r", "a>a"])
    found = broken(frames)
    assert found["drain_loop"] == [1, 2, 4, 5, 6]
    assert found["pipe_ring"] == [7, 8]
    assert "drain_no_outfall" not in found


def test_two_pipes_side_by_side_are_no_circle():
    found = broken(network(["a>b"] * 300 + ["b>c"], outfalls=["c"]))
    assert "drain_loop" not in found and "drain_no_outfall" not in found


def test_each_pipe_of_a_circle_is_told_with_the_others():
    told = row_findings(network(["in>a", "a>b", "b>a"]))
    loop = told[told["rule"] == "drain_loop"]
    assert loop["row_key"].tolist() == ["a>b 1", "b>a 2"]
    assert set(loop["fault"]) == {"leads in a circle of 2 pipes: a>b 1, b>a 2"}


def test_long_circles_list_their_first_pipes_only():
    ways = [f"{n}>{(n + 1) % 20}" for n in range(20)]
    fault = row_findings(network(ways)).query("rule == 'drain_loop'")["fault"].iloc[0]
    assert fault.startswith("leads in a circle of 20 pipes: 0>1 0, 10>11 10, 11>12 11,")
    assert fault.endswith(" and 8 more")


def test_dead_ends_and_what_hangs_on_them():
    frames = network(
        ["a>b", "b>end", "c>end", "p>out", "q>shut", "a>out"],
        outfalls=["out"],
        inlets=["b", "b", "c", "q", "a", "p"],
    )
    found = broken(frames)
    assert found["drain_no_outfall"] == [1, 2, 4]
    # Of a's two ways one reaches the outfall.
    assert found["inlet_no_outfall"] == [0, 1, 2, 3]
    told = row_findings(frames).set_index("rule")
    assert told.loc["drain_no_outfall", "row_key"].tolist() == ["b>end 1", "c>end 2", "q>shut 4"]
    assert (
        "; above it: 3 inlets, nearest to 0 vaults" in told.loc["drain_no_outfall"].iloc[0]["fault"]
    )
    assert told.loc["inlet_no_outfall", "fault"].tolist() == [
        *["its water never reaches an outfall; it ends at node end"] * 3,
        "its water never reaches an outfall; it ends at node shut",
    ]


def test_a_circle_without_a_way_out_is_a_dead_end():
    frames = network(["in>a", "a>b", "b>a"], inlets=["in", "b"])
    found = broken(frames)
    assert found["inlet_no_outfall"] == [0, 1]
    assert "drain_no_outfall" not in found
    assert "inlet_no_outfall" not in broken(
        network(["in>a", "a>b", "b>a", "b>out"], inlets=["in", "b"], outfalls=["out"])
    )


def test_the_dead_end_with_the_most_vaults_comes_first():
    vaults = gpd.GeoDataFrame(
        {"vault_id": list("ABCDE")},
        # A and B lie by the second inlet, C by the first, D beyond 1,500 ft (457 m), E nowhere
        geometry=[Point(990, 0), Point(1010, 0), Point(10, 0), Point(5_000, 0), None],
        crs=CRS,
    )
    frames = network(["a>x", "b>y", "c>y"])
    frames["inlets"] = points(
        "inlets", "inlet_id", ["a", "b", "c"], [(0, 0), (1000, 0), (9_000, 0)]
    )
    frames["vaults"] = table("vaults").conform(vaults)
    told = row_findings(frames).set_index("rule")
    ends = told.loc["drain_no_outfall"]
    assert ends["row_key"].tolist() == ["b>y 1", "c>y 2", "a>x 0"]
    assert ends["fault"].str.split("; ").str[1].tolist() == [
        *["above it: 2 inlets, nearest to 2 vaults"] * 2,
        "above it: 1 inlet, nearest to 1 vault",
    ]
    inlets = told.loc["inlet_no_outfall"]
    assert inlets["row_key"].tolist() == ["I1", "I0", "I2"]
    assert inlets["fault"].iloc[0].endswith("ends at node y; 2 vaults beside it")
    capped = row_findings(frames, most=1).set_index("rule")
    assert capped.loc["drain_no_outfall", "row_key"] == "b>y 1"


def test_inlets_and_outfalls_off_the_drain():
    frames = network(
        ["a>out", "late>on", "on>out"],
        outfalls=["out", "lost", "late", "own"],
        inlets=["a", "own", "nowhere", None],
    )
    found = broken(frames)
    assert found["inlet_off_drain"] == [2, 3]
    assert found["outfall_off_drain"] == [1, 2]  # water can only leave the node called late
    assert found["outfall_no_water"] == [0, 1, 2, 3]
    assert "inlet_no_outfall" not in found


def test_blank_nodes_join_nothing():
    found = broken(network(["a>", ">b", ">"], inlets=["a", "b"]))
    assert "drain_loop" not in found and "pipe_ring" not in found
    assert found["inlet_no_outfall"] == [0, 1]


def test_without_pipes_only_waters_are_asked_for():
    frames = network([], outfalls=["x"], inlets=["y"])
    assert broken(frames) == {"outfall_no_water": [0]}
    assert broken({}) == {}
    assert broken({"drain_pipes": pipes("a>b")}) == {"drain_no_outfall": [0]}


NODES = st.sampled_from("abcdefghij")
WAYS = st.lists(st.builds("{}>{}".format, NODES, NODES), min_size=1, max_size=25)


@given(ways=WAYS)
def test_circles_are_those_that_networkx_finds(ways):
    graph = nx.MultiDiGraph([tuple(way.split(">")) for way in ways])
    number = {
        node: place
        for place, nodes in enumerate(nx.strongly_connected_components(graph))
        for node in nodes
    }
    ends = [way.split(">") for way in ways]
    expected = [place for place, (a, b) in enumerate(ends) if a != b and number[a] == number[b]]
    assert broken(network(ways)).get("drain_loop", []) == expected


@given(ways=WAYS, outfalls=st.sets(NODES, max_size=3), inlets=st.lists(NODES, max_size=6))
def test_reach_and_dead_ends_are_those_that_networkx_finds(ways, outfalls, inlets):
    frames = network(ways, outfalls=sorted(outfalls), inlets=inlets)
    graph = nx.MultiDiGraph([tuple(way.split(">")) for way in ways])
    lost = [
        place
        for place, node in enumerate(inlets)
        if node in graph and not ({node} | nx.descendants(graph, node)) & outfalls
    ]
    assert broken(frames).get("inlet_no_outfall", []) == lost
    told = row_findings(frames)
    ends = told[told["rule"] == "inlet_no_outfall"].set_index("row_key")["fault"]
    for place in lost:
        end = ends[f"I{place}"].rsplit(" ", 1)[1]
        down = {inlets[place]} | nx.descendants(graph, inlets[place])
        assert end in down
        # nothing leads out of the end but what leads back to it
        assert all(
            end in nx.descendants(graph, node) for node in nx.descendants(graph, end) - {end}
        )
    for place in broken(frames).get("drain_no_outfall", []):
        node = ways[place].split(">")[1]
        assert node not in outfalls
        assert set(graph.successors(node)) <= {node}


@pytest.mark.parametrize("rule", ["drain_loop", "drain_no_outfall", "inlet_no_outfall"])
def test_long_chains_end_where_they_should(rule):
    count = 5_000
    ways = [f"{n}>{n + 1}" for n in range(count)]
    if rule == "drain_loop":
        ways.append(f"{count}>0")
        assert len(broken(network(ways))[rule]) == count + 1
    else:
        told = row_findings(network(ways, inlets=["0"])).set_index("rule")
        assert f"{count}" in told.loc[rule, "fault"] + told.loc[rule, "value"]
