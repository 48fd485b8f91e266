"""What a page on hot spots says of itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import pandas as pd

#: The states of a place, in words.
STATE_WORDS: Final = {
    "hot": "dirtier than its kind, more than by chance",
    "not_hot": "looked into, not found so",
    "not_known": "not known: too few vaults looked into",
}
CELL_WORDS: Final = {
    "many_hot": "a fifth or more of the places hot",
    "some_hot": "some hot",
    "none_hot": "looked into, none hot",
    "not_known": "most not known: too few vaults looked into",
}
PLACE_WORDS: Final = {"vault": "vaults", "hex": "hexes", "outfall": "outfalls"}


@dataclass(frozen=True, slots=True)
class HotSpotFacts:
    """How hot spots were sought; ``together`` tells how much looks at one vault hang together."""

    name: str
    by: str
    along: str
    since: pd.Timestamp | None
    until: pd.Timestamp | None
    heavy_only: bool
    looks: int
    permutations: int
    seed: int
    together: float
    reach_ft: float
    rate: float

    @property
    def span(self) -> str:
        """Which visits counted."""
        if self.since is None and self.until is None:
            return "all graded visits"
        first = "" if self.since is None else f" from {self.since:%Y-%m-%d}"
        last = "" if self.until is None else f" until {self.until:%Y-%m-%d}"
        return f"graded visits{first}{last}"

    @property
    def nearness(self) -> str:
        """Which places are neighbours."""
        if self.by == "hex":
            return "Hexes that touch are neighbours."
        if self.by == "outfall":
            return "Outfalls have no neighbours: each is weighed by the vaults that drain to it."
        way = {
            "straight": "as the crow flies",
            "streets": "along the streets",
            "drains": "along the drain pipes, from inlet to inlet",
        }[self.along]
        return f"Vaults within {self.reach_ft:,.0f} ft {way} are neighbours, the nearest 20."
