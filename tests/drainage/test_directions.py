"""Levels and drawing against the node pair: two against one turn a pipe, one makes it doubtful."""

import pytest
from shapely import LineString

from vaultplan.drainage import build_network


def _line(town, *points):
    return LineString([town.at(*point) for point in points])


@pytest.fixture
def run(town):
    """a (0,0) - b (100,0) - c (200,0), all drawn with the flow; q is b to c."""

    def build(levels=(None, None), *, q=("b", "c"), drawn=((100, 0), (200, 0)), kind="pipe"):
        pipes = town.pipes(
            ("p", "a", "b", 1.0, {"geometry": _line(town, (0, 0), (100, 0))}),
            ("q", *q, 1.0, {
                "from_invert_ft": levels[0], "to_invert_ft": levels[1], "kind": kind,
                "geometry": _line(town, *drawn),
            }),
        )  # fmt: skip
        falls = town.outfalls(("o", "c", "bay", 200, 0))
        return build_network(town.inlets(i=(0, 0, "a")), pipes, falls)

    return build


def _faults(network):
    return set(zip(network.faults()["fault"], network.faults()["pipe_id"].dropna(), strict=False))


def _end(network, node):
    return network.nodes[network.end[list(network.nodes).index(node)]]


def test_all_agree(run):
    network = run((10.0, 9.0))
    assert _end(network, "a") == "c"
    assert not network.doubtful.any()
    assert network.faults().empty


def test_levels_and_drawing_together_turn_a_pipe(run):
    """Its nodes were typed the wrong way round: b to c is drawn and falls from b to c."""
    network = run((9.0, 10.0), q=("c", "b"))
    assert _end(network, "a") == "c"
    assert network.doubtful[list(network.nodes).index("a")] == 1
    assert ("turned", "q") in _faults(network)


@pytest.mark.parametrize(
    ("levels", "drawn"),
    [((9.0, 10.0), ((100, 0), (200, 0))), ((None, None), ((200, 0), (100, 0)))],
)
def test_one_of_them_alone_makes_it_doubtful(run, levels, drawn):
    network = run(levels, drawn=drawn)
    assert _end(network, "a") == "c"
    assert network.doubtful[list(network.nodes).index("a")] == 1
    assert ("against", "q") in _faults(network)


def test_a_slip_of_the_level_and_a_force_main_say_nothing(run):
    assert not run((10.0, 10.1)).doubtful.any()
    assert run((10.0, 10.11)).doubtful.any()
    network = run((10.0, 30.0), kind="force_main")
    assert not network.doubtful.any()
    assert network.pumps[list(network.nodes).index("a")] == 1
