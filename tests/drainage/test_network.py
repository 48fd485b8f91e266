from collections import defaultdict
from functools import lru_cache

import networkx as nx
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vaultplan.drainage.network import build_network
from vaultplan.drainage.parts import OTHER_ENDS
from vaultplan.errors import CRSError
from vaultplan.units import ft_from_m


def _at(network, name):
    return list(network.nodes).index(name)


def _fault_set(network):
    listed = network.faults()
    place = listed["node_id"].fillna(listed["pipe_id"])
    return set(zip(listed["fault"], place, strict=True))


def test_given_length_goes_before_the_drawn_one_and_blank_ones_are_measured_in_feet(town):
    pipes = town.pipes(("p", "a", "b", 70.0), ("q", "b", "c", None))
    network = build_network(town.inlets(), pipes, town.outfalls(("o", "c", "bay")))
    assert network.run_ft[_at(network, "b")] == pytest.approx(ft_from_m(10.0))
    assert network.run_ft[_at(network, "a")] == pytest.approx(70.0 + ft_from_m(10.0))


def test_a_length_that_must_be_measured_needs_a_projected_crs(town):
    pipes = town.pipes(("p", "a", "b", None)).set_crs("EPSG:4326", allow_override=True)
    with pytest.raises(CRSError, match="not projected"):
        build_network(town.inlets(), pipes, town.outfalls())


def test_a_pipe_without_length_or_shape_leaves_the_run_unknown(town):
    pipes = town.pipes(("p", "a", "b", None), ("q", "b", "c", 5.0), line=False)
    network = build_network(town.inlets(), pipes, town.outfalls())
    assert np.isnan(network.run_ft[_at(network, "a")])
    assert network.run_ft[_at(network, "b")] == 5.0
    assert ("no_length", "p") in _fault_set(network)


def test_a_split_takes_the_larger_pipe_then_the_lower_id(town):
    pipes = town.pipes(
        ("p1", "a", "b", 1.0, {"diameter_in": 12.0}),
        ("p2", "a", "c", 2.0, {"diameter_in": 18.0}),
        ("p4", "d", "b", 4.0),
        ("p3", "d", "c", 3.0),
        ("p5", "e", "b", 5.0, {"diameter_in": 6.0}),
        ("p6", "e", "c", 6.0),
    )
    network = build_network(town.inlets(), pipes, town.outfalls())
    ends = {name: network.nodes[network.end[_at(network, name)]] for name in "ade"}
    assert ends == {"a": "c", "d": "c", "e": "b"}
    assert {name for fault, name in _fault_set(network) if fault == "split"} == {"a", "d", "e"}
    assert network.splits[_at(network, "a")] == 1
    assert network.splits[_at(network, "b")] == 0


def test_two_barrels_to_one_node_are_no_split(town):
    pipes = town.pipes(("p", "a", "b", 1.0), ("q", "a", "b", 2.0, {"diameter_in": 9.0}))
    network = build_network(town.inlets(), pipes, town.outfalls())
    assert network.splits[_at(network, "a")] == 0
    assert network.run_ft[_at(network, "a")] == 2.0


def test_a_path_stops_at_the_first_node_of_a_loop(town):
    pipes = town.pipes(
        ("p", "a", "b", 1.0), ("q", "b", "c", 2.0), ("r", "c", "b", 4.0), ("s", "d", "d", 8.0)
    )
    network = build_network(town.inlets(), pipes, town.outfalls())
    assert network.nodes[network.end[_at(network, "a")]] == "b"
    assert network.run_ft[_at(network, "a")] == 1.0
    looped = {name for fault, name in _fault_set(network) if fault == "loop"}
    assert looped == {"b", "c", "d"}
    assert ("same_node", "s") in _fault_set(network)


def test_an_outfall_ends_the_path_even_where_a_pipe_leads_on(town):
    pipes = town.pipes(("p", "a", "b", 1.0), ("q", "b", "c", 2.0))
    network = build_network(town.inlets(), pipes, town.outfalls(("o", "b", "bay")))
    assert network.nodes[network.end[_at(network, "a")]] == "b"
    assert ("outfall_goes_on", "b") in _fault_set(network)


