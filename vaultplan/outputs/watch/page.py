"""The watch-list as one page that works with no network: waters, maps, discharges, notices."""

from __future__ import annotations

import html
from pathlib import Path

from vaultplan import schema
from vaultplan.outputs.cautions import CAUTIONS
from vaultplan.outputs.drawn.ink import PATH
from vaultplan.outputs.files import whole_file
from vaultplan.outputs.labels import load_labels
from vaultplan.outputs.pages.html import listed, paragraph, section
from vaultplan.outputs.pages.seal import POLICY, filled, own_text, sealed
from vaultplan.outputs.watch.map import outfall_mark
from vaultplan.outputs.watch.tables import (
    cards,
    glyph_svg,
    inline_svg,
    short,
)
from vaultplan.outputs.watch.water import each_water, mark, sum_words
from vaultplan.outputs.watch.words import (
    WatchFacts,
    day_word,
    outfall_checks,
)


def write_watch_page(path: Path, facts: WatchFacts, frames: schema.Frames) -> None:
    """Write the watch-list of a week as one HTML page.

    Parameters
    ----------
    path
        Page to write; one that is there is replaced, whole or not at all.
    facts
        What it says of itself.
    frames
        ``waters``, ``discharges``, ``totals``, ``outfall_days``, ``kept_back``, ``overrides`` and
        ``notices`` as ``vaultplan.watching`` makes them, and the tables ``vaults``, ``outfalls``,
        ``inlets``, ``roads``, ``receiving_waters`` and ``backdrop`` for the maps.

    Raises
    ------
    OutputError
        If the folder does not exist, or the page would need the network.

    Notes
    -----
    Texts of the database are put on the page as text only. A content security policy forbids it
    to load anything, or to run anything but its own script.
    """
    is_invented = "invented" in facts.name.lower()
    days = sorted(set(frames["discharges"]["on"]))
    parts = {
        "policy": POLICY,
        "title": html.escape(f"Watch-list of {facts.name or 'this fleet'}"),
        "style": own_text("watch/page.css"),
        "about": html.escape(_about(facts)),
        "invented": '<p class="invented">Invented data</p>' if is_invented else "",
        "cautions": html.escape(" ".join(CAUTIONS)),
        "warnings": _warnings(facts),
        "top": "\n".join([_notices(facts, frames), _waters_at_a_glance(frames)]),
        "days": '<option value="">all days</option>'
        + "".join(f'<option value="{d:%Y-%m-%d}">{day_word(d)}</option>' for d in days),
        "legend": _legend(),
        "waters": "\n".join(each_water(facts, frames)),
        "checks": _checks(facts),
        "script": own_text("watch/page.js"),
    }
    page = sealed(filled(own_text("watch/page.html"), parts))
    with whole_file(path) as unfinished:
        unfinished.write_text(page, encoding="utf-8", newline="\n")


def _about(facts: WatchFacts) -> str:
    return (
        f"Planned discharges to the storm drain in the week of {day_word(facts.week_of)} "
        f"{facts.week_of:%Y} that reach a sensitive water. Plan {facts.plan_id}; what is known "
        f"until {day_word(facts.as_of)} {facts.as_of:%Y}; times in {facts.time_zone}."
    )


def _warnings(facts: WatchFacts) -> str:
    if not facts.warnings:
        return ""
    return f'<div class="doubts"><h2>Trust this less, because</h2>{listed(facts.warnings)}</div>'


def _notices(facts: WatchFacts, frames: schema.Frames) -> str:
    rows = []
    for row in frames["notices"].to_dict("records"):
        style = " due" if row["is_overdue"] else ""
        rows.append(
            (
                "",
                [
                    short(day_word(row["due_on"])),
                    f'<span class="mark{style}">{html.escape(row["state"])}</span>',
                    html.escape(str(row["water"])),
                    short(day_word(row["on"])),
                    f"{row['discharges']:,}",
                    html.escape(str(row["outfalls"])),
                    html.escape(str(row["why"])),
                ],
            )
        )
    heads = ("Due on", "State", "Water", "Discharge on", "Discharges", "Outfalls", "Why")
    note = (
        f"Notice is reckoned {facts.notice_days} days before a discharge to a protected or "
        "outstanding water, one with a drinking intake, or one whose protection is not known. That "
        "lead is assumed: your permit says whether, when and whom to notify. This program tells "
        "nobody."
    )
    inside = cards(heads, rows, (4,)) if rows else paragraph("No planned discharge asks for one.")
    return section("notices", "Notices due", paragraph(note), inside)


def _waters_at_a_glance(frames: schema.Frames) -> str:
    whole = frames["totals"][frames["totals"]["on"].isna()].set_index("water_id")
    rows = []
    for at, row in enumerate(frames["waters"].to_dict("records")):
        key = row["water_id"] if isinstance(row["water_id"], str) else ""
        band = "none" if key not in whole.index else sum_words(whole.loc[key])
        rows.append(
            (
                "",
                [
                    f'<a href="#water-{at}">{html.escape(str(row["water"]))}</a>',
                    mark(row["sensitivity"]),
                    f"{row['discharges']:,}",
                    html.escape(band),
                ],
            )
        )
    heads = ("Water", "Sensitivity", "Discharges", "Gallons expected (80 % band)")
    note = (
        "Strictest first. A discharge stands under every water that it reaches, also through the "
        "waters above. Gallons expected are the sum of the means; the band is that of the sum, "
        "drawn with one weather for all. A split part counts by its share; what may enter a second "
        "inlet counts whole at both ends. The rules go by the place of each outfall, which may be "
        "less sensitive than the water is somewhere else."
    )
    inside = cards(heads, rows, (2,)) if rows else paragraph("No sensitive water is listed.")
    return section("waters", "Waters on watch", paragraph(note), inside)


def _legend() -> str:
    arrow = f'<path d="M15 3l10 5.5l-10 5.5z" fill="{PATH}"/>'
    items = [
        *(f"{glyph_svg(grade)}{grade} water likeliest" for grade in schema.GRADES),
        f"{glyph_svg('unknown')}grade not known",
        f"{inline_svg(outfall_mark(8.5, 8.0))}outfall",
        f"{_line('', arrow)}path of the water",
        f"{_line('6 4', '')}another way it may take, drawn straight",
    ]
    told = "".join(f"<li>{item}</li>" for item in items)
    return f'<ul class="legend" aria-label="Marks on the maps">{told}</ul>'


def _line(dashes: str, mark: str) -> str:
    stroke = f'stroke="{PATH}" stroke-width="3" stroke-dasharray="{dashes or "none"}"'
    inside = f'<path d="M1 8.5h36" {stroke}/>{mark}'
    return f'<svg class="line" viewBox="0 0 38 17" aria-hidden="true">{inside}</svg>'


def _checks(facts: WatchFacts) -> str:
    call = f"<p><b>{html.escape(f'Call: {facts.contact}.')}</b></p>" if facts.contact else ""
    checks = outfall_checks()
    last = list(checks)[-1]
    blocks = []
    for head, lines in checks.items():
        items = "".join(f"<li>{html.escape(line)}</li>" for line in lines)
        more = call if head == last else ""
        blocks.append(
            f'<div><h3>{html.escape(head)}</h3><ul class="boxes">{items}</ul>{more}</div>'
        )
    inside = f'<div class="checks">{"".join(blocks)}</div>'
    return section(
        "checks",
        "Checks at the outfall",
        paragraph(load_labels("en")["watch_checks_source"]),
        inside,
    )
