"""The planned week as a workbook: sheets a planner can filter, with every column explained."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal
from zoneinfo import ZoneInfo

import pandas as pd
import xlsxwriter

from vaultplan import schema
from vaultplan.outputs.cautions import CAUTIONS
from vaultplan.outputs.files import whole_file
from vaultplan.outputs.plan_view import (
    local_clock,
    part,
    plan_of,
    stops_in_full,
    time_zone_of,
    unserved_in_full,
)

CellKind = Literal["text", "code", "long", "whole", "tenths", "share", "date"]


@dataclass(frozen=True, slots=True)
class Field:
    """One column of a sheet: ``source`` is the declared ``table.column`` it comes from."""

    column: str
    heading: str
    kind: CellKind
    width: float
    source: str

    @property
    def declared(self) -> Any:
        """The schema's column, which knows unit and meaning."""
        table, _, name = self.source.partition(".")
        return schema.table(table).column(name)

    @property
    def unit(self) -> str:
        """Unit of the cells; times stand in local time here."""
        return "local HH:MM" if self.declared.type == "time" else str(self.declared.unit)


def _fields(table: str, *rows: tuple[str, str, CellKind, float]) -> tuple[Field, ...]:
    return tuple(
        Field(column, heading, kind, width, f"{table}.{column}")
        for column, heading, kind, width in rows
    )


_WATER: Final = _fields(
    "plan_jobs",
    ("method", "Method", "code", 12),
    ("gate", "Gate", "code", 7),
    ("volume_gal_p10", "Water low (P10), gal", "whole", 10),
    ("volume_gal_p50", "Water likely (P50), gal", "whole", 10),
    ("volume_gal_p90", "Water high (P90), gal", "whole", 10),
)
_ADDRESS: Final = _fields("vaults", ("address", "Address", "long", 24))
_RANK: Final = _fields(
    "plan_jobs",
    ("rank", "Rank", "whole", 8),
    ("score", "Score, 0-100", "tenths", 9),
)
_DUE: Final = _fields(
    "work_orders", ("due_on", "Due", "date", 15.5), ("priority", "Priority, 1 urgent", "whole", 10)
)

_STOPS: Final = (
    *_fields(
        "plan_stops",
        ("on", "Day", "date", 15.5),
        ("truck_id", "Truck", "text", 9),
        ("stop_number", "Stop", "whole", 7),
        ("kind", "What is done", "code", 10),
        ("arrive_at", "Arrive", "text", 8),
        ("start_at", "Start", "text", 7),
        ("leave_at", "Leave", "text", 8),
        ("drive_minutes", "Drive before, min", "whole", 9),
        ("vault_id", "Vault", "text", 12),
        ("site_id", "Disposal site", "text", 10),
        ("order_id", "Order", "text", 12),
    ),
    *_ADDRESS,
    *_fields("plan_jobs", ("task", "Task", "long", 22)),
    *_WATER,
    *_fields(
        "plan_stops",
        ("load_gal", "Water reckoned with, gal", "whole", 11),
        ("tank_after_gal", "In tank after, gal", "whole", 9),
        ("socks", "Socks", "whole", 8),
    ),
    *_fields("vaults", ("access_notes", "Access", "long", 34)),
)
_JOBS: Final = (
    *_fields(
        "plan_jobs",
        ("order_id", "Order", "text", 12),
        ("vault_id", "Vault", "text", 12),
    ),
    *_ADDRESS,
    *_fields("plan_jobs", ("task", "Task", "long", 22), ("skill", "Skill", "text", 12)),
    *_DUE,
    *_RANK,
    *_WATER,
    *_fields(
        "plan_jobs",
        ("load_gal", "Water reckoned with, gal", "whole", 13),
        ("setup_minutes", "Set up, min", "whole", 9),
        ("task_minutes", "Task, min", "whole", 9),
        ("rules_fired", "Rules that apply", "code", 26),
        ("reason", "Why", "long", 60),
    ),
)
_UNSERVED: Final = (
    *_fields(
        "plan_unserved",
        ("outcome", "What became of it", "code", 14),
        ("order_id", "Order", "text", 12),
        ("vault_id", "Vault", "text", 12),
    ),
    *_ADDRESS,
    *_fields("work_orders", ("task", "Task", "long", 22)),
    *_DUE,
    *_RANK,
    *_WATER,
    *_fields("plan_unserved", ("reason", "Why, and what would free it", "long", 70)),
)
_RANKING: Final = _fields(
    "rankings",
    ("rank", "Rank", "whole", 8),
    ("order_id", "Order", "text", 12),
    ("vault_id", "Vault", "text", 12),
    ("score", "Score, 0-100", "tenths", 9),
    ("points_volume", "From the gallons", "tenths", 11),
    ("points_contamination", "From the dirt", "tenths", 11),
    ("points_sensitivity", "From what lies below", "tenths", 12),
    ("points_urgency", "From urgency", "tenths", 11),
    ("top_share", "Share of draws at the top", "share", 11),
    ("rank_low", "Rank in 10 % of draws", "whole", 9),
    ("rank_high", "Rank in 90 % of draws", "whole", 9),
    ("tie_band", "Tie band", "whole", 8),
    ("reason", "Why", "long", 60),
)
_LOADS: Final = _fields(
    "plan_loads",
    ("on", "Day", "date", 15.5),
    ("truck_id", "Truck", "text", 9),
    ("item", "What", "code", 14),
    ("trip", "Trip", "whole", 7),
    ("quantity", "How much", "tenths", 10),
    ("unit", "Unit", "text", 8),
    ("spare", "Spare or room left", "tenths", 10),
    ("prob_short", "Chance it does not last", "share", 11),
    ("reason", "What it rests on", "long", 60),
)
_CHANGES: Final = _fields(
    "plan_changes",
    ("order_id", "Order", "text", 12),
    ("what", "What became of it", "code", 14),
    ("was_truck_id", "Truck before", "text", 9),
    ("was_on", "Day before", "date", 15.5),
    ("now_truck_id", "Truck now", "text", 9),
    ("now_on", "Day now", "date", 15.5),
    ("call_by", "Call the crew by", "text", 18),
    ("reason", "Why", "long", 60),
)
_SHEETS: Final = {
    "Stops": _STOPS,
    "Jobs": _JOBS,
    "Left out": _UNSERVED,
    "Ranking": _RANKING,
    "Loads": _LOADS,
    "Changes": _CHANGES,
}