def test_of_two_outfalls_at_a_node_the_first_id_counts_and_both_are_reported(town):
    falls = town.outfalls(("o2", "b", "bay"), ("o1", "b", "creek"))
    network = build_network(town.inlets(), town.pipes(("p", "a", "b", 1.0)), falls)
    assert network.outfall[_at(network, "b")] == 1
    assert ("two_outfalls", "b") in _fault_set(network)


def test_gaps_are_reported(town):
    pipes = town.pipes(("p", "a", "b", 1.0), ("q", "b", None, 2.0))
    network = build_network(town.inlets(i=(0, 0, "z")), pipes, town.outfalls(("o", "x", "bay")))
    assert _fault_set(network) == {
        ("dead_end", "b"),
        ("loose_inlet", "z"),
        ("blank_node", "q"),
    }


def test_the_first_node_of_a_sewer_is_kept(town):
    pipes = town.pipes(
        ("p", "a", "b", 1.0, {"system": "storm"}),
        ("q", "b", "c", 1.0, {"system": "combined"}),
        ("r", "c", "d", 1.0, {"system": "sanitary"}),
        ("s", "e", "f", 1.0),
    )
    network = build_network(town.inlets(), pipes, town.outfalls())
    entry = {name: network.sewer_entry[_at(network, name)] for name in "abcdef"}
    b, c = _at(network, "b"), _at(network, "c")
    assert entry == {"a": b, "b": b, "c": c, "d": -1, "e": -1, "f": -1}
    assert network.unstated[_at(network, "e")] == 1
    assert network.unstated[_at(network, "a")] == 0


def test_pipes_that_never_name_a_system_are_storm_drains(town):
    network = build_network(town.inlets(), town.pipes(("p", "a", "b", 1.0)), town.outfalls())
    assert not network.unstated.any()
    assert (network.sewer_entry == -1).all()


def test_empty_tables_make_an_empty_network(town):
    network = build_network(town.inlets(), town.pipes(), town.outfalls())
    assert len(network.nodes) == 0
    assert network.find(pd.Series(["a"], dtype="str")).tolist() == [-1]


pipe_rows = st.lists(
    st.tuples(
        st.integers(0, 11),
        st.integers(0, 11),
        st.floats(0, 1000),
        st.sampled_from([None, 8.0, 12.0, 24.0]),
    ),
    max_size=24,
)


def _as_tables(networks):
    """Return pipes and outfalls of several networks side by side, nodes named ``network-node``."""
    pipes = [
        (f"{k:02d}-p{n:02d}", f"{k:02d}-{row[0]:02d}", f"{k:02d}-{row[1]:02d}", *row[2:])
        for k, (rows, _) in enumerate(networks)
        for n, row in enumerate(rows)
    ]
    falls = [(f"{k:02d}-o{n:02d}", f"{k:02d}-{n:02d}") for k, (_, own) in enumerate(networks)
             for n in sorted(own)]  # fmt: skip
    names = ["pipe_id", "from_node", "to_node", "length_ft", "diameter_in"]
    table = pd.DataFrame(pipes, columns=names).astype(
        {"pipe_id": "str", "from_node": "str", "to_node": "str", "length_ft": float,
         "diameter_in": float}
    )  # fmt: skip
    return table, pd.DataFrame(falls, columns=["outfall_id", "node_id"]).astype("str")


def _walk_with_networkx(rows, outfall_nodes):
    """Follow each node edge by edge in a graph that holds only the pipes the water takes."""
    graph = nx.MultiDiGraph()
    for number, (start, stop, feet, diameter) in enumerate(rows):
        graph.add_edge(
            start, stop, rank=(start == stop, -(diameter or -1), f"p{number:02d}"), ft=feet
        )
    taken = nx.DiGraph()
    taken.add_nodes_from(graph)
    taken.add_nodes_from(outfall_nodes)
    for node in graph:
        out = list(graph.out_edges(node, data=True))
        if out and node not in outfall_nodes:
            _, stop, data = min(out, key=lambda edge: edge[2]["rank"])
            taken.add_edge(node, stop, ft=data["ft"])
    circled = set().union(*nx.simple_cycles(taken))
    answers = {}
    for node in taken:
        here, feet = node, 0.0
        while here not in circled and (after := list(taken.successors(here))):
            feet += taken.edges[here, after[0]]["ft"]
            here = after[0]
        answers[node] = (here, feet, here in circled)
    return answers


