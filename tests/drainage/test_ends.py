"""Ends that are no receiving water, and the areas that stand in where pipes fail."""

import geopandas as gpd
import pytest
from shapely import MultiPolygon, box

from vaultplan.drainage import trace_vaults
from vaultplan.schema import table
from vaultplan.settings import DrainageSettings


@pytest.fixture
def tables(town):
    return {
        "inlets": town.inlets(i=(0, 0, "a"), j=(40, 0, "b")),
        "drain_pipes": town.pipes(("p", "a", "x", 10.0)),
        "outfalls": town.outfalls(("o1", "x", "bay"), ("o2", "y", "creek"), ("o3", "z", "bay")),
        "receiving_waters": town.waters(bay=None, creek="bay"),
    }


def _areas(town, **shapes):
    rows = [
        {"area_id": f"{outfall}-{n}", "outfall_id": outfall, "geometry": MultiPolygon([
            box(*town.at(x, y).coords[0], *town.at(x + w, y + w).coords[0])])}
        for n, (outfall, (x, y, w)) in enumerate(shapes.items())
    ]  # fmt: skip
    return table("drainage_areas").conform(
        gpd.GeoDataFrame(rows, geometry="geometry", crs="EPSG:32606")
    )


def _trace(town, tables, at=(0, 1), **more):
    found = trace_vaults(town.vaults(v=at), **tables, settings=DrainageSettings(), **more)
    return found.iloc[0]


@pytest.mark.parametrize("kind", ["dry_well", "pump_station", "sewer_plant"])
def test_ends_that_are_no_outfall_are_named(town, tables, kind):
    falls = tables["outfalls"].assign(kind=[kind, "outfall", "outfall"])
    row = _trace(town, {**tables, "outfalls": falls})
    assert (row["trace_status"], row["confidence"]) == (kind, "low")


def test_a_blank_kind_is_an_outfall(town, tables):
    assert _trace(town, tables)["trace_status"] == "complete"


def test_a_private_inlet_or_pipe_is_its_owners(town, tables):
    inlets = tables["inlets"].assign(owner=["private", "public"])
    assert _trace(town, {**tables, "inlets": inlets})["trace_status"] == "private"
    pipes = tables["drain_pipes"].assign(system="private")
    row = _trace(town, {**tables, "drain_pipes": pipes})
    assert row["trace_status"] == "private"
    assert "private drain" in row["reason"]


def test_the_second_inlets_path_is_traced_too(town, tables):
    row = _trace(town, tables, at=(18, 0))
    assert (row["inlet_id"], row["trace_status"]) == ("i", "complete")
    assert (row["second_inlet_id"], row["second_status"]) == ("j", "no_outfall")
    assert row["second_outfall_id"] is None or row["second_outfall_id"] != row["second_outfall_id"]
    assert row["confidence"] == "medium"


def test_an_area_stands_in_where_no_pipe_leads_on(town, tables):
    lost = {**tables, "inlets": town.inlets()}
    areas = _areas(town, o2=(-50, -50, 100))
    row = _trace(town, lost, drainage_areas=areas)
    assert (row["trace_status"], row["confidence"]) == ("by_area", "low")
    assert (row["outfall_id"], row["waters_passed"]) == ("o2", "creek;bay")
    assert "area drained by outfall o2" in row["reason"]


def test_of_areas_that_overlap_all_are_told(town, tables):
    lost = {**tables, "inlets": town.inlets()}
    areas = _areas(town, o3=(-50, -50, 100), o1=(-60, -60, 100))
    row = _trace(town, lost, drainage_areas=areas)
    assert (row["outfall_id"], row["part_outfalls"]) == ("o1", "o3=0.50")


def test_an_area_never_overrules_a_path(town, tables):
    areas = _areas(town, o2=(-50, -50, 100))
    assert _trace(town, tables, drainage_areas=areas)["outfall_id"] == "o1"


def test_an_area_elsewhere_and_one_of_an_outfall_that_is_gone_do_not_help(town, tables):
    lost = {**tables, "inlets": town.inlets()}
    areas = _areas(town, o2=(500, 500, 10), gone=(-50, -50, 100))
    assert _trace(town, lost, drainage_areas=areas)["trace_status"] == "no_inlet"


def _split(town, tables, kind, **more):
    """Let a third of inlet i's water run to y, where outfall o2 is of some kind."""
    pipes = town.pipes(("p", "a", "x", 10.0), ("q", "a", "y", 10.0, {"diameter_in": 12.0}))
    pipes["diameter_in"] = pipes["diameter_in"].fillna(18.0)
    falls = tables["outfalls"].assign(kind=["outfall", kind, "outfall"])
    return {**tables, "drain_pipes": pipes, "outfalls": falls, **more}


@pytest.mark.parametrize("kind", ["dry_well", "pump_station", "sewer_plant"])
def test_a_part_that_ends_in_no_outfall_is_named(town, tables, kind):
    row = _trace(town, _split(town, tables, kind))
    assert (row["trace_status"], row["outfall_id"]) == ("complete", "o1")
    assert row["part_outfalls"].startswith("o2=")
    assert row["part_ends"] == kind


def test_a_part_whose_water_nobody_knows_is_named(town, tables):
    waters = {"receiving_waters": town.waters(bay=None)}
    row = _trace(town, _split(town, tables, "outfall", **waters))
    assert (row["trace_status"], row["part_ends"]) == ("complete", "no_water")
    known = _trace(town, _split(town, tables, "outfall"))
    assert known["part_ends"] is None or known["part_ends"] != known["part_ends"]


def test_what_splits_off_behind_the_second_inlet_is_told(town, tables):
    pipes = town.pipes(("p", "b", "x", 10.0), ("q", "a", "x", 10.0), ("r", "a", "y", 10.0))
    falls = tables["outfalls"].assign(kind=["outfall", "dry_well", "outfall"])
    row = _trace(town, {**tables, "drain_pipes": pipes, "outfalls": falls}, at=(22, 0))
    assert (row["inlet_id"], row["second_inlet_id"]) == ("j", "i")
    assert (row["second_parts"], row["second_part_ends"]) == ("o2=0.50", "dry_well")
    assert row["part_outfalls"] is None or row["part_outfalls"] != row["part_outfalls"]


@pytest.mark.parametrize("kind", ["dry_well", "pump_station", "sewer_plant"])
def test_an_area_drained_by_no_outfall_is_no_way_to_the_water(town, tables, kind):
    falls = tables["outfalls"].assign(kind=["outfall", kind, "outfall"])
    lost = {**tables, "inlets": town.inlets(), "outfalls": falls}
    row = _trace(town, lost, drainage_areas=_areas(town, o2=(-50, -50, 100)))
    assert (row["trace_status"], row["confidence"]) == (kind, "low")
    both = _areas(town, o1=(-50, -50, 100), o2=(-60, -60, 100))
    row = _trace(town, lost, drainage_areas=both)
    assert (row["trace_status"], row["part_ends"]) == ("by_area", kind)


def test_an_area_keeps_what_is_known_of_the_parts(town, tables):
    """Half of the water is seen to enter a sewer; where the rest goes an area says."""
    pipes = town.pipes(
        ("p", "a", "c", 10.0, {"system": "storm"}), ("q", "a", "e", 10.0, {"system": "sanitary"})
    )
    lost = {**tables, "drain_pipes": pipes}
    row = _trace(town, lost, drainage_areas=_areas(town, o2=(-50, -50, 100)))
    assert (row["trace_status"], row["outfall_id"]) == ("by_area", "o2")
    assert row["part_ends"] == "sewer"