#: First columns of each sheet that stay in sight when it is scrolled sideways.
_KEPT_IN_SIGHT: Final = {
    "Stops": 3, "Jobs": 2, "Left out": 2, "Ranking": 2, "Loads": 2, "Changes": 1
}  # fmt: skip


def write_plan_xlsx(frames: schema.Frames, path: Path, *, time_zone: str | None = None) -> None:
    """Write the week as a workbook: stops, jobs, what is left out, ranking, loads, changes.

    Text is always written as text, so nothing in it can run as a formula. Times are local to
    ``time_zone``, the database's when not given. The same plan gives the same bytes.

    Raises
    ------
    OutputError
        If the folder does not exist or there is not exactly one plan.
    """
    plan = plan_of(frames)
    rows = _rows(frames, time_zone)
    with whole_file(path) as unfinished, xlsxwriter.Workbook(unfinished) as book:
        made_at = pd.Timestamp(plan["made_at"]).tz_convert("UTC").tz_localize(None)
        book.set_properties({"title": str(plan["plan_id"]), "created": made_at.to_pydatetime()})
        formats = cell_formats(book)
        for sheet, fields in _SHEETS.items():
            _write_sheet(book, formats, sheet, fields, rows[sheet])
        _write_explanations(book, formats, plan, str(time_zone_of(frames, time_zone)))


def _rows(frames: schema.Frames, time_zone: str | None) -> dict[str, pd.DataFrame]:
    zone = time_zone_of(frames, time_zone)
    stops = stops_in_full(frames, zone)
    for event in ("arrive_at", "start_at", "leave_at"):
        stops[event] = local_clock(stops[event], zone)
    jobs = pd.DataFrame(part(frames, "plan_jobs")).drop(columns="due_on", errors="ignore")
    addresses = pd.DataFrame(part(frames, "vaults"))[["vault_id", "address"]]
    due = part(frames, "work_orders")[["order_id", "due_on"]]
    jobs = jobs.merge(addresses, on="vault_id", how="left", validate="many_to_one")
    jobs = jobs.merge(due, on="order_id", how="left", validate="many_to_one")
    return {
        "Stops": stops,
        "Jobs": jobs.sort_values(["rank", "order_id"], ignore_index=True),
        "Left out": unserved_in_full(frames),
        "Ranking": part(frames, "rankings").sort_values("rank", ignore_index=True),
        "Loads": part(frames, "plan_loads").sort_values(
            ["on", "truck_id", "item", "trip"], ignore_index=True
        ),
        "Changes": _changes(frames, zone),
    }


