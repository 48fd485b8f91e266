import numpy as np
import pytest
import shapely

from vaultplan.drainage import build_network, nodes_behind, trace_vaults
from vaultplan.errors import CRSError, TraceError
from vaultplan.schema import table
from vaultplan.settings import DrainageSettings
from vaultplan.units import ft_from_m

NEAR = DrainageSettings(max_gutter_ft=300.0)


@pytest.fixture
def straight(town):
    """Inlet i1 at (0,0) drops into a; a-b-c runs 1000 + 500 ft to outfall o1 into the creek."""
    return {
        "inlets": town.inlets(i1=(0, 0, "a")),
        "drain_pipes": town.pipes(("p", "a", "b", 1000.0), ("q", "b", "c", 500.0)),
        "outfalls": town.outfalls(("o1", "c", "creek")),
        "receiving_waters": town.waters(creek="lagoon", lagoon="sea", sea=None),
    }


def _trace(vaults, tables, **more):
    return trace_vaults(vaults, **tables, settings=NEAR, **more)


def test_a_whole_path(town, straight):
    (row,) = _trace(town.vaults(v=(30, 40)), straight).to_dict("records")
    assert row["trace_status"] == "complete"
    assert row["confidence"] == "high"
    assert (row["inlet_id"], row["end_node"], row["outfall_id"]) == ("i1", "c", "o1")
    assert row["gutter_ft"] == pytest.approx(ft_from_m(50.0))
    assert row["pipe_ft"] == 1500.0
    assert row["length_ft"] == pytest.approx(1500.0 + ft_from_m(50.0))
    assert row["water_id"] == "creek"
    assert row["waters_passed"] == "creek;lagoon;sea"
    assert "outfall o1 and into Creek" in row["reason"]
    assert "straight" in row["reason"]


def test_the_result_has_the_declared_shape_and_no_geometry_unless_asked(town, straight):
    traced = _trace(town.vaults(v=(0, 1), w=(0, 2)), straight)
    assert list(traced.columns) == list(table("traces").column_names)
    assert traced.geometry.isna().all()
    asked = _trace(town.vaults(v=(0, 1), w=(0, 2)), straight, with_geometry={"w"})
    assert asked.geometry.notna().tolist() == [False, True]


def test_an_inlet_just_inside_the_farthest_run_counts_and_one_outside_does_not(town, straight):
    metres = 300.0 * 0.3048
    vaults = town.vaults(inside=(metres - 0.01, 0), outside=(metres + 0.01, 0))
    traced = _trace(vaults, straight)
    assert traced["trace_status"].tolist() == ["complete", "no_inlet"]
    lost = traced.iloc[1]
    assert "within 300 ft" in lost["reason"]
    assert lost[["inlet_id", "gutter_ft", "pipe_ft", "length_ft", "end_node"]].isna().all()


def test_a_vault_without_a_position_is_a_result(town, straight):
    vaults = town.vaults(v=(0, 1), lost=(0, 1))
    vaults.loc[1, "geometry"] = None
    traced = _trace(vaults, straight)
    assert traced["trace_status"].tolist() == ["complete", "no_inlet"]
    assert "no position" in traced["reason"].iloc[1]


def test_missing_tables_are_results(town, straight):
    vaults = town.vaults(v=(0, 1))
    expected = {
        "inlets": ("no_inlet", town.inlets()),
        "drain_pipes": ("no_outfall", town.pipes()),
        "outfalls": ("no_outfall", town.outfalls()),
        "receiving_waters": ("no_water", town.waters()),
    }
    for name, (status, empty) in expected.items():
        traced = _trace(vaults, {**straight, name: empty}, with_geometry=True)
        assert traced["trace_status"].tolist() == [status], name
        assert traced["confidence"].tolist() == ["low"]
        assert traced["reason"].notna().all()


def test_no_drains_and_no_vaults_at_all(town):
    nothing = {
        "inlets": town.inlets(),
        "drain_pipes": town.pipes(),
        "outfalls": town.outfalls(),
        "receiving_waters": town.waters(),
    }
    assert _trace(town.vaults(v=(0, 0)), nothing)["trace_status"].tolist() == ["no_inlet"]
    assert len(_trace(town.vaults(), nothing)) == 0


