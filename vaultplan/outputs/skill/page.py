"""How good past forecasts were, as one page that works with no network."""

from __future__ import annotations

import html
from pathlib import Path

import pandas as pd

from vaultplan.outputs.cautions import CAUTIONS
from vaultplan.outputs.files import whole_file
from vaultplan.outputs.pages.html import listed, section
from vaultplan.outputs.pages.seal import filled, own_text
from vaultplan.outputs.skill.findings import in_short
from vaultplan.outputs.skill.sections import (
    bands,
    chances_of_water,
    error,
    grades,
    how,
    refill,
    where,
)
from vaultplan.outputs.skill.words import SkillFacts


def write_skill_page(
    path: Path,
    facts: SkillFacts,
    *,
    scores: pd.DataFrame,
    pit: pd.DataFrame,
    events: pd.DataFrame,
    chances: pd.DataFrame,
    warnings: pd.DataFrame,
) -> None:
    """Write how far past forecasts can be trusted, and where, as one HTML page.

    Parameters
    ----------
    path
        Page to write; one that is there is replaced, whole or not at all.
    facts
        What was tested.
    scores
        Mean scores: part, by, group, points, vaults, measure, method, value, low, high.
    pit
        Counts of looks by where in the forecast they fell: group, from_frac, to_frac, points.
    events
        Per event that was given a chance, how that came out: event, points, happened_frac,
        forecast_frac, skill, calibration_error, calibration_error_by_chance.
    chances
        The same by the chance given: event, from_frac, to_frac, points, forecast_frac,
        happened_frac, low_frac, high_frac.
    warnings
        Per warning that the discharge rules go by: warning, threshold, hits, false_alarms,
        misses, quiet, hit_rate, false_alarm_ratio.

    Raises
    ------
    OutputError
        If the folder does not exist.

    Notes
    -----
    The page holds no script, and its content security policy forbids it to load or run anything.
    Texts of the database are put on it as text only.
    """
    sections = [
        section("short", "In short", listed(in_short(facts, scores, events, warnings), "short")),
        error(facts, scores),
        bands(scores, pit),
        where(scores),
        chances_of_water(facts, events, chances),
        grades(scores, events, chances, warnings),
        refill(facts, events, chances),
        how(facts),
    ]
    is_invented = "invented" in facts.name.lower()
    parts = {
        "title": html.escape(f"Forecast skill of {facts.name}"),
        "style": own_text("pages/plain.css"),
        "about": html.escape(_tested(facts)),
        "nav": own_text("skill/nav.html"),
        "invented": '<p class="invented">Invented data</p>' if is_invented else "",
        "sections": "\n".join(sections),
        "cautions": html.escape(" ".join(CAUTIONS)),
    }
    page = filled(own_text("pages/plain.html"), parts)
    with whole_file(path) as unfinished:
        unfinished.write_text(page, encoding="utf-8", newline="\n")


def _tested(facts: SkillFacts) -> str:
    first, last = facts.origins[0], facts.origins[-1]
    days = f"{len(facts.origins)} days from {first:%-d %b %Y} to {last:%-d %b %Y}"
    if len(facts.origins) == 1:
        days = f"{first:%-d %b %Y}"
    return (
        f"Forecasts made again as they would have been on {days}, each knowing nothing later, "
        f"held against {facts.points:,} looks into {facts.vaults:,} vaults up to "
        f"{facts.horizon_days} days ahead. Visits known up to {facts.as_of:%-d %b %Y}."
    )
