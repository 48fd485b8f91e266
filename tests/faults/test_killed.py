"""kill -9 at random moments: the database is as it was before the step, or as after it.

Moments are drawn by seed and spread over the time that the step takes here. Pages of the embedded
file reach the disk early, as the trials keep few of them in memory: otherwise nothing half done
would ever lie there, and nothing would be proved.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from .forge import Forge
from .killing import Figures, Span, Step, spread, survive
from .places import Place, is_sound
from .state import state_of


def unharmed(figures: Figures) -> None:
    assert figures.faults == []
    assert figures.rows_lost == 0
    assert figures.survived == figures.tried


def test_a_killed_load_is_whole_or_never_was(forge: Forge, place: Place, files: Path) -> None:
    step = Step({"do": "load", "files": str(files.with_name("more"))}, "half")
    figures = survive(forge, place, step, lambda whole: spread(whole, 20, 1), inside=8)
    unharmed(figures)
    assert figures.before >= 5
    assert not place.is_embedded or figures.most_spilled > 0
    again = forge.run({**step.job, "location": place.location})
    assert again.status == 0, again.error
    is_sound(place.location)


def test_a_killed_upgrade_is_whole_or_never_was(forge: Forge, place: Place) -> None:
    step = Step({"do": "upgrade"}, "old")
    figures = survive(forge, place, step, lambda whole: spread(whole, 20, 2), inside=8)
    unharmed(figures)
    assert figures.before >= 5
    assert not place.is_embedded or figures.most_spilled > 0
    if place.is_embedded:
        # What has the name of a copy is one.
        copies = list(Path(place.location).parent.glob("trial-tables-0001*.gpkg"))
        assert copies
        place.set_back("old")
        assert all(state_of(str(copy)) == state_of(place.location) for copy in copies)
    again = forge.run({**step.job, "location": place.location})
    assert again.status == 0, again.error
    is_sound(place.location)


def test_a_killed_forecast_leaves_no_half_file(forge: Forge, place: Place, tmp_path: Path) -> None:
    there = {"water.csv": "what was forecast the day before"}
    whole = Step({"do": "forecast"}, "town", tmp_path / "out", there=there)
    spans: tuple[Span, ...] = (("start", "done"),)
    unharmed(survive(forge, place, whole, lambda told: spread(told, 3, 3, spans), inside=0))
    held = replace(whole, held=True)
    writing: tuple[Span, ...] = (("writing", "kept"),)
    unharmed(survive(forge, place, held, lambda told: spread(told, 8, 4, writing), inside=3))


def test_a_killed_plan_is_stored_whole_or_not_at_all(
    forge: Forge, place: Place, tmp_path: Path
) -> None:
    step = Step({"do": "plan"}, "town", tmp_path / "out", held=True)
    storing: tuple[Span, ...] = (("writing", "keeping"), ("keeping", "outputs"))
    spans = (*storing, *storing, ("outputs", "done"))
    figures = survive(forge, place, step, lambda whole: spread(whole, 5, 5, spans), inside=2)
    unharmed(figures)
    assert figures.before
    assert figures.after
