"""Invented names; none is meant to be a real place."""

from __future__ import annotations

import numpy as np


def _words(text: str) -> list[str]:
    return text.split()


UTILITY = "Saltmarrow Light & Line"
SEA = "Grey Fathom Sea"

FIRST = _words(
    "Lantern Tallow Pilchard Copperas Wicker Bobbin Thrift Samphire Gannet Marram Kelp Cordwain "
    "Ropewalk Saltpan Beacon Fathom Barnacle Capstan Halyard Limpet Petrel Driftwood Cockle Whelk "
    "Tinder Bellows Hemp Oakum Trivet Candlemaker Sextant Plover Curlew Dulse Winkle Shingle Skein "
    "Thimble Pewter Binnacle Mizzen Gaslight Ember Sorrel Teasel Bramble Quill Anvil Bollard Ferry "
    "Cinder Lye Brine Herring Oyster Sandpiper Fennel Tansy Yarrow Hawser Spindrift Foghorn"
)
LAST = _words("Street Lane Row Avenue Way Walk Terrace Hill")
ARTERIALS = ("Long Ferry Road", "Gullstone Road", "Marrow Parade", "Old Causeway", "Tidewatch Road")
SHORE = "The Strandway"
DISTRICTS = (
    "Quayside",
    "Lampwick",
    "Upper Saltings",
    "Cinder Flats",
    "Thornbank",
    "Kilnfield",
    "Mizzen Hill",
    "Gorse End",
    "Netherpans",
    "Copper Row",
    "Ashmeadow",
    "Withy Green",
)
CREEKS = ("Pennywhistle Creek", "Tallow Run", "Wick Brook", "Minnow Cut")
OTHER_CREEKS = _words(
    "Bobbin Thimble Sorrel Gorse Pewter Dulse Fennel Tansy Curlew Plover Quill Hemp Oakum Bellows "
    "Skein Tinder Teasel Ember Lye Anvil"
)
_TOWN_A = _words("Brine Kelp Tern Wrack Marram Ebb Skerry Gannet Thrift Dulse Oakum")
_TOWN_B = _words("marrow wickle holloway steadle combley brackle")


def town_names(count: int, rng: np.random.Generator) -> list[str]:
    """Return that many different town names; the first is always Saltmarrow."""
    pool = [a + b for a in _TOWN_A for b in _TOWN_B]
    order = rng.permutation(len(pool))
    names = ["Saltmarrow"] + [pool[i] for i in order]
    while len(names) < count:
        names += [f"New {name}" for name in names[1:]]
    return names[:count]


def street_names(count: int, rng: np.random.Generator) -> list[str]:
    """Return that many different street names."""
    pool = [f"{a} {b}" for a in FIRST for b in LAST]
    order = rng.permutation(len(pool))
    while len(order) < count:
        order = np.concatenate([order, order])
    return [pool[i] for i in order[:count]]


def creek_names(is_first: bool, rng: np.random.Generator) -> list[str]:
    """Return the names of a town's four creeks."""
    if is_first:
        return list(CREEKS)
    picks = rng.permutation(len(OTHER_CREEKS))[:4]
    ends = ("Creek", "Run", "Brook", "Cut")
    return [f"{OTHER_CREEKS[p]} {end}" for p, end in zip(picks, ends, strict=True)]
