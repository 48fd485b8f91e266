"""Hot spots as one page that works with no network: maps, evidence, and where nobody knows."""

from __future__ import annotations

import html
from collections.abc import Hashable
from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import pandas as pd

from vaultplan import schema
from vaultplan.outputs.cautions import CAUTIONS
from vaultplan.outputs.drawn.scene import scene_of
from vaultplan.outputs.files import whole_file
from vaultplan.outputs.hotspots.facts import CELL_WORDS, PLACE_WORDS, STATE_WORDS, HotSpotFacts
from vaultplan.outputs.hotspots.map import cell_mark, fleet_map, spot_map, state_mark
from vaultplan.outputs.pages.html import listed, paragraph, picture, section, table
from vaultplan.outputs.pages.seal import filled, own_text

#: So many are shown with a map; all others in a table, and all of those in the file of spots.
MOST_SHOWN: Final = 12
MOST_LISTED: Final = 100
_QUARTERS: Final = ("Jan to Mar", "Apr to Jun", "Jul to Sep", "Oct to Dec")


def write_hot_spot_page(path: Path, facts: HotSpotFacts, frames: schema.Frames) -> None:
    """Write where vaults are dirtier than others of their kind as one HTML page.

    Parameters
    ----------
    path
        Page to write; one that is there is replaced, whole or not at all.
    facts
        How hot spots were sought.
    frames
        ``places``, ``clusters``, ``seasons`` and ``cells`` as ``vaultplan.analysing`` makes them,
        and ``vaults``, ``roads``, ``receiving_waters``, ``backdrop`` and ``inlets`` for the maps.

    Raises
    ------
    OutputError
        If the folder does not exist.

    Notes
    -----
    The page holds no script, and its content security policy forbids it to load or run anything.
    Texts of the database are put on it as text only.
    """
    scene = scene_of(dict(frames))
    cells = gpd.GeoDataFrame(frames["cells"])
    clusters = frames["clusters"]
    shown = clusters.head(MOST_SHOWN).to_dict("records")
    spots = [
        _spot(at, row, facts, frames, spot_map(scene, _places(frames), int(row["cluster"])))
        for at, row in enumerate(shown, start=1)
    ]
    sections = [
        section("short", "In short", listed(_in_short(facts, frames), "short")),
        section(
            "fleet",
            "The whole fleet",
            _legend([(cell_mark(state), words) for state, words in CELL_WORDS.items()]),
            picture(fleet_map(scene, cells), _fleet_alt(cells), _fleet_words(facts), is_broad=True),
        ),
        section("spots", "Hot spots, most excess first", *_spots(spots)),
        _others(clusters),
        section("how", "How they were sought", listed(_how(facts))),
    ]
    is_invented = "invented" in facts.name.lower()
    parts = {
        "title": html.escape(f"Hot spots of {facts.name or 'this fleet'}"),
        "style": own_text("pages/plain.css") + own_text("hotspots/page.css"),
        "about": html.escape(
            f"Where water in vaults was seen {_dirty(facts)} more often than in vaults of the same "
            f"kind, more than by chance. Of {facts.span}: {facts.looks:,}."
        ),
        "nav": own_text("hotspots/nav.html"),
        "invented": '<p class="invented">Invented data</p>' if is_invented else "",
        "sections": "\n".join(sections),
        "cautions": html.escape(" ".join(CAUTIONS)),
    }
    with whole_file(path) as unfinished:
        page = filled(own_text("pages/plain.html"), parts)
        unfinished.write_text(page, encoding="utf-8", newline="\n")


def _places(frames: schema.Frames) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(frames["places"])


def _dirty(facts: HotSpotFacts) -> str:
    return "heavy" if facts.heavy_only else "dirty (light or heavy)"


def _in_short(facts: HotSpotFacts, frames: schema.Frames) -> list[str]:
    states = frames["places"]["state"].value_counts()
    words = PLACE_WORDS[facts.by]
    return [
        f"{states.get('hot', 0):,} of {len(frames['places']):,} {words} are hot, in "
        f"{len(frames['clusters']):,} hot spots.",
        f"Of {states.get('not_known', 0):,} {words} nobody knows: too few vaults there were looked "
        "into. That is not clean.",
        f"Of the {words} called hot, {facts.rate:.0%} may be so by chance.",
    ]


def _fleet_alt(cells: gpd.GeoDataFrame) -> str:
    counts = cells["state"].value_counts() if len(cells) else pd.Series(dtype="int64")
    return (
        f"Map of the fleet in {len(cells):,} hexagons: {counts.get('many_hot', 0):,} with many hot "
        f"places, {counts.get('some_hot', 0):,} with some, {counts.get('none_hot', 0):,} with "
        f"none, {counts.get('not_known', 0):,} mostly not known"
    )


def _fleet_words(facts: HotSpotFacts) -> str:
    return (
        f"Hexagons gather {PLACE_WORDS[facts.by]} for the eye; their size means nothing. Where "
        "none is drawn there are none."
    )


def _legend(items: list[tuple[str, str]]) -> str:
    told = "".join(
        f'<li><svg class="mark" viewBox="0 0 17 17" aria-hidden="true">{mark}</svg>'
        f"{html.escape(words)}</li>"
        for mark, words in items
    )
    return f'<ul class="legend" aria-label="Marks on the map">{told}</ul>'


