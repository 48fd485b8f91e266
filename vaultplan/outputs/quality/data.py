"""What a page about data knows: loads, findings, fields and places as plain lists for JSON."""

from __future__ import annotations

import re
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd

from vaultplan import schema
from vaultplan.outputs.maps.fleet import hexes
from vaultplan.outputs.maps.ground import named, streets_around
from vaultplan.outputs.maps.lines import STEP_DEG, Grid, grid_of, merged_by_name, points
from vaultplan.outputs.plan_view import part, time_zone_of
from vaultplan.outputs.quality.moves import moved_rows, moves_on_map, reach_of
from vaultplan.styles import OUTLINE, SEQUENTIAL

_MOST_LOADS: Final = 200
_MOST_EXAMPLES: Final = 20
_MOST_DISTRICTS: Final = 60
_MOST_POINTS: Final = 10_000
#: As many of a kind as the store keeps of one load: there may be more.
_KEPT: Final = 10_000
_GRAVITY: Final = {"error": 0, "warning": 1, "note": 2}
_SHAPE_WORD: Final = re.compile(r"\b(?:POINT|LINESTRING|POLYGON) ?\(")
_LONG_NUMBER: Final = re.compile(r"(\d\.\d{6})\d+")
_EXAMPLE: Final = ("file", "row", "row_key", "column", "value", "fault", "remedy", "outcome")


def quality_data(
    frames: schema.Frames,
    fields: pd.DataFrame,
    report: pd.DataFrame,
    rows: pd.DataFrame,
    rules: pd.DataFrame,
) -> dict[str, Any]:
    """Return everything the page shows, as texts and numbers."""
    return {
        "head": _head(frames),
        "loads": _loads(frames),
        "found": _found(frames, rules),
        "now": _now(report, rows, rules),
        "fields": _fields(fields),
        "words": {rule: meaning for rule, (meaning, _) in _words(rules).items()},
        **_map(frames),
    }


def _head(frames: schema.Frames) -> dict[str, Any]:
    facts = part(frames, "project").set_index("fact")["value"]
    loads = part(frames, "loads")
    name = facts.get("name")
    counts = [(label, len(frames[table])) for table, label in _COUNTED.items() if table in frames]
    return {
        "name": name if isinstance(name, str) and name else "a database without a name",
        "as_of": _moment(loads["loaded_at"].max(), frames) if len(loads) else "",
        "counts": ", ".join(f"{count:,} {label}" for label, count in counts if count),
    }


_COUNTED: Final = {
    "vaults": "vaults",
    "visits": "visits",
    "work_orders": "orders",
    "drain_pipes": "drain pipes",
    "outfalls": "outfalls",
}


def _moment(at: Any, frames: schema.Frames) -> str:
    if pd.isna(at):
        return ""
    local = at.tz_convert(time_zone_of(frames))
    return f"{local:%a} {local.day} {local:%b %Y, %H:%M}"


_ROWS: Final = {
    "rows_in": "rows_in",
    "loaded": "rows_loaded",
    "repaired": "rows_repaired",
    "aside": "rows_quarantined",
    "blank": "rows_blank",
}


def _loads(frames: schema.Frames) -> dict[str, Any]:
    loads = part(frames, "loads").sort_values(["loaded_at", "load_id"], ascending=False)
    shown = [
        {
            "file": load["file"],
            "table": load["table_name"],
            "at": _moment(load["loaded_at"], frames),
            **{told: 0 if pd.isna(load[name]) else int(load[name]) for told, name in _ROWS.items()},
        }
        for load in loads.head(_MOST_LOADS).to_dict("records")
    ]
    return {"shown": shown, "of": len(loads)}


def _words(rules: pd.DataFrame) -> dict[str, tuple[str, str]]:
    columns = zip(rules["rule"], rules["meaning"], rules["repair"], strict=True)
    return {rule: (meaning, repair) for rule, meaning, repair in columns}


def _found(frames: schema.Frames, rules: pd.DataFrame) -> list[dict[str, Any]]:
    """Return what was found in files as they were loaded, a line per rule."""
    findings, loads = part(frames, "findings"), part(frames, "loads")
    files = loads.set_index("load_id")["file"]
    known = findings.assign(
        file=findings["load_id"].map(files),
        repaired=findings["repaired"].fillna(value=False).astype(bool),
    )
    words, lines = _words(rules), []
    for rule, part_of in known.groupby("rule", sort=True):
        meaning, repair = words.get(str(rule), (str(rule), ""))
        outcome = part_of["proposal"].where(part_of["proposal"].notna(), "")
        told = part_of.assign(
            column=part_of["column_name"],
            outcome=np.where(
                part_of["repaired"],
                "repaired: " + outcome,
                np.where(outcome.ne(""), "could be: " + outcome, ""),
            ),
        )
        kinds = part_of.groupby(["load_id", part_of["column_name"].fillna("")]).size()
        lines.append(
            {
                "rule": str(rule),
                "severity": str(part_of["severity"].iloc[0]),
                "meaning": meaning,
                "repair": repair,
                "rows": len(part_of),
                "is_capped": bool((kinds >= _KEPT).any()),
                "repaired": int(part_of["repaired"].sum()),
                "remedies": sorted(part_of["remedy"].dropna().unique().tolist())[:3],
                "examples": _examples(told.sort_values("repaired", kind="stable")),
            }
        )
    return sorted(lines, key=lambda line: (_GRAVITY.get(line["severity"], 3), -line["rows"]))