def _changes(frames: schema.Frames, zone: ZoneInfo) -> pd.DataFrame:
    changes = part(frames, "plan_changes").sort_values(
        ["call_by", "order_id"], na_position="last", ignore_index=True
    )
    local = changes["call_by"].dt.tz_convert(zone).dt.strftime("%a %d %b %H:%M")
    return pd.DataFrame(changes).assign(call_by=local)


def cell_formats(book: Any) -> dict[str, Any]:
    """Return the looks of a workbook's cells by kind, and of its headings."""
    top = {"valign": "top"}
    return {
        "heading": book.add_format(
            {**top, "bold": True, "text_wrap": True, "bg_color": "#EDF1FA", "bottom": 1}
        ),
        "text": book.add_format(top),
        "code": book.add_format({**top, "text_wrap": True}),
        "long": book.add_format({**top, "text_wrap": True}),
        "whole": book.add_format({**top, "num_format": "#,##0"}),
        "tenths": book.add_format({**top, "num_format": "0.0"}),
        "share": book.add_format({**top, "num_format": "0.00"}),
        "date": book.add_format({**top, "num_format": "ddd d mmm yyyy", "align": "left"}),
    }


def _write_sheet(
    book: Any, formats: dict[str, Any], name: str, fields: tuple[Field, ...], rows: pd.DataFrame
) -> None:
    sheet = book.add_worksheet(name)
    sheet.freeze_panes(1, _KEPT_IN_SIGHT[name])
    sheet.autofilter(0, 0, len(rows), len(fields) - 1)
    set_up_page(sheet, name)
    for place, field in enumerate(fields):
        sheet.set_column(place, place, field.width)
        sheet.write_string(0, place, field.heading, formats["heading"])
        cells = rows[field.column]
        blank = cells.isna().to_numpy()
        for line, cell in enumerate(cells, start=1):
            if not blank[line - 1]:
                _write_cell(sheet, line, place, cell, field.kind, formats[field.kind])


def set_up_page(sheet: Any, name: str) -> None:
    """Print across one landscape page, as many pages long as it needs, caution on each."""
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(0)
    sheet.set_margins(left=0.4, right=0.4, top=0.5, bottom=0.8)
    sheet.set_footer(f"&L{name}, page &P of &N\n{CAUTIONS[0]}")


def _words(cell: Any) -> str:
    """Return a code of the tables as words; lists break at their blanks.

    >>> _words("light_water;wet_day")
    'light water; wet day'
    """
    return "; ".join(part.strip() for part in str(cell).replace("_", " ").split(";"))


def _write_cell(sheet: Any, line: int, place: int, cell: Any, kind: CellKind, look: Any) -> None:
    if kind == "code":
        sheet.write_string(line, place, _words(cell), look)
    elif kind in ("text", "long"):
        sheet.write_string(line, place, str(cell), look)
    elif kind == "date":
        sheet.write_datetime(line, place, pd.Timestamp(cell).to_pydatetime(), look)
    else:
        sheet.write_number(line, place, float(cell), look)


def _write_explanations(
    book: Any, formats: dict[str, Any], plan: pd.Series[Any], zone: str
) -> None:
    sheet = book.add_worksheet("Columns explained")
    sheet.freeze_panes(1, 0)
    set_up_page(sheet, "Columns explained")
    for place, (heading, width) in enumerate(
        (("Sheet", 16), ("Column", 28), ("Unit", 14), ("Meaning", 90))
    ):
        sheet.set_column(place, place, width)
        sheet.write_string(0, place, heading, formats["heading"])
    lines = [
        (name, field.heading, field.unit, field.declared.meaning)
        for name, fields in _SHEETS.items()
        for field in fields
    ]
    sheet.autofilter(0, 0, len(lines), 3)
    lines += [
        ("", "", "", ""),
        ("Plan", "Plan", "", str(plan["plan_id"])),
        ("Plan", "Times", "", f"local to {zone}"),
        ("Plan", "Results known until", "", f"{plan['as_of_on']:%Y-%m-%d}"),
        ("Plan", "Rules version", "", _stated(plan["rules_version"])),
        ("Plan", "Settings version", "", _stated(plan["settings_version"])),
        *(("Caution", "", "", caution) for caution in CAUTIONS),
    ]
    for line, cells in enumerate(lines, start=1):
        for place, cell in enumerate(cells):
            sheet.write_string(line, place, cell, formats["long"])


def _stated(value: Any) -> str:
    return "not stated" if pd.isna(value) else str(value)