def _spots(spots: list[str]) -> list[str]:
    if not spots:
        return [paragraph("None was found.")]
    marks = [(state_mark(state, 8.5, 8.5, 4.5), words) for state, words in STATE_WORDS.items()]
    note = (
        "Expected are dirty looks at as many vaults of the same kinds, looked at as often, "
        "anywhere in the fleet. Causes are what is more common here and goes with dirt in the "
        "whole fleet; that is where to look first, and no proof."
    )
    return [paragraph(note), _legend(marks), *spots]


def _spot(
    at: int, row: dict[Hashable, Any], facts: HotSpotFacts, frames: schema.Frames, drawn: str
) -> str:
    head = f"{at}. Around {row['example']}" if facts.by == "vault" else f"{at}. With vault "
    if facts.by != "vault":
        head += str(row["example"])
    seasons = frames["seasons"]
    mine = seasons[seasons["cluster"].eq(row["cluster"])]
    share = float(row["random_maps_frac"])
    as_strong = round(share * (facts.permutations + 1)) - 1
    chance = f"{as_strong:,}" if as_strong else "None"
    lines = [
        f"{row['dirty_looks']:,.0f} of {row['looks']:,.0f} looks dirty, "
        f"{row['expected_looks']:,.1f} expected: {row['ratio']:.1f} times.",
        f"{row['vault_count']:,} vaults, {row['looked_vaults']:,.0f} of them looked into.",
        f"{chance} of {facts.permutations:,} random maps are as strong at its strongest place.",
        f"Candidate causes: {row['causes'] or 'none of those in the tables'}.",
    ]
    alt = f"Map of hot spot {at}: {row['vault_count']:,} vaults around {row['example']}"
    image = picture(drawn, alt, "", "")
    return (
        f'<article class="spot"><h3>{html.escape(head)}</h3><div class="beside">{image}'
        f"<div>{listed(lines)}{_grid(mine, at)}</div></div></article>"
    )


def _grid(seasons: pd.DataFrame, at: int) -> str:
    """Return the years by the quarters: dirty looks of all, those expected, shade by excess."""
    heads = "".join(f'<th scope="col">{words}</th>' for words in _QUARTERS)
    by_year = {
        year: {row["quarter"]: row for row in part.to_dict("records")}
        for year, part in seasons.groupby("year")
    }
    lines = []
    for year, quarters in by_year.items():
        cells = "".join(_cell(quarters.get(number)) for number in range(1, 5))
        lines.append(f'<tr><th scope="row">{year!s}</th>{cells}</tr>')
    label = f"Hot spot {at} by year and quarter: dirty looks of all looks, and those expected"
    return (
        f'<div class="wide" tabindex="0" role="group" aria-label="{label}"><table class="grid">'
        f'<thead><tr><th scope="col">Year</th>{heads}</tr></thead>'
        f"<tbody>{''.join(lines)}</tbody></table></div>"
    )


def _cell(row: dict[Hashable, Any] | None) -> str:
    if row is None:
        return '<td class="nobody">nobody looked</td>'
    expected = float(row["expected_looks"])
    more = row["dirty_looks"] / expected if expected > 0 else 1.0
    style = "much" if more >= 2.0 else "more" if more > 1.25 else "usual"
    return (
        f'<td class="{style}">{row["dirty_looks"]:,} of {row["looks"]:,}'
        f'<span class="small">{expected:.1f} expected</span></td>'
    )


def _others(clusters: pd.DataFrame) -> str:
    rest = clusters.iloc[MOST_SHOWN : MOST_SHOWN + MOST_LISTED]
    if rest.empty:
        return ""
    rows = [
        (
            f"{MOST_SHOWN + at}. {row['example']}",
            f"{row['vault_count']:,}",
            f"{row['dirty_looks']:,.0f} of {row['looks']:,.0f}",
            f"{row['expected_looks']:,.1f}",
            f"{row['ratio']:.1f}",
            row["causes"] or "none",
        )
        for at, row in enumerate(rest.to_dict("records"), start=1)
    ]
    heads = ("Around", "Vaults", "Dirty looks", "Expected", "Times", "Candidate causes")
    more = len(clusters) - MOST_SHOWN - len(rest)
    note = paragraph(f"{more:,} more are in the file of spots.") if more > 0 else ""
    return section("others", "Other hot spots", table(heads, rows, (1, 2, 3, 4)), note)


def _how(facts: HotSpotFacts) -> list[str]:
    return [
        "What is expected of a vault is what vaults of its kind, setting, shape and depth show in "
        "the whole fleet: that kinds differ is no hot spot.",
        f"Looks at one vault hang together (by {facts.together:.2f}; 0 is not at all, 1 that one "
        "look tells all): the tenth look weighs less than the first, so that neither many visits "
        "nor one vault visited ten times makes a hot spot.",
        facts.nearness,
        f"Each place with its neighbours is weighed against {facts.permutations:,} random maps "
        f"(seed {facts.seed}; Ord and Getis 1995, Anselin 1995), and the false discovery rate is "
        f"held at {facts.rate:.0%} over all places that are known (Benjamini and Hochberg 1995; "
        "Caldas de Castro and Singer 2006).",
        "Which vaults are looked into is nobody's draw: crews go where work is. A place that is "
        "never visited cannot be hot here, only not known.",
    ]
