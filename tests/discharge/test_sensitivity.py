from datetime import date

import pandas as pd
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from shapely import Polygon

from vaultplan.discharge import grade_outfalls, grade_waters
from vaultplan.discharge.sensitivity import STRICTNESS, careful_waters
from vaultplan.errors import CRSError, SchemaError
from vaultplan.schema import table
from vaultplan.settings import DischargeSettings
from vaultplan.units import m_from_ft

AS_OF = date(2026, 11, 2)
USUAL = DischargeSettings()


@pytest.fixture
def grade(make):
    """Grade waters given as rows, with one calm sensitive area far away unless told otherwise."""

    def run(*waters, areas=None, outfalls=(), by_outfall=False, as_of=AS_OF):
        far = [make.area("beach", 90_000)] if areas is None else areas
        function = grade_outfalls if by_outfall else grade_waters
        graded = function(
            make.frame("receiving_waters", *waters),
            make.frame("sensitive_areas", *far),
            make.frame("outfalls", *outfalls),
            as_of=as_of,
            settings=USUAL,
        )
        return graded.set_index("outfall_id" if by_outfall else "water_id")

    return run


def test_the_result_has_the_declared_shape(grade, make):
    graded = grade(make.water("w")).reset_index()
    assert list(graded.columns) == list(table("sensitivities").column_names)
    assert graded["sensitivity"].tolist() == ["ordinary"]
    assert "not protected" in graded["reason"].iloc[0]


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        ({}, "ordinary"),
        ({"protection": "protected"}, "protected"),
        ({"protection": "outstanding"}, "protected"),
        ({"protection": None}, "unknown"),
        ({"impairments": None}, "elevated"),
        ({"impairments": "nitrogen"}, "elevated"),
        ({"impairments": "nitrogen;Oil and grease"}, "high"),
        ({"impairments": "suspended sediment"}, "high"),
        ({"uses": "boating"}, "ordinary"),
        ({"uses": "none"}, "ordinary"),
        ({"uses": "boating;swimming"}, "elevated"),
        ({"uses": "shellfish harvest"}, "high"),
        ({"uses": "drinking"}, "high"),
        ({"protection": None, "uses": "swimming"}, "unknown"),
        ({"protection": None, "uses": "drinking"}, "high"),
        ({"kind": "creek"}, "unknown"),
        ({"kind": None}, "unknown"),
        ({"kind": "bay"}, "ordinary"),
        ({"downstream_water_id": "not listed"}, "unknown"),
        ({"geometry": None}, "unknown"),
    ],
)
def test_what_each_column_makes_of_a_water(grade, make, change, expected):
    graded = grade(make.water("w", **change))
    assert graded.loc["w", "sensitivity"] == expected, graded.loc["w", "reason"]


@pytest.mark.parametrize(
    ("kind", "expected"),
    [
        ("habitat", "high"),
        ("beach", "high"),
        ("shellfish_bed", "high"),
        ("drinking_intake", "high"),
        ("protected_shore", "protected"),
    ],
)
def test_an_area_that_touches_raises_and_one_a_metre_off_does_not(grade, make, kind, expected):
    waters = [make.water("w", geometry=make.square(0, half=5))]
    assert grade(*waters, areas=[make.area(kind, 6.0)]).loc["w", "sensitivity"] == expected
    assert grade(*waters, areas=[make.area(kind, 7.0)]).loc["w", "sensitivity"] == "ordinary"


def test_a_shore_that_touches_a_wide_sea_counts_near_an_outfall_only(grade, make):
    sea = make.water("sea", kind="sea", geometry=make.square(0, half=50_000))
    areas = [make.area("protected_shore", 0.0)]
    reach = m_from_ft(USUAL.near_sensitive_ft)
    falls = [make.outfall("near", "sea", reach + 0.9), make.outfall("far", "sea", reach + 1.1)]
    assert grade(sea, areas=areas).loc["sea", "sensitivity"] == "ordinary"
    graded = grade(sea, areas=areas, outfalls=falls, by_outfall=True)
    assert graded["sensitivity"].to_dict() == {"near": "protected", "far": "ordinary"}
    assert "within 1000 ft of its outfall" in graded.loc["near", "reason"]
    assert grade(sea, areas=areas, outfalls=falls[:1]).loc["sea", "sensitivity"] == "protected"
    assert grade(sea, areas=areas, outfalls=falls[1:]).loc["sea", "sensitivity"] == "ordinary"


def test_a_water_has_the_strictest_grade_below_it(grade, make):
    graded = grade(
        make.water("ditch", kind="creek", downstream_water_id="creek"),
        make.water("creek", kind="creek", downstream_water_id="lagoon", uses="swimming"),
        make.water("lagoon", protection="protected", downstream_water_id="sea"),
        make.water("sea", kind="sea"),
    )
    assert graded["sensitivity"].tolist() == ["protected", "protected", "protected", "ordinary"]
    assert "Lagoon below it is protected" in graded.loc["ditch", "reason"]
    assert "used for swimming" in graded.loc["creek", "reason"]


def test_unknown_below_never_reads_as_ordinary(grade, make):
    graded = grade(
        make.water("top", kind="creek", downstream_water_id="low"),
        make.water("low", protection=None),
    )
    assert graded["sensitivity"].tolist() == ["unknown", "unknown"]


def test_waters_in_a_circle_share_the_strictest_grade(grade, make):
    graded = grade(
        make.water("a", downstream_water_id="b"),
        make.water("b", downstream_water_id="c", uses="drinking"),
        make.water("c", downstream_water_id="a"),
    )
    assert set(graded["sensitivity"]) == {"high"}