def test_an_inlet_at_an_outfall_counts_without_any_pipe(town, straight):
    tables = {**straight, "drain_pipes": town.pipes(), "inlets": town.inlets(i=(0, 0, "c"))}
    (row,) = _trace(town.vaults(v=(0, 10)), tables, with_geometry=True).to_dict("records")
    assert row["trace_status"] == "complete"
    assert row["pipe_ft"] == 0.0
    assert len(row["geometry"].coords) == 3


def test_an_outfall_without_a_listed_water_is_not_guessed(town, straight):
    for water, words in ((None, "does not say which water"), ("pond", "not listed: pond")):
        tables = {**straight, "outfalls": town.outfalls(("o1", "c", water))}
        (row,) = _trace(town.vaults(v=(0, 1)), tables).to_dict("records")
        assert row["trace_status"] == "no_water"
        assert row["outfall_id"] == "o1"
        assert row["water_id"] != row["water_id"]
        assert words in row["reason"]


def test_dead_end_loop_and_sewer_say_where(town, straight):
    gap = town.pipes(("p", "a", "b", 1000.0))
    loop = town.pipes(("p", "a", "b", 1000.0), ("q", "b", "d", 1.0), ("r", "d", "b", 1.0))
    sewer = town.pipes(
        ("p", "a", "b", 1000.0, {"system": "storm"}), ("q", "b", "c", 500.0, {"system": "combined"})
    )
    for pipes, status, end, feet in (
        (gap, "no_outfall", "b", 1000.0),
        (loop, "loop", "b", 1000.0),
        (sewer, "sewer", "c", 1500.0),
    ):
        (row,) = _trace(town.vaults(v=(0, 1)), {**straight, "drain_pipes": pipes}).to_dict(
            "records"
        )
        assert (row["trace_status"], row["end_node"], row["pipe_ft"]) == (status, end, feet)
        assert "node b" in row["reason"]


def test_a_second_inlet_is_kept_inside_the_ratio_only(town, straight):
    tables = {**straight, "inlets": town.inlets(i1=(-10, 0, "a"), i2=(12.4, 0, "b"))}
    assert _trace(town.vaults(v=(0, 0)), tables)["second_inlet_id"].tolist() == ["i2"]
    tables["inlets"] = town.inlets(i1=(-10, 0, "a"), i2=(12.6, 0, "b"))
    assert _trace(town.vaults(v=(0, 0)), tables)["second_inlet_id"].isna().all()


def test_a_second_inlet_lowers_confidence_when_it_leads_elsewhere_only(town, straight):
    same = {**straight, "inlets": town.inlets(i1=(-10, 0, "a"), i2=(10, 0, "b"))}
    other = {**straight, "inlets": town.inlets(i1=(-10, 0, "a"), i2=(10, 0, "z"))}
    (row,) = _trace(town.vaults(v=(0, 0)), same).to_dict("records")
    assert (row["inlet_id"], row["second_inlet_id"], row["confidence"]) == ("i1", "i2", "high")
    (row,) = _trace(town.vaults(v=(0, 0)), other).to_dict("records")
    assert row["confidence"] == "medium"
    assert "leads to another end" in row["reason"]


def test_a_split_on_the_way_lowers_confidence(town, straight):
    pipes = town.pipes(
        ("p", "a", "b", 1000.0, {"diameter_in": 24.0}),
        ("x", "a", "z", 10.0, {"diameter_in": 12.0}),
        ("q", "b", "c", 500.0),
    )
    (row,) = _trace(town.vaults(v=(0, 1)), {**straight, "drain_pipes": pipes}).to_dict("records")
    assert (row["trace_status"], row["confidence"], row["pipe_ft"]) == ("complete", "medium", 1500)
    assert "splits" in row["reason"]


def test_waters_in_a_circle_are_passed_once(town, straight):
    tables = {**straight, "receiving_waters": town.waters(creek="lagoon", lagoon="creek")}
    assert _trace(town.vaults(v=(0, 1)), tables)["waters_passed"].tolist() == ["creek;lagoon"]