def _now(report: pd.DataFrame, rows: pd.DataFrame, rules: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the faults of the database as it is, a line per table, column and rule."""
    is_blank = report["rule"].eq("blank") & report["severity"].ne("error")
    words = _words(rules)
    groups = dict(list(rows.groupby(["table", "rule", "column"], sort=False)))
    lines = []
    faults = report[report["severity"].ne("") & ~is_blank]
    for line in faults.to_dict("records"):
        own = groups.get((line["table"], line["rule"], line["column"]))
        told = ("rule", "severity", "table", "column", "finding", "remedy")
        lines.append(
            {
                **{name: str(line[name]) for name in told},
                "meaning": words.get(line["rule"], (line["finding"], ""))[0],
                "rows": int(line["rows"]),
                "share": None if pd.isna(line["share"]) else float(line["share"]),
                "examples": [] if own is None else _examples(own),
            }
        )
    return lines


def _examples(rows: pd.DataFrame) -> list[dict[str, Any]]:
    first = rows.head(_MOST_EXAMPLES)
    known = [name for name in _EXAMPLE if name in first]
    cells = first[known].astype(object)
    return [
        {
            str(key): _shorter(str(value))
            for key, value in row.items()
            if not pd.isna(value) and value != ""
        }
        for row in cells.to_dict("records")
    ]


def _shorter(text: str) -> str:
    """Return text in which the numbers of shapes have at most six decimals."""
    return _LONG_NUMBER.sub(r"\1", text) if _SHAPE_WORD.search(text) else text


def _fields(fields: pd.DataFrame) -> list[dict[str, Any]]:
    """Return, per table, its districts and columns with rows, filled and implausible of each."""
    told = []
    for name in fields["table"].unique():
        own = fields[fields["table"] == name]
        sizes = own.groupby("district", sort=True)["rows"].max().drop("(all)")
        largest = sizes.sort_values(ascending=False, kind="stable").head(_MOST_DISTRICTS)
        districts = ["(all)", *sorted(largest.index)]
        if len(sizes) == 1 and sizes.index[0] == "":
            districts = ["(all)"]
        columns = []
        for column in own["column"].unique():
            here = own[own["column"] == column].set_index("district").reindex(districts)
            declared = schema.table(str(name)).column(str(column))
            columns.append(
                {
                    "name": column,
                    "meaning": declared.meaning,
                    "fine": bool(here["blank_is_fine"].iloc[0]),
                    "must": declared.required,
                    "cells": here[["rows", "filled", "implausible"]]
                    .astype("int64")
                    .to_numpy()
                    .tolist(),
                }
            )
        left_out = len(sizes) - len(largest)
        told.append(
            {"table": name, "districts": districts, "columns": columns, "left_out": left_out}
        )
    return told


def _map(frames: schema.Frames) -> dict[str, Any]:
    spatial = {name: gpd.GeoDataFrame(part(frames, name)) for name in _PLACES}
    rows = moved_rows(frames)
    reach = reach_of([spatial[name] for name in ("vaults", "inlets", "drain_pipes", "roads")])
    grid = grid_of(*spatial.values())
    vaults = spatial["vaults"]
    is_fleet = len(vaults) > _MOST_POINTS
    around = vaults[vaults["vault_id"].isin(rows["row_key"])] if is_fleet else None
    waters = spatial["receiving_waters"]
    streets = merged_by_name(streets_around(spatial["roads"], around), "name")
    xs, ys = points(vaults[vaults.geometry.notna()], grid) if not is_fleet else ([], [])
    return {
        "look": {"outline": OUTLINE, "sequential": list(SEQUENTIAL)},
        "grid": [grid.lon, grid.lat, STEP_DEG],
        "ground": {
            "backdrop": named(spatial["backdrop"], grid, 6.0, ("kind",), is_labelled=False),
            "waters": named(waters, grid, 4.0, ("kind",), is_labelled=False),
            "streets": named(streets, grid, 2.0, (), is_labelled=False),
        },
        "vaults": {"x": xs, "y": ys, "count": len(vaults)},
        "hexes": _hexes(vaults, grid) if is_fleet else None,
        "moves": moves_on_map(rows, reach, grid),
    }


_PLACES: Final = ("vaults", "inlets", "drain_pipes", "roads", "backdrop", "receiving_waters")


def _hexes(vaults: gpd.GeoDataFrame, grid: Grid) -> dict[str, Any]:
    unasked = {"volume_gal_mean": 0.0, "prob_light": 0.0, "prob_heavy": 0.0}
    counted = hexes(vaults.assign(**unasked), set(), grid)
    return {"ring": counted["ring"], "count": counted["count"]}