def test_nearness_of_an_outfall_below_is_not_inherited(grade, make):
    waters = [make.water("up", downstream_water_id="bay"), make.water("bay", kind="bay")]
    falls = [make.outfall("o", "bay", 0.0)]
    graded = grade(*waters, areas=[make.area("beach", 0.0)], outfalls=falls)
    assert graded["sensitivity"].to_dict() == {"up": "ordinary", "bay": "high"}


def test_without_sensitive_areas_nothing_is_ordinary(grade, make):
    graded = grade(make.water("w"), make.water("p", protection="protected"), areas=[])
    assert graded["sensitivity"].to_dict() == {"w": "unknown", "p": "protected"}
    assert "no sensitive areas are loaded" in graded.loc["w", "reason"]


def test_an_outfall_with_no_listed_water_is_unknown(grade, make):
    falls = [make.outfall("o", None), make.outfall("p", "not listed"), make.outfall("q", "w")]
    graded = grade(make.water("w"), outfalls=falls, by_outfall=True)
    assert graded["sensitivity"].to_dict() == {"o": "unknown", "p": "unknown", "q": "ordinary"}


def test_no_waters_and_no_outfalls_at_all(grade):
    assert len(grade()) == 0
    assert len(grade(by_outfall=True)) == 0


def test_old_entries_warn_from_the_day_after_the_limit(grade, make):
    waters = [make.water("w", geometry=make.square(0, half=5))]
    limit = date(2026, 6, 1).toordinal() + int(USUAL.stale_layer_days)
    areas = [make.area("beach", 0.0)]
    fresh = grade(*waters, areas=areas, as_of=date.fromordinal(limit))
    old = grade(*waters, areas=areas, as_of=date.fromordinal(limit + 1))
    assert "confirmed" not in fresh.loc["w", "reason"]
    assert "entry not confirmed lately" in old.loc["w", "reason"]
    assert "warning: no sensitive area was confirmed since 2026-06-01" in old.loc["w", "reason"]
    never = grade(*waters, areas=[make.area("beach", 0.0, reviewed_on=None)])
    assert "confirmed ever" in never.loc["w", "reason"]


@pytest.mark.parametrize("by_outfall", [False, True])
@pytest.mark.parametrize("place", [None, Polygon()])
def test_a_sensitive_area_without_a_place_is_refused(grade, make, place, by_outfall):
    areas = [make.area("beach", 90_000), make.area("habitat", 0, geometry=place)]
    with pytest.raises(SchemaError, match="without a place: habitat"):
        grade(make.water("w"), areas=areas, by_outfall=by_outfall)


def test_unequal_crs_is_refused(make):
    waters = make.frame("receiving_waters", make.water("w")).to_crs("EPSG:32607")
    areas = make.frame("sensitive_areas", make.area("beach", 0.0))
    with pytest.raises(CRSError):
        grade_waters(waters, areas, make.frame("outfalls"), as_of=AS_OF, settings=USUAL)


RAISING = {
    "protection": [None, "protected", "outstanding"],
    "impairments": [None, "nitrogen", "oil"],
    "uses": ["swimming", "drinking"],
    "kind": ["creek", None],
    "downstream_water_id": ["lost", "other"],
}
CHANGES = [(column, value) for column, values in RAISING.items() for value in values]


@settings(
    max_examples=50, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    before=st.dictionaries(st.sampled_from(sorted(RAISING)), st.integers(0, 1), max_size=5),
    added=st.sampled_from(CHANGES),
    other=st.sampled_from([{}, {"protection": None}, {"uses": "drinking"}]),
)
def test_one_more_reason_for_care_never_lowers_a_water(grade, make, before, added, other):
    start = {column: RAISING[column][place] for column, place in before.items()}
    # To learn where a creek goes on is no reason for care: an open end is worse than that.
    # A water of no known kind may be a creek.
    assume(added[0] not in start and not (added[0] == "downstream_water_id" and "kind" in start))
    other_water = make.water("other", **other)
    less = grade(make.water("w", **start), other_water).loc["w", "sensitivity"]
    more = grade(make.water("w", **start, **dict([added])), other_water).loc["w", "sensitivity"]
    assert STRICTNESS.index(more) >= STRICTNESS.index(less)


def test_a_listing_that_nobody_confirmed_lately_is_warned_of(make):
    """Listings older than two years are stale; where some have a day, a blank is too."""
    waters = make.frame(
        "receiving_waters",
        make.water("fresh", reviewed_on="2026-01-01"),
        make.water("old", reviewed_on="2024-01-01"),
        make.water("blank"),
    )
    areas = make.frame("sensitive_areas", make.area("beach", 90_000))
    falls = make.frame("outfalls", make.outfall("o", "old"))
    asked = {"as_of": date(2026, 11, 2), "settings": DischargeSettings()}
    graded = grade_waters(waters, areas, falls, **asked).set_index("water_id")["reason"]
    assert "last confirmed" not in graded["fresh"]
    assert "its listing was last confirmed: 2024-01-01" in graded["old"]
    assert "nobody knows when" in graded["blank"]
    assert "2024-01-01" in grade_outfalls(waters, areas, falls, **asked)["reason"].iloc[0]
    never = waters.assign(reviewed_on=pd.NaT)
    said = grade_waters(never, areas, falls, **asked)["reason"]
    assert not said.str.contains("listing").any()


def test_waters_that_ask_for_care_by_themselves(make):
    waters = make.frame(
        "receiving_waters",
        make.water("creek", downstream_water_id="lagoon"),
        make.water("lagoon", protection="protected", downstream_water_id="sea"),
        make.water("sea", kind="sea", impairments="sediment"),
        make.water("pond", protection=None),
    )
    areas = make.frame("sensitive_areas", make.area("beach", 90_000))
    found = careful_waters(waters, areas, as_of=date(2026, 11, 2), settings=DischargeSettings())
    assert found == {"lagoon", "sea"}