networks_drawn = st.lists(
    st.tuples(pipe_rows, st.frozensets(st.integers(0, 11), max_size=3)), min_size=20, max_size=20
)


@settings(max_examples=100, deadline=None)
@given(networks=networks_drawn)
def test_two_thousand_random_networks_run_as_networkx_says(networks):
    """Trees, loops, splits and gaps: last node, feet, and the share that reaches every end."""
    pipes, falls = _as_tables(networks)
    network = build_network(pd.DataFrame({"inlet_id": [], "node_id": []}), pipes, falls)
    fall_of = dict(enumerate(falls["node_id"]))
    expected = [_walk_with_networkx(rows, own) for rows, own in networks]
    assert len(network.nodes) == sum(map(len, expected))
    for place, name in enumerate(network.nodes):
        k, node = map(int, name.split("-"))
        rows, own = networks[k]
        end, feet, circles = expected[k][node]
        assert network.nodes[network.end[place]] == f"{k:02d}-{end:02d}"
        assert network.run_ft[place] == pytest.approx(feet)
        assert bool(network.on_loop[network.end[place]]) == circles
        assert bool(network.outfall[network.end[place]] >= 0) == (end in own)
        told = {
            (int(fall_of[at].split("-")[1]) if isinstance(at, int) else at): share
            for at, share in _told_shares(network, place, len(falls)).items()
        }
        assert told == pytest.approx(_shares_with_networkx(tuple(rows), own, node))


def _told_shares(network, place, falls):
    """Return the share of the water from a node by its end (outfalls by row), as we tell it."""
    split = network.parts.first_split[place]
    if split < 0:
        end = network.end[place]
        row = int(network.outfall[end])
        return {"loop" if network.on_loop[end] else "no_outfall" if row < 0 else row: 1.0}
    dense = network.parts.shares[[split]].toarray()[0]
    ends = [*range(falls), *OTHER_ENDS]
    return {end: share for end, share in zip(ends, dense, strict=True) if share > 1e-12}


@lru_cache(maxsize=32)
def _graph_of_all_ways(rows, own):
    """Return every way out of each node with its share, circles of main ways, and rings of all."""
    walked = _walk_with_networkx(rows, own)
    circled = {node for node, (end, _, circles) in walked.items() if circles and end == node}
    ways = nx.DiGraph()
    ways.add_nodes_from(range(12))
    for node in set(range(12)) - own - circled:
        out = [(stop, size) for start, stop, _, size in rows if start == node != stop]
        alike = any(size is None for _, size in out) or len({stop for stop, _ in out}) == 1
        weight = [1.0 if alike else size ** (8 / 3) for _, size in out]
        for (stop, _), one in zip(out, weight, strict=True):
            before = ways.edges[node, stop]["share"] if ways.has_edge(node, stop) else 0.0
            ways.add_edge(node, stop, share=before + one / sum(weight))
    ring = {node: k for k, one in enumerate(nx.strongly_connected_components(ways)) for node in one}
    return ways, circled, ring


def _shares_with_networkx(rows, own, node):
    """Follow all of the water from a node, way by way, apart from the program."""
    ways, circled, ring = _graph_of_all_ways(rows, own)
    found = defaultdict(float)
    afoot = [(node, 1.0)]
    while afoot:
        here, share = afoot.pop()
        out = list(ways.out_edges(here, data="share"))
        if here in circled:
            found["loop"] += share
        elif here in own:
            found[here] += share
        elif not out:
            found["no_outfall"] += share
        else:
            for _, stop, part in out:
                if len(out) > 1 and ring[stop] == ring[here]:
                    found["loop"] += share * part
                else:
                    afoot.append((stop, share * part))
    return dict(found)
