"""Neighbours along lines: by hand, and against a search of the whole graph."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import sparse
from scipy.sparse import csgraph

from vaultplan.analysis import along
from vaultplan.analysis.along import lengths_between, near_along


def test_two_banks_of_a_river_are_far_apart_along_the_bridge():
    """A and B face each other 10 apart; the bridge is 100 away. C is 30 down A's bank."""
    nodes = np.array([(0, 0), (0, 10), (100, 0), (100, 10), (30, 0)], dtype=float)
    start, end = np.array([0, 4, 2, 1]), np.array([4, 2, 3, 3])
    graph = lengths_between(start, end, np.array([30.0, 70, 10, 100]), 5)
    node = np.array([0, 1, 4, -1])
    near = near_along(graph, nodes, node, np.zeros(4), reach=60.0).toarray()
    assert near.tolist() == [[0, 0, 1, 0], [0, 0, 0, 0], [1, 0, 0, 0], [0, 0, 0, 0]]
    far = near_along(graph, nodes, node, np.array([0.0, 0, 0, 9]), reach=210.0).toarray()
    assert far[:3, :3].sum() == 6


def test_the_way_to_the_line_counts_and_so_does_a_shared_node():
    nodes = np.array([(0, 0), (10, 0)], dtype=float)
    graph = lengths_between(np.array([0]), np.array([1]), np.array([10.0]), 2)
    access = np.array([1.0, 1.5, 3.0])
    near = near_along(graph, nodes, np.array([0, 0, 1]), access, reach=14.0).toarray()
    assert near.tolist() == [[0, 1, 1], [1, 0, 0], [1, 0, 0]]


def test_of_two_lines_between_two_nodes_the_shorter_counts_and_a_ring_is_none():
    graph = lengths_between(np.array([1, 0, 1]), np.array([0, 1, 1]), np.array([9.0, 5, 2]), 2)
    assert graph.toarray().tolist() == [[0, 5], [0, 0]]


@given(seed=st.integers(0, 10_000), together=st.sampled_from([1, 5, 300]))
def test_it_finds_what_a_search_of_the_whole_graph_finds(seed, together):
    rng = np.random.default_rng(seed)
    nodes = rng.random((40, 2)) * 100
    start, end = rng.integers(0, 40, (2, 70))
    straight = np.hypot(*(nodes[start] - nodes[end]).T)
    graph = lengths_between(start, end, straight * (1 + rng.random(70)), 40)
    node = rng.integers(-1, 40, 30)
    access = rng.random(30) * 5
    reach, most = float(rng.uniform(10, 90)), int(rng.integers(1, 8))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(along, "_TOGETHER", together)
        found = near_along(graph, nodes, node, access, reach=reach, most=most).toarray()
    whole = csgraph.dijkstra(sparse.csr_matrix(graph), directed=False)
    way = whole[node][:, node] + access[:, None] + access[None, :]
    way[node < 0, :] = way[:, node < 0] = np.inf
    np.fill_diagonal(way, np.inf)
    expected = np.zeros((30, 30))
    for place in range(30):
        order = np.argsort(way[place], kind="stable")[:most]
        expected[place, order[way[place, order] <= reach]] = 1
    assert (found == np.maximum(expected, expected.T)).all()
