"""The story of a few vaults as one page that works with no network."""

from __future__ import annotations

import html
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from vaultplan.outputs.cautions import CAUTIONS
from vaultplan.outputs.charts.vault import YEARS_BACK, fan_picture, grades_picture, refill_picture
from vaultplan.outputs.files import whole_file
from vaultplan.outputs.labels import low_to_high
from vaultplan.outputs.pages.html import paragraph, picture, row, section, table
from vaultplan.outputs.pages.seal import filled, own_text


@dataclass(frozen=True, slots=True)
class VaultStory:
    """What is told of one vault.

    ``forecasts`` has a row per day ahead; ``visits`` its looks with their local day ``on``;
    ``curve`` hours and prob_workable after a pump-out; ``room`` its depth_in, working_depth_in
    and gal_per_in. ``why`` and ``moved`` say what fills it and what moved its forecast.
    """

    vault_id: str
    place: str
    forecasts: pd.DataFrame
    visits: pd.DataFrame
    curve: pd.DataFrame
    room: dict[str, Any]
    hold_hours: float | None
    why: str
    moved: str


def write_vault_page(
    path: Path, name: str, as_of: pd.Timestamp, stories: Sequence[VaultStory]
) -> None:
    """Write a page with a section per vault: looks and forecast, water coming back, grades.

    Parameters
    ----------
    path
        Page to write; one that is there is replaced, whole or not at all.
    name
        Name of the database.
    as_of
        Last day whose results are known.
    stories
        One per vault.

    Raises
    ------
    OutputError
        If the folder does not exist.

    Notes
    -----
    The page holds no script; texts of the database are put on it as text only.
    """
    links = "".join(
        f'<a href="#vault-{at}">{html.escape(story.vault_id)}</a>'
        for at, story in enumerate(stories)
    )
    parts = {
        "title": html.escape(f"Vaults of {name or 'this fleet'}"),
        "style": own_text("pages/plain.css"),
        "about": html.escape(
            f"What was seen until {as_of:%Y-%m-%d} and what is expected from the day after. "
            "A forecast is a band: one day in ten holds less than it, one in ten more."
        ),
        "invented": '<p class="invented">Invented data</p>' if "invented" in name.lower() else "",
        "nav": f'<nav aria-label="Vaults">{links}</nav>' if len(stories) > 1 else "",
        "sections": "\n".join(_section(at, story, as_of) for at, story in enumerate(stories)),
        "cautions": html.escape(" ".join(CAUTIONS)),
    }
    with whole_file(path) as unfinished:
        text = filled(own_text("pages/plain.html"), parts)
        unfinished.write_text(text, encoding="utf-8", newline="\n")


def _section(at: int, story: VaultStory, as_of: pd.Timestamp) -> str:
    days = story.forecasts
    first, last = days.iloc[0], days.iloc[-1]
    told = [paragraph(text) for text in (story.place, story.why, story.moved) if text]
    fan = picture(
        fan_picture(days, story.visits, story.room, as_of),
        f"{story.vault_id}: {_depth(first)} on {first['on']:%Y-%m-%d}, {_depth(last)} on "
        f"{last['on']:%Y-%m-%d}, after {len(story.visits)} looks.",
        f"Marks: looks of the last {YEARS_BACK} years by grade (circle clear, square light, "
        "triangle heavy, diamond not graded). Line: as likely above as below; dark band: half of "
        "all outcomes; pale band: eight of ten.",
        "Seen and expected",
        is_broad=True,
    )
    back = picture(
        refill_picture(story.curve, story.hold_hours),
        "Chance that the vault is still workable: "
        + ", ".join(
            f"{100 * chance:.0f} % after {hours:g} h"
            for hours, chance in story.curve.iloc[:: max(1, len(story.curve) // 5)].to_numpy()
        ),
        "Pumped dry on the first day ahead.",
        "How fast the water comes back",
    )
    pictures = [back]
    if days[[f"prob_{grade}" for grade in ("clear", "light", "heavy")]].notna().all(axis=None):
        pictures.append(
            picture(
                grades_picture(days),
                _chances(first),
                "From below: clear (plain), light (striped), heavy (crossed).",
                "How it would look",
            )
        )
    numbers = table(
        ("Day", "Inches, low to high", "Gallons, low to high", "Clear / light / heavy"),
        [
            (
                f"{each['on']:%Y-%m-%d}",
                _depth(each),
                _gallons(each),
                _chances(each),
            )
            for each in days.iloc[[k for k in (0, 6, 13, 27) if k < len(days)]].to_dict("records")
        ],
        (1, 2, 3),
    )
    return section(f"vault-{at}", story.vault_id, *told, fan, row(pictures), numbers)


def _depth(day: Any) -> str:
    if pd.isna(day["depth_in_p10"]):
        return "not known"
    return f"{low_to_high(day['depth_in_p10'], day['depth_in_p90'])} in"


def _gallons(day: Any) -> str:
    if pd.isna(day["volume_gal_p10"]):
        return "not known"
    return f"{low_to_high(day['volume_gal_p10'], day['volume_gal_p90'])} gal"


def _chances(day: Any) -> str:
    shares = [day[f"prob_{grade}"] for grade in ("clear", "light", "heavy")]
    if any(pd.isna(share) for share in shares):
        return "not known"
    return " / ".join(f"{100 * share:.0f}" for share in shares) + " %"
