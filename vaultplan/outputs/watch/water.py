"""The section of one water on the watch-list's page: map, sums, discharges, what is kept back."""

from __future__ import annotations

import base64
import html
from collections.abc import Mapping
from typing import Any, Final

import geopandas as gpd
import pandas as pd

from vaultplan import schema
from vaultplan.outputs.drawn.scene import Scene, scene_of
from vaultplan.outputs.pages.html import paragraph, section
from vaultplan.outputs.watch.map import NARROW, WIDE, water_map
from vaultplan.outputs.watch.tables import cards, discharge_table, short, small
from vaultplan.outputs.watch.words import WatchFacts, day_word, gallons

#: More days of single outfalls than this are folded away, but for those that may pass a cap.
MOST_OUTFALL_DAYS: Final = 12
_TOTAL_HEADS: Final = (
    *("Day", "Outfall", "Discharges", "Gallons expected (80 % band)", "Outfall's daily cap"),
)
_SCENE: Final = ("roads", "receiving_waters", "backdrop", "inlets", "vaults")


def each_water(facts: WatchFacts, frames: schema.Frames) -> list[str]:
    """Return a section for each water on watch, in their order."""
    scene = scene_of({name: frames[name] for name in _SCENE})
    own = {row["water_id"] for row in frames["waters"].to_dict("records") if row["discharges"]}
    names = {row["water"] for row in frames["waters"].to_dict("records") if row["water_id"] in own}
    return [
        _water(at, row, facts, frames, scene, names)
        for at, row in enumerate(frames["waters"].to_dict("records"))
    ]


def _water(
    at: int,
    water: dict[Any, Any],
    facts: WatchFacts,
    frames: schema.Frames,
    scene: Scene,
    with_sections: set[Any],
) -> str:
    key = water["water_id"] if isinstance(water["water_id"], str) else ""
    mine = {
        name: frames[name][frames[name]["water_id"].fillna("").eq(key)]
        for name in ("discharges", "totals", "kept_back", "overrides")
    }
    rows = mine["discharges"]
    numbers = _rule_numbers(rows)
    head = f"<p>{mark(water['sensitivity'])} {html.escape(str(water['reason']))}.</p>"
    parts = [head]
    if len(rows):
        parts += [
            _map(water, rows, frames, scene),
            "<h3>What it adds up to</h3>",
            _totals(mine["totals"], rows, frames["outfall_days"]),
            "<h3>Planned discharges</h3>",
            *_discharges(rows, water, facts, numbers, with_sections),
            _rules(numbers, facts),
        ]
    else:
        parts.append(paragraph("No planned discharge of the week reaches it."))
    parts += [_kept_back(mine["kept_back"]), _overrides(mine["overrides"])]
    return section(f"water-{at}", str(water["water"]), *parts)


def _map(water: dict[Any, Any], rows: pd.DataFrame, frames: schema.Frames, scene: Scene) -> str:
    outfalls = dict(zip(frames["outfalls"]["outfall_id"], frames["outfalls"].geometry, strict=True))
    vaults = frames["vaults"][frames["vaults"]["vault_id"].isin(rows["vault_id"])]
    spots = dict(zip(vaults["vault_id"], vaults.geometry, strict=True))
    shape = water.get("geometry")
    name = str(water["water"])
    drawn = [
        water_map(scene, shape, name, gpd.GeoDataFrame(rows), outfalls, spots, size)
        for size in (WIDE, NARROW)
    ]
    if not drawn[0]:
        return paragraph("No place of it is known, so there is no map.")
    wide, narrow = (
        "data:image/svg+xml;base64," + base64.b64encode(svg.encode()).decode("ascii")
        for svg in drawn
    )
    count = rows["vault_id"].nunique()
    ends = ", ".join(sorted(set(rows["outfall_id"].dropna()))) or "no known outfall"
    alt = html.escape(f"Map: {count} vaults whose water runs to {ends} and reaches {name}.")
    images = "".join(
        f'<img class="{style}" src="{source}" alt="{alt}">'
        for style, source in (("broad", wide), ("slim", narrow))
    )
    return (
        f"<figure>{images}<figcaption>{alt} Labels without room are left out.</figcaption></figure>"
    )


def _totals(totals: pd.DataFrame, rows: pd.DataFrame, outfall_days: pd.DataFrame) -> str:
    """Return the week, each day, and each outfall's day beside its cap."""
    ids = set(rows["outfall_id"].dropna())
    ids.update(";".join(rows["other_outfalls"].dropna()).split(";"))
    ends = outfall_days[outfall_days["outfall_id"].isin(ids)]
    is_calm = ends["daily_cap_gal"].isna() | ends["cap_words"].str.startswith("stays")
    is_folded = is_calm if len(ends) > MOST_OUTFALL_DAYS else pd.Series(False, index=ends.index)
    cells: list[list[str]] = []
    folded: list[list[str]] = []
    for row in totals.sort_values("on", na_position="first").to_dict("records"):
        day = "whole week" if pd.isna(row["on"]) else day_word(row["on"])
        cells.append(_total(day, "all outfalls", row, ""))
        today = ends["on"].eq(row["on"])
        for kept, which in ((cells, today & ~is_folded), (folded, today & is_folded)):
            for end in ends[which].to_dict("records"):
                kept.append(_total(day, str(end["outfall_id"]), end, _cap(end)))
    told = cards(_TOTAL_HEADS, [("", cell) for cell in cells], (2,))
    if folded:
        inside = cards(_TOTAL_HEADS, [("", cell) for cell in folded], (2,))
        words = f"{len(folded):,} days of single outfalls, none likely to pass a cap"
        told += f"<details><summary>{words}</summary>{inside}</details>"
    return told