def test_unequal_crs_is_refused(town, straight):
    vaults = town.vaults(v=(0, 1)).to_crs("EPSG:32607")
    with pytest.raises(CRSError, match="inlets"):
        _trace(vaults, straight)


def test_retired_and_other_owner_vaults_are_traced(town, straight):
    vaults = town.vaults(v=(0, 1), w=(0, 2))
    vaults["status"] = ["retired", "other_owner"]
    assert _trace(vaults, straight)["trace_status"].tolist() == ["complete", "complete"]


def test_row_order_does_not_matter(town, straight):
    tables = {
        **straight,
        "inlets": town.inlets(i1=(-10, 0, "a"), i2=(10, 0, "b"), i3=(0, 10, "c"), i4=(0, -10, "a")),
    }
    vaults = town.vaults(v=(0, 0), w=(3, 0), x=(0, 60))
    one = _trace(vaults, tables, with_geometry=True).set_index("vault_id")
    turned = {name: frame.iloc[::-1] for name, frame in tables.items()}
    two = _trace(vaults.iloc[::-1], turned, with_geometry=True).set_index("vault_id")
    assert one.loc["v", "inlet_id"] == "i1"
    assert one.loc["v", "second_inlet_id"] == "i2"
    assert one.equals(two.loc[one.index])


def test_the_drawn_path_follows_the_flow_even_where_a_pipe_is_drawn_against_it(town):
    at = town.at
    corner = [(0, 0), (50, 0), (100, 20), (150, 0)]
    shapes = [shapely.LineString([at(*corner[n]), at(*corner[n + 1])]) for n in range(3)]
    turned = [shapes[0].reverse(), shapes[1], shapes[2].reverse()]
    tables = {
        "inlets": town.inlets(i=(0, 0, "a")),
        "outfalls": town.outfalls(("o", "d", "sea", 150, 0)),
        "receiving_waters": town.waters(sea=None),
    }
    lines = []
    for drawn in (shapes, turned):
        pipes = town.pipes(
            *(
                (name, name, after, None, {"geometry": shape})
                for name, after, shape in zip("abc", "bcd", drawn, strict=True)
            )
        )
        traced = _trace(
            town.vaults(v=(-30, 0)), {**tables, "drain_pipes": pipes}, with_geometry=True
        )
        lines.append(traced.geometry.iloc[0])
        drawn_ft = ft_from_m(lines[-1].length)
        assert traced["length_ft"].iloc[0] == pytest.approx(drawn_ft)
    assert lines[0].equals_exact(lines[1])
    assert [(x - 500_000, y - 4_206_000) for x, y in lines[0].coords] == [(-30, 0), *corner]


def test_a_network_built_once_gives_the_same_traces(town, straight):
    network = build_network(straight["inlets"], straight["drain_pipes"], straight["outfalls"])
    vaults = town.vaults(v=(0, 1), w=(5, 2))
    assert _trace(vaults, straight).equals(_trace(vaults, straight, network=network))


def test_nodes_behind_a_node_on_a_loop_and_an_unknown_one(town):
    pipes = town.pipes(("p", "a", "b", 1.0), ("q", "b", "c", 1.0), ("r", "d", "b", 1.0))
    network = build_network(town.inlets(), pipes, town.outfalls())
    assert nodes_behind(network, "b") == ["a", "d"]
    assert nodes_behind(network, "a") == []
    with pytest.raises(TraceError, match="no node 'z'"):
        nodes_behind(network, "z")


def test_lengths_are_never_negative_and_add_up(town, straight):
    rng = np.random.default_rng(7)
    vaults = town.vaults(**{f"v{n}": tuple(rng.uniform(-150, 150, 2)) for n in range(200)})
    traced = _trace(vaults, straight)
    done = traced[traced["trace_status"] == "complete"]
    assert 0 < len(done) < 200
    assert (done["length_ft"] == done["gutter_ft"] + done["pipe_ft"]).all()
    assert (traced["gutter_ft"].dropna() <= 300.0).all()
