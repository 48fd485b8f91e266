"""What an outfall's water comes to. Waters lie 10 km off unless told otherwise; a creek at 0."""

import pandas as pd
import pytest

from vaultplan.discharge.reached import FLAGS, impaired_by, places_reached
from vaultplan.settings import DischargeSettings

SETTINGS = DischargeSettings()


def _reached(make, waters, areas=(), falls=None):
    falls = falls or [make.outfall("o", "creek")]
    found = places_reached(
        make.frame("receiving_waters", *waters),
        make.frame("sensitive_areas", *areas),
        make.frame("outfalls", *falls),
        settings=SETTINGS,
    )
    return found.set_index("outfall_id")


def test_a_calm_water_reaches_nothing(make):
    row = _reached(make, [make.water("creek")], [make.area("beach", 90_000)]).loc["o"]
    assert not row[list(FLAGS)].any()
    assert row[list(FLAGS)].notna().all()


@pytest.mark.parametrize(
    ("more", "fact"),
    [
        ({"uses": "potable supply"}, "reaches_intake"),
        ({"uses": "Oysters;boating"}, "reaches_shellfish"),
        ({"uses": "swimming"}, "reaches_beach"),
        ({"uses": "spawning"}, "reaches_habitat"),
        ({"impairments": "sediment"}, "reaches_impaired"),
    ],
)
def test_uses_and_impairments_of_any_water_below_count(make, more, fact):
    waters = [
        make.water("creek", downstream_water_id="bay"),
        make.water("bay", downstream_water_id="sea"),
        make.water("sea", **more),
    ]
    row = _reached(make, waters, [make.area("beach", 90_000)]).loc["o"]
    assert {name for name in FLAGS if row[name]} == {fact}


def test_people_swim_in_the_sea_somewhere(make):
    """A use of a bay or sea says nothing of the place by the outfall; an area near it does."""
    sea = make.water("sea", kind="sea", uses="swimming")
    waters = [make.water("creek", downstream_water_id="sea"), sea]
    far, near = make.area("beach", 90_000), make.area("beach", 20_100)
    assert not _reached(make, waters, [far]).loc["o", "reaches_beach"]
    assert _reached(make, waters, [near]).loc["o", "reaches_beach"]


def test_an_area_that_touches_a_creek_or_lies_near_an_outfall(make):
    waters = [make.water("creek", kind="creek", geometry=make.square(0, half=50))]
    far, near = make.area("shellfish_bed", 40), make.area("habitat", 20_100)
    row = _reached(make, waters, [far, near]).loc["o"]
    assert row["reaches_shellfish"]
    assert row["reaches_habitat"]
    assert row["near_sensitive"]


def test_the_tide_carries_water_farther(make):
    """1,000 ft are near, 304.8 m; where the tide reaches, twice as far."""
    beach = make.area("beach", 20_000 + 450)
    calm, tidal = make.water("creek"), make.water("creek", is_tidal=True)
    assert not _reached(make, [calm], [beach]).loc["o", "near_sensitive"]
    assert _reached(make, [tidal], [beach]).loc["o", "near_sensitive"]


def test_an_outfall_may_be_shut_by_the_tide_where_it_is_noted_or_nobody_looked(make):
    waters = [make.water("creek", is_tidal=True), make.water("pond")]
    falls = [
        make.outfall("noted", "pond") | {"tide_locked": True},
        make.outfall("denied", "creek") | {"tide_locked": False},
        make.outfall("unsaid", "creek"),
        make.outfall("inland", "pond"),
    ]
    found = _reached(make, waters, falls=falls)["tide_may_lock"]
    assert found.to_dict() == {"noted": True, "denied": False, "unsaid": True, "inland": False}


def test_an_outfall_into_no_listed_water_is_blank_not_clear(make):
    row = _reached(make, [make.water("creek")], falls=[make.outfall("o", "pond")]).loc["o"]
    assert row[["reaches_impaired", "reaches_intake", "reaches_beach"]].isna().all()


def test_without_areas_nobody_knows_what_is_near(make):
    assert pd.isna(_reached(make, [make.water("creek")]).loc["o", "near_sensitive"])


def test_what_vault_water_adds_to(make):
    said = pd.Series(
        ["none", None, "temperature", "Trash;bacteria", "PCBs (sediment)"], dtype="str"
    )
    assert impaired_by(said, SETTINGS.vault_pollutants).tolist() == [
        False, False, False, True, True
    ]  # fmt: skip


USES_OF_PLACES = ["reaches_intake", "reaches_shellfish", "reaches_beach", "reaches_habitat"]


def test_without_areas_or_a_place_no_use_is_denied(make):
    found = _reached(make, [make.water("creek", uses="swimming")]).loc["o"]
    assert found["reaches_beach"]
    others = [name for name in USES_OF_PLACES if name != "reaches_beach"]
    assert found[others].isna().all()
    lost = make.outfall("o", "creek") | {"geometry": None}
    found = _reached(make, [make.water("creek")], [make.area("beach", 90_000)], [lost]).loc["o"]
    assert found[[*USES_OF_PLACES, "near_sensitive"]].isna().all()
    assert not found["reaches_impaired"]


def test_an_impairment_nobody_noted_is_not_denied_on_any_water_below(make):
    areas = [make.area("beach", 90_000)]
    waters = [make.water("creek", downstream_water_id="bay"), make.water("bay", impairments=None)]
    assert pd.isna(_reached(make, waters, areas).loc["o", "reaches_impaired"])
    waters[0] |= {"impairments": "sediment"}
    assert _reached(make, waters, areas).loc["o", "reaches_impaired"]
    above = [make.water("creek"), make.water("spring", downstream_water_id="creek")]
    above[1] |= {"impairments": None}
    assert not _reached(make, above, areas).loc["o", "reaches_impaired"]
