"""The watch-list on paper, for the specialist who stands at the outfall."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

import geopandas as gpd
import pandas as pd

from vaultplan import schema, styles
from vaultplan.outputs.drawn.scene import Scene, scene_of
from vaultplan.outputs.labels import date_in_words, date_short, load_labels, printable
from vaultplan.outputs.plan_view import likeliest_grade
from vaultplan.outputs.sheets.typeset import typesetter
from vaultplan.outputs.watch.map import water_map
from vaultplan.outputs.watch.words import WatchFacts, chances, gallons, outfall_checks
from vaultplan.settings import OutputSettings

MAP_PT: Final = (300.0, 190.0)
MOST_KEPT: Final = 6
_SCENE: Final = ("roads", "receiving_waters", "backdrop", "inlets", "vaults")

Payload = dict[str, Any]


def write_watch_sheet(
    path: Path, facts: WatchFacts, frames: schema.Frames, settings: OutputSettings
) -> None:
    """Write the watch-list of a week as a PDF to print and write in.

    Parameters
    ----------
    path
        PDF to write; one that is there is replaced, whole or not at all.
    facts
        What it says of itself.
    frames
        As for :func:`vaultplan.outputs.watch.page.write_watch_page`.
    settings
        Paper, language and names.

    Raises
    ------
    OutputError
        If the folder does not exist or the sheet cannot be written.
    """
    t = load_labels(settings.language)
    title = t["watch_title"].format(date=date_in_words(facts.week_of, t))
    waters = _waters(facts, frames, t)
    footer = (
        f"{t['plan']} {printable(facts.plan_id, 40)} · {t['data_to']} {facts.as_of:%Y-%m-%d} · "
        f"{t['rules']} {facts.rules_version[:8] or t['not_stated']}"
    )
    data = {
        "t": dict(t),
        "lang": settings.language,
        "paper": settings.paper,
        "title": title,
        "author": printable(settings.utility, 60) or "vaultplan",
        "made": [facts.as_of.year, facts.as_of.month, facts.as_of.day, 0, 0],
        "footer": footer,
        "utility": printable(settings.utility, 34),
        "colours": dict(styles.GRADE_COLOURS),
        "deep": styles.SEQUENTIAL[5],
        "week_words": title.partition(", ")[2],
        "name": printable(facts.name, 80),
        "contact": printable(facts.contact, 120),
        "about": t["watch_about"].format(
            day=date_in_words(facts.as_of, t), zone=printable(facts.time_zone, 40)
        ),
        "warnings": [printable(words, 300) for words in facts.warnings],
        "notice_note": t["watch_notice_note"].format(days=facts.notice_days),
        "notices": [_notice(row, t) for row in frames["notices"].to_dict("records")],
        "waters": waters,
        "caps": _caps(frames["outfall_days"], t),
        "map_width": MAP_PT[0],
        "map_height": MAP_PT[1],
        "checks": [
            {"head": head, "lines": list(lines)}
            for head, lines in outfall_checks(settings.language).items()
        ],
    }
    with typesetter("watch/sheet.typ") as typeset:
        typeset(data, path)


def _notice(row: Mapping[Any, Any], t: Mapping[str, str]) -> Payload:
    return {
        "due": date_short(row["due_on"], t),
        "state": printable(row["state"], 60),
        "late": bool(row["is_overdue"]),
        "water": printable(row["water"], 60),
        "on": date_short(row["on"], t),
        "count": f"{row['discharges']:,}",
        "outfalls": printable(row["outfalls"], 120),
        "why": printable(row["why"], 200),
    }


def _caps(days: pd.DataFrame, t: Mapping[str, str]) -> list[str]:
    """Return the days on which an outfall may get more than its cap."""
    capped = days[days["daily_cap_gal"].notna() & ~days["cap_words"].str.startswith("stays")]
    return [
        t["watch_cap"].format(
            outfall=printable(row["outfall_id"], 40),
            day=date_short(row["on"], t),
            gallons=_band(row),
            cap=f"{row['daily_cap_gal']:,.0f}",
            words=printable(row["cap_words"], 120),
        )
        for row in capped.to_dict("records")
    ]


def _waters(facts: WatchFacts, frames: schema.Frames, t: Mapping[str, str]) -> list[Payload]:
    scene = scene_of({name: frames[name] for name in _SCENE})
    whole = frames["totals"][frames["totals"]["on"].isna()].set_index("water_id")
    rows = frames["waters"].to_dict("records")
    own = {row["water"] for row in rows if row["discharges"]}
    told = []
    for row in rows:
        key = row["water_id"] if isinstance(row["water_id"], str) else ""
        mine = {
            name: frames[name][frames[name]["water_id"].fillna("").eq(key)]
            for name in ("discharges", "kept_back", "overrides")
        }
        listed = mine["discharges"]
        via = listed["enters_water"].where(listed["enters_water"].ne(row["water"]))
        is_far = via.isin(own)
        band = whole.loc[key] if key in whole.index else None
        told.append(
            {
                "name": printable(row["water"], 60),
                "sensitivity": str(row["sensitivity"]),
                "sensitivity_words": t[f"sensitivity_{row['sensitivity']}"],
                "reason": printable(row["reason"], 220),
                "count": f"{row['discharges']:,}",
                "gallons": "0" if band is None else _band(band),
                "through": _through(via[is_far], t),
                "rows": _rows(gpd.GeoDataFrame(listed[~is_far]), facts, t),
                "kept": _kept(mine["kept_back"], t),
                "overrides": [_override(each, t) for each in mine["overrides"].to_dict("records")],
                "map_alt": t["watch_map_alt"].format(
                    count=listed["vault_id"].nunique(), water=printable(row["water"], 60)
                ),
                "map": _map(row, listed, frames, scene) if len(listed) else "",
            }
        )
    return told


def _through(via: pd.Series[Any], t: Mapping[str, str]) -> str:
    if via.empty:
        return ""
    counts = via.value_counts(sort=False).sort_index()
    waters = ", ".join(f"{printable(name, 40)} {count}" for name, count in counts.items())
    return t["watch_through"].format(count=len(via), waters=waters)


def _rows(listed: gpd.GeoDataFrame, facts: WatchFacts, t: Mapping[str, str]) -> list[Payload]:
    zone = ZoneInfo(facts.time_zone)
    return [
        {
            "when": f"{date_short(row['on'], t)} {row['start_at'].tz_convert(zone):%H:%M}",
            "grade": str(grade),
            "vault": printable(row["vault_id"], 60),
            "truck": " · ".join(
                printable(row[name], 40) for name in ("truck_id", "order_id") if row[name]
            ),
            "method": t[f"method_{_known(row['method'])}"],
            "gate": t[f"gate_{_known(row['gate'])}"],
            "gate_loud": row["gate"] != "go",
            "gallons": _band(row),
            "chances": chances(row["prob_clear"], row["prob_light"], row["prob_heavy"]),
            "outfall": printable(row["outfall_id"], 40) or t["not_stated"],
            "way": "" if row["way"] == "main path" else printable(row["way"], 80),
        }
        for row, grade in zip(listed.to_dict("records"), likeliest_grade(listed), strict=True)
    ]


def _band(row: Any) -> str:
    return gallons(row["volume_gal_p10"], row["volume_gal_p50"], row["volume_gal_p90"])


def _known(word: Any) -> str:
    return word if isinstance(word, str) else "unknown"


def _kept(rows: pd.DataFrame, t: Mapping[str, str]) -> list[str]:
    told = [
        f"{printable(row['order_id'], 30)}, {printable(row['vault_id'], 40)}: "
        f"{printable(row['outcome'], 20)}"
        for row in rows.head(MOST_KEPT).to_dict("records")
    ]
    more = len(rows) - MOST_KEPT
    return [*told, t["watch_more"].format(count=more)] if more > 0 else told


def _override(row: Mapping[Any, Any], t: Mapping[str, str]) -> str:
    return t["watch_override"].format(
        vault=printable(row["vault_id"], 40),
        ladder=printable(row["ladder"], 20),
        step=printable(str(row["step"]).replace("_", " "), 20),
        who=printable(row["who"], 40) or t["not_stated"],
        ends=printable(row["ends"], 40),
        why=printable(row["why"], 120),
    )


def _map(
    water: Mapping[Any, Any], listed: pd.DataFrame, frames: schema.Frames, scene: Scene
) -> str:
    outfalls = dict(zip(frames["outfalls"]["outfall_id"], frames["outfalls"].geometry, strict=True))
    vaults = frames["vaults"][frames["vaults"]["vault_id"].isin(listed["vault_id"])]
    spots = dict(zip(vaults["vault_id"], vaults.geometry, strict=True))
    return water_map(
        scene,
        water.get("geometry"),
        str(water["water"]),
        gpd.GeoDataFrame(listed),
        outfalls,
        spots,
        MAP_PT,
    )