def _total(day: str, outfall: str, row: Mapping[Any, Any], cap: str) -> list[str]:
    sums = html.escape(sum_words(row))
    return [short(day), html.escape(outfall), f"{row['discharges']:,}", sums, cap]


def _cap(row: Any) -> str:
    """Return the cap and whether the outfall's whole day stays below it."""
    if pd.isna(row["daily_cap_gal"]):
        return "no cap is set"
    words = html.escape(str(row["cap_words"]))
    is_calm = str(row["cap_words"]).startswith("stays")
    told = small(str(row["cap_words"])) if is_calm else f'<span class="alarm">{words}</span>'
    return f"{row['daily_cap_gal']:,.0f} gal{told}"


def _discharges(
    rows: pd.DataFrame,
    water: dict[Any, Any],
    facts: WatchFacts,
    numbers: dict[str, int],
    with_sections: set[Any],
) -> list[str]:
    """Return the discharges that have no section nearer to them, then the others folded away."""
    via = rows["enters_water"].where(rows["enters_water"].ne(water["water"]))
    is_told = via.isin(with_sections)
    near, far = rows[~is_told], rows[is_told]
    parts = []
    if len(near):
        parts.append(discharge_table(near, facts.time_zone, numbers))
    if len(far):
        counts = via[is_told].value_counts(sort=False)
        through = ", ".join(f"{name} {counts[name]}" for name in sorted(counts.index))
        words = html.escape(f"{len(far):,} through waters above, which list them too: {through}")
        inside = discharge_table(far, facts.time_zone, numbers)
        parts.append(f"<details><summary>{words}</summary>{inside}</details>")
    return parts


def _rule_numbers(rows: pd.DataFrame) -> dict[str, int]:
    fired = ";".join(rows["rules_fired"].dropna()).split(";")
    ids = [rule for rule in dict.fromkeys(fired) if rule and rule != "none"]
    return {rule: at for at, rule in enumerate(sorted(ids), start=1)}


def _rules(numbers: dict[str, int], facts: WatchFacts) -> str:
    if not numbers:
        return ""
    items = "".join(f"<li>{html.escape(facts.rule_words.get(rule, rule))}</li>" for rule in numbers)
    return f"<h3>Rules that apply, by number</h3><ol>{items}</ol>"


def _kept_back(rows: pd.DataFrame) -> str:
    if rows.empty:
        return ""
    cells = [
        (
            "",
            [
                html.escape(str(row["outcome"])),
                html.escape(str(row["order_id"])),
                html.escape(str(row["vault_id"])),
                html.escape("not known" if pd.isna(row["outfall_id"]) else str(row["outfall_id"])),
                html.escape(str(row["reason"])),
            ],
        )
        for row in rows.to_dict("records")
    ]
    inside = cards(("Outcome", "Order", "Vault", "Outfall", "Why, and what would free it"), cells)
    words = html.escape(f"{len(rows):,} held or referred orders whose water would reach it")
    return f"<details><summary>{words}</summary>{inside}</details>"


def _overrides(rows: pd.DataFrame) -> str:
    if rows.empty:
        return ""
    cells = []
    for row in rows.to_dict("records"):
        ends = html.escape(str(row["ends"]))
        cells.append(
            (
                "",
                [
                    html.escape(str(row["vault_id"])),
                    html.escape(f"{row['ladder']} to {str(row['step']).replace('_', ' ')}"),
                    f'<span class="mark due">{ends}</span>' if row["is_ending"] else ends,
                    html.escape(str(row["who"])),
                    html.escape(str(row["why"])),
                ],
            )
        )
    heads = ("Vault", "Lowered", "Until", "By", "Why")
    return "<h3>Overrides in force</h3>" + cards(heads, cells)


def sum_words(row: Any) -> str:
    """Return a sum's gallons with their band, and what is not counted in it."""
    told = gallons(row["volume_gal_p10"], row["volume_gal_p50"], row["volume_gal_p90"])
    gone = int(row["days_gone"])
    return told if not gone else f"{told}, without {gone} whose day is over"


def mark(sensitivity: Any) -> str:
    """Return a sensitivity as a mark that says it in black and white too."""
    word = html.escape(str(sensitivity))
    return f'<span class="mark {word}">{word}</span>'
