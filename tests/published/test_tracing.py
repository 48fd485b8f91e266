"""Tracing checked on drain networks that others published.

The networks are test data of the Python package swmmio 0.8.6 (MIT licence): ``Example1.inp`` is
EPA SWMM's "Example 1"; ``model_state_plane.inp`` and ``test_inlet_drains.inp`` came with the
package. Only topology, lengths, sizes and coordinates are read; vaults beside them are invented.
"""

from importlib.resources import files

import geopandas as gpd
import networkx as nx
import pytest
import shapely

from vaultplan.drainage import build_network, nodes_behind, trace_vaults
from vaultplan.schema import table
from vaultplan.settings import DrainageSettings
from vaultplan.units import in_from_ft

CRS = {
    "Example1.inp": "EPSG:2227",  # the model has no place on earth; any grid in feet will do
    "model_state_plane.inp": "EPSG:2817",  # as stated with the model in swmmio's own tests
    "test_inlet_drains.inp": "EPSG:2227",
}


def _sections(name):
    """Return each section of a SWMM input file as rows of words."""
    text = files("swmmio.tests.data").joinpath(name).read_text(encoding="latin-1")
    sections, rows = {}, []
    for line in text.splitlines():
        words = line.split(";")[0].split()
        if line.startswith("["):
            rows = sections.setdefault(line.strip().strip("[]").upper(), [])
        elif words:
            rows.append(words)
    return sections


def _tables(name, *, kept=lambda row: True):
    """Return the published model as drain tables, an inlet at each node, all lengths declared."""
    sections = _sections(name)
    spot = {node: (float(x), float(y)) for node, x, y, *_ in sections["COORDINATES"]}
    size = {
        row[0]: in_from_ft(float(row[2]))
        for row in sections["XSECTIONS"]
        if row[1] not in ("STREET", "IRREGULAR")
    }
    links = [(row[0], row[1], row[2], float(row[3])) for row in sections["CONDUITS"] if kept(row)]
    links += [(row[0], row[1], row[2], 0.0) for row in sections.get("OUTLETS", [])]
    ends = [row[0] for row in sections["OUTFALLS"]]
    carriers = sorted({node for _, start, stop, _ in links for node in (start, stop)} - set(ends))
    crs = CRS[name]

    def frame(table_name, rows):
        return table(table_name).conform(gpd.GeoDataFrame(rows, geometry="geometry", crs=crs))

    def point(node):
        return shapely.Point(spot.get(node, (0.0, 0.0)))

    return {
        "inlets": frame(
            "inlets", [{"inlet_id": n, "node_id": n, "geometry": point(n)} for n in carriers]
        ),
        "drain_pipes": frame(
            "drain_pipes",
            [
                {
                    "pipe_id": pipe,
                    "from_node": start,
                    "to_node": stop,
                    "length_ft": feet,
                    "diameter_in": size.get(pipe),
                    "geometry": shapely.LineString([point(start), point(stop)]),
                }
                for pipe, start, stop, feet in links
            ],
        ),
        "outfalls": frame(
            "outfalls",
            [{"outfall_id": n, "node_id": n, "water_id": "w", "geometry": point(n)} for n in ends],
        ),
        "receiving_waters": frame(
            "receiving_waters", [{"water_id": "w", "name": "invented", "geometry": point(ends[0])}]
        ),
    }


def _traced(tables):
    """Return the traces of an invented vault set at every inlet."""
    vaults = tables["inlets"].rename(columns={"inlet_id": "vault_id"})[["vault_id", "geometry"]]
    traced = trace_vaults(vaults, **tables, settings=DrainageSettings(), with_geometry=True)
    return traced.set_index("vault_id")


# Feet to outfall 18 in Example1.inp: sums of the lengths in its [CONDUITS] section along the path,
# walked once with networkx, apart from this program.
EXAMPLE_1_FT = {
    "9": 2300, "10": 1900, "13": 2100, "14": 1700, "15": 1300, "16": 900, "17": 400, "19": 1900,
    "20": 1700, "21": 1500, "22": 1200, "23": 1200, "24": 800,
}  # fmt: skip
BEHIND_16 = ["10", "13", "14", "15", "19", "20", "21", "22", "9"]


def test_epa_example_1_lengths_of_all_13_junctions():
    traced = _traced(_tables("Example1.inp"))
    assert traced["pipe_ft"].to_dict() == EXAMPLE_1_FT
    assert set(traced["end_node"]) == {"18"}
    assert set(traced["trace_status"]) == {"complete"}
    assert set(traced["confidence"]) == {"high"}


def test_epa_example_1_nodes_behind_16():
    tables = _tables("Example1.inp")
    network = build_network(tables["inlets"], tables["drain_pipes"], tables["outfalls"])
    assert nodes_behind(network, "16") == BEHIND_16
    assert network.faults().empty


def test_state_plane_model_traces_whole():
    """31 junctions and 13 storages, 44 conduits, one outfall J3-485 (swmmio 0.8.6)."""
    tables = _tables("model_state_plane.inp")
    assert len(tables["drain_pipes"]) == 44
    traced = _traced(tables)
    assert len(traced) == 44
    assert set(traced["trace_status"]) == {"complete"}
    assert set(traced["outfall_id"]) == {"J3-485"}
    graph = nx.DiGraph()
    for row in tables["drain_pipes"].itertuples():
        graph.add_edge(row.from_node, row.to_node, ft=row.length_ft)
    for node, feet in traced["pipe_ft"].items():
        walked = nx.shortest_path_length(graph, node, "J3-485", weight="ft")
        assert feet == pytest.approx(walked), node


def test_street_inlet_model_traces_whole():
    """Its four street inlets, and every junction, lead to outfall O1 (swmmio 0.8.6).

    Where a channel and a pipe leave one junction, the larger is followed; walked by hand from J1:
    J1-J5 185.39, J5-J6 207, J6-J8 95, J8-J9 166, J9-J10 320, J10-J11 144.50 (the 3.17 ft pipe, not
    the 3 ft channel), J11-O1 no length.
    """
    name = "test_inlet_drains.inp"
    streets = {row[0] for row in _sections(name)["CONDUITS"] if row[0].startswith("Street")}
    tables = _tables(name, kept=lambda row: row[0] not in streets)
    traced = _traced(tables)
    assert set(traced["trace_status"]) == {"complete"}
    assert set(traced["end_node"]) == {"O1"}
    inlet_nodes = [row[2] for row in _sections(name)["INLET_USAGE"]]
    assert inlet_nodes == ["J1", "J2a", "J2", "J11"]
    assert traced.loc["J1", "pipe_ft"] == pytest.approx(
        185.39 + 207.0 + 95.0 + 166.0 + 320.0 + 144.50
    )
    assert traced.loc["J2a", "pipe_ft"] == pytest.approx(157.48 + 529.22)
    assert set(traced.loc[["J1", "J4", "J5"], "confidence"]) == {"medium"}
    assert traced.loc["J2", "confidence"] == "high"
