from datetime import date

import pytest

from vaultplan.discharge import vaults_near_concern
from vaultplan.discharge.concern import vaults_near_incidents
from vaultplan.errors import SchemaError
from vaultplan.units import m_from_ft


def _site(make, site_id, x, radius_ft, status="open"):
    return {
        "site_id": site_id,
        "status": status,
        "radius_ft": radius_ft,
        "geometry": make.point(x),
    }


def _vaults(make, *places):
    return make.frame(
        "vaults", *({"vault_id": f"v{n}", "geometry": make.point(x)} for n, x in enumerate(places))
    )


def test_inside_the_radius_counts_and_just_outside_does_not(make):
    reach = m_from_ft(500.0)
    vaults = _vaults(make, reach - 0.01, reach + 0.01)
    near = vaults_near_concern(vaults, make.frame("concern_sites", _site(make, "s", 0, 500.0)))
    assert near["near_concern"].tolist() == [True, False]
    assert near["concern_sites"].tolist()[0] == "s"
    assert near["concern_sites"].isna().tolist() == [False, True]


def test_open_unknown_and_blank_sites_count_and_closed_ones_do_not(make):
    for status, counts in (("open", True), ("unknown", True), (None, True), ("closed", False)):
        sites = make.frame("concern_sites", _site(make, "s", 0, 500.0, status))
        near = vaults_near_concern(_vaults(make, 1.0), sites)
        assert near["near_concern"].tolist() == [counts], status


def test_every_site_near_a_vault_is_named(make):
    sites = make.frame("concern_sites", _site(make, "t", 10, 100.0), _site(make, "s", 0, 100.0))
    near = vaults_near_concern(_vaults(make, 5.0, 5000.0), sites)
    assert near["concern_sites"].tolist()[0] == "s;t"


def test_no_sites_and_no_vaults(make):
    assert vaults_near_concern(_vaults(make, 0.0), make.frame("concern_sites"))[
        "near_concern"
    ].tolist() == [False]
    assert len(vaults_near_concern(make.frame("vaults"), make.frame("concern_sites"))) == 0


def test_a_vault_without_a_place_stays_blank(make):
    vaults = _vaults(make, 0.0, 5000.0)
    vaults.loc[0, "geometry"] = None
    near = vaults_near_concern(vaults, make.frame("concern_sites", _site(make, "s", 0, 500.0)))
    assert near["near_concern"].isna().tolist() == [True, False]


def test_a_site_without_a_place_is_refused(make):
    sites = make.frame("concern_sites", _site(make, "s", 0, 500.0), _site(make, "t", 0, 500.0))
    sites.loc[1, "geometry"] = None
    with pytest.raises(SchemaError, match="place or radius: t"):
        vaults_near_concern(_vaults(make, 0.0), sites)


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        ({}, True),
        ({"cleared_on": "2026-10-03"}, True),
        ({"cleared_on": "2026-10-02"}, False),
        ({"cleared_on": "2026-11-20"}, True),
        ({"happened_on": "2026-11-03"}, False),
        ({"radius_ft": 99.0}, False),
    ],
)
def test_a_recent_incident_counts_until_30_days_after_it_was_cleared(make, change, expected):
    """The vault lies 100 ft (30.48 m) off; today is 2 November."""
    spill = {"incident_id": "e", "kind": "spill", "happened_on": "2026-09-01", "radius_ft": 100.1}
    found = vaults_near_incidents(
        make.frame("vaults", {"vault_id": "v", "geometry": make.point(30.48)}),
        make.frame("incidents", spill | {"geometry": make.point(0)} | change),
        as_of=date(2026, 11, 2),
        days=30.0,
    )
    assert bool(found["near_incident"].iloc[0]) == expected
    assert (found["incidents"].iloc[0] == "e") == expected
