"""The yearly report as a workbook: every line and every visit, to filter and to add up."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final, Literal

import numpy as np
import pandas as pd
import xlsxwriter

from vaultplan import schema
from vaultplan.outputs.annual.facts import AnnualFacts, CostFacts, key_words
from vaultplan.outputs.cautions import CAUTIONS
from vaultplan.outputs.files import whole_file
from vaultplan.outputs.workbook import cell_formats, set_up_page

Kind = Literal["text", "long", "whole", "tenths", "share", "date"]
#: Column, heading, kind, width, meaning.
Field = tuple[str, str, Kind, float, str]

_LINES: Final[tuple[Field, ...]] = (
    ("breakdown", "Broken down by", "text", 17, "What the lines of one kind are told apart by."),
    ("words", "Line", "long", 44, "What the line counts."),
    ("events", "Pump-outs", "whole", 11, "Visits that removed water."),
    ("gallons", "Gallons", "tenths", 14, "Of the pump-outs whose gallons are known."),
    ("measured", "Measured", "tenths", 14, "Gallons said to be measured."),
    ("estimated", "Estimated", "tenths", 14, "Gallons said to be estimated by the crew."),
    ("unstated", "Not said", "tenths", 14, "Gallons of which the visit does not say how known."),
    ("unknown_events", "Unknown gallons", "whole", 11, "Pump-outs whose gallons nobody noted."),
    ("socks", "Socks", "whole", 9, "Filter socks used, as noted."),
    ("unknown_sock_events", "Socks not said", "whole", 11, "Sock jobs without a number of socks."),
)
_EXCEPTIONS: Final[tuple[Field, ...]] = (
    ("exception", "Mark", "text", 20, "How the visits sheet marks it."),
    ("words", "What", "long", 66, "What a person is to look into."),
    ("visits", "Visits", "whole", 10, "Visits with it; one visit can have several."),
    ("gallons", "Gallons", "tenths", 14, "Their known gallons."),
    ("unknown_visits", "Unknown gallons", "whole", 11, "Those whose gallons are unknown."),
)
_INCIDENTS: Final[tuple[Field, ...]] = (
    ("incident_id", "Incident", "text", 16, "As in the table of incidents."),
    ("kind", "Kind", "text", 14, "Spill, fire, main break and the like."),
    ("happened_on", "Happened", "date", 15.5, "Local day."),
    ("cleared_on", "Over", "date", 15.5, "Declared over on; blank if not yet."),
    ("radius_ft", "Radius, ft", "whole", 10, "How far around it vaults are concerned."),
    ("vaults", "Vaults", "whole", 10, "Vaults within the radius."),
    ("pump_outs", "Pump-outs", "whole", 10, "Pump-outs there while it counted."),
    ("discharges", "Discharges", "whole", 10, "Those of them that went to a drain."),
)
_OVERRIDES: Final[tuple[Field, ...]] = (
    ("override_id", "Override", "text", 16, "As in the table of overrides."),
    ("vault_id", "Vault", "text", 14, "The vault it is for."),
    ("ladder", "Ladder", "text", 10, "Method or gate."),
    ("step", "Set to", "text", 14, "The step a person set."),
    ("who", "Who", "text", 18, "Who signed it."),
    ("why", "Why", "long", 50, "The reason given."),
    ("made_on", "From", "date", 15.5, "First day in force."),
    ("expires_on", "To", "date", 15.5, "Last day in force."),
    ("pump_outs", "Pump-outs", "whole", 10, "Pump-outs at the vault while it held."),
    ("gallons", "Gallons", "tenths", 12, "Their known gallons."),
    ("unknown_events", "Unknown gallons", "whole", 11, "Those whose gallons are unknown."),
)
_SAMPLES: Final[tuple[Field, ...]] = (
    ("characteristic", "Characteristic", "text", 28, "What the laboratory looked for."),
    ("stage", "Stage", "text", 12, "Raw or filtered water."),
    ("results", "Results", "whole", 10, "Results of the year's visits."),
    ("visits", "Visits", "whole", 10, "Visits they were taken on."),
    ("below", "Below a limit", "whole", 10, "Not detected, or below a limit."),
    ("left_out", "Cannot be used", "whole", 10, "Results that lack a value, unit or limit."),
    ("highest", "Highest detected", "tenths", 12, "Of the results that were detected."),
    ("unit", "Unit", "text", 10, "Of the highest."),
)
_VISITS: Final[tuple[Field, ...]] = (
    ("visit_id", "Visit", "text", 16, "As in the table of visits."),
    ("vault_id", "Vault", "text", 14, "The vault."),
    ("district", "District", "text", 14, "The vault's district."),
    ("on", "Day", "text", 11, "Local day."),
    ("time", "Time", "text", 7, "Local time."),
    ("counted", "Counts as", "long", 18, "Only pump-outs are in lines."),
    ("finding", "Found", "text", 9, "Dry, wet, full or not seen."),
    ("grade", "Grade", "text", 9, "How the water looked."),
    ("method", "Method", "text", 13, "How water was removed."),
    ("volume_gal", "Gallons", "tenths", 11, "As counted; blank if unknown."),
    ("volume_basis", "How known", "text", 11, "Measured, estimated, not stated or unknown."),
    ("water", "Water", "text", 22, "Where it is counted."),
    ("outfall", "Outfall", "text", 18, "Where the drain ends."),
    ("way", "How the way is known", "text", 18, "Inlet noted, or the vault's path assumed."),
    ("inlet_id", "Inlet", "text", 13, "As the visit names it."),
    ("socks_used", "Socks", "whole", 8, "As noted."),
    ("exceptions", "To be looked into", "long", 30, "Marks as in the sheet Exceptions."),
    ("override_ids", "Overrides", "long", 18, "In force at the vault that day."),
)
_CHANGED_LINES: Final[tuple[Field, ...]] = (
    ("breakdown", "Broken down by", "text", 17, "As in the sheet Lines."),
    ("words", "Line", "long", 44, "As in the sheet Lines."),
    ("sum", "Figure", "text", 22, "Which figure; tenths are of a gallon."),
    ("before", "Before", "whole", 12, "In the earlier run."),
    ("after", "Now", "whole", 12, "In this run."),
    ("visits", "By the visits", "long", 60, "Changed visits in the line, now or before."),
)
_CHANGED_VISITS: Final[tuple[Field, ...]] = (
    ("visit_id", "Visit", "text", 16, "As in the table of visits."),
    ("vault_id", "Vault", "text", 14, "The vault."),
    ("column", "Column", "text", 18, "Of the visits file."),
    ("before", "Before", "long", 30, "In the earlier run."),
    ("after", "Now", "long", 30, "In this run."),
)
_COSTS: Final[tuple[Field, ...]] = (
    ("words", "USD", "text", 52, "What is reckoned."),
    ("low", "Low", "whole", 14, "Lower end of the interval."),
    ("middle", "Middle", "whole", 14, "With minutes and prices in the middle of their ranges."),
    ("high", "High", "whole", 14, "Upper end of the interval."),
)


def write_annual_xlsx(
    path: Path, facts: AnnualFacts, frames: schema.Frames, rows: pd.DataFrame
) -> None:
    """Write the yearly report as a workbook.

    Text is always written as text, so nothing in it can run as a formula. The same year and data
    give the same bytes.

    Parameters
    ----------
    path
        Workbook to write; one that is there is replaced, whole or not at all.
    facts, frames
        As for :func:`vaultplan.outputs.annual.paper.write_annual_pdf`.
    rows
        The visits file, as text; as many as ``workbook_visits`` of the settings are listed.

    Raises
    ------
    OutputError
        If the folder does not exist.
    """
    most = facts.settings.workbook_visits
    sheets: dict[str, tuple[tuple[Field, ...], pd.DataFrame]] = {
        "Lines": (_LINES, _lines(frames["lines"])),
        "Exceptions": (_EXCEPTIONS, _with_gallons(frames["exceptions"])),
        "Incidents": (_INCIDENTS, frames["incidents"]),
        "Overrides": (_OVERRIDES, _with_gallons(frames["overrides"])),
        "Samples": (_SAMPLES, frames["samples"]),
        "Costs": (_COSTS, _cost_rows(facts.costs)),
    }
    if facts.compared_with:
        lines = frames["changed_lines"]
        sheets["Changed lines"] = (_CHANGED_LINES, lines.assign(words=_words(lines)))
        sheets["Changed visits"] = (_CHANGED_VISITS, frames["changed_visits"])
    numbers = {name: pd.to_numeric(rows[name].head(most)) for name in ("volume_gal", "socks_used")}
    sheets["Visits"] = (_VISITS, rows.head(most).assign(**numbers))
    with (
        whole_file(path) as unfinished,
        xlsxwriter.Workbook(unfinished, {"constant_memory": True}) as book,
    ):
        title = f"Water removed from vaults in {facts.year}"
        book.set_properties({"title": title, "created": facts.as_of.to_pydatetime()})
        looks = cell_formats(book)
        for name, (fields, table) in sheets.items():
            _write(book, looks, name, fields, table)
        _explain(book, looks, facts, sheets, len(rows) - most)


def _words(lines: pd.DataFrame) -> list[str]:
    pairs = zip(lines["breakdown"], lines["key"], strict=True)
    return [key_words(breakdown, key) for breakdown, key in pairs]


def _lines(lines: pd.DataFrame) -> pd.DataFrame:
    told = lines.assign(words=_words(lines))
    for name in ("measured", "estimated", "unstated"):
        told[name] = lines[f"{name}_tenths"] / 10
    return _with_gallons(told)


def _with_gallons(table: pd.DataFrame) -> pd.DataFrame:
    return table.assign(gallons=table["tenths"] / 10)


def _cost_rows(costs: CostFacts | None) -> pd.DataFrame:
    if costs is None:
        return pd.DataFrame(columns=["words", "low", "middle", "high"])
    years = " and ".join(map(str, costs.baseline_years))
    told = {
        "Reckoned cost of this year's pump-outs": costs.spent,
        f"The same pump-outs, done in the shares of {years}": costs.before,
        "Difference": costs.saved,
    }
    rows = [(words, *band) for words, band in told.items()]
    return pd.DataFrame(rows, columns=["words", "low", "middle", "high"])


def _write(
    book: Any, looks: dict[str, Any], name: str, fields: tuple[Field, ...], table: pd.DataFrame
) -> None:
    sheet = book.add_worksheet(name)
    sheet.freeze_panes(1, 2)
    sheet.autofilter(0, 0, max(len(table), 1), len(fields) - 1)
    set_up_page(sheet, name)
    cells = []
    for place, (column, heading, _, width, _) in enumerate(fields):
        sheet.set_column(place, place, width)
        sheet.write_string(0, place, heading, looks["heading"])
        values = table[column]
        cells.append(values.astype(object).where(values.notna(), None).to_numpy())
    kinds = [field[2] for field in fields]
    # Row by row: what is written leaves memory.
    for line in range(len(table)):
        for place, kind in enumerate(kinds):
            _put(sheet, line + 1, place, cells[place][line], kind, looks[kind])


def _put(sheet: Any, line: int, place: int, cell: Any, kind: Kind, look: Any) -> None:
    if cell is None or cell == "":
        return
    if kind in ("text", "long"):
        sheet.write_string(line, place, str(cell), look)
    elif kind == "date":
        sheet.write_datetime(line, place, pd.Timestamp(cell).to_pydatetime(), look)
    elif np.isfinite(cell):
        sheet.write_number(line, place, float(cell), look)


def _explain(
    book: Any,
    looks: dict[str, Any],
    facts: AnnualFacts,
    sheets: dict[str, tuple[tuple[Field, ...], pd.DataFrame]],
    left_out: int,
) -> None:
    sheet = book.add_worksheet("Columns explained")
    sheet.freeze_panes(1, 0)
    set_up_page(sheet, "Columns explained")
    for place, (heading, width) in enumerate(
        (("Sheet", 16), ("Column", 24), ("Meaning", 96)),
    ):
        sheet.set_column(place, place, width)
        sheet.write_string(0, place, heading, looks["heading"])
    lines = [
        (name, heading, meaning)
        for name, (fields, _) in sheets.items()
        for _, heading, _, _, meaning in fields
    ]
    if left_out > 0:
        lines.append(("Visits", "", f"{left_out:,} more visits are in {facts.file_name} alone."))
    if facts.costs is None:
        lines.append(("Costs", "", "No baseline is stated, so no saving is claimed."))
    else:
        lines.append(("Costs", "", f"Reckoned, not booked: {facts.costs.price_source}."))
    lines += [
        ("Report", "Database", facts.name),
        ("Report", "Locked", facts.locked_words),
        ("Report", "Visits until", f"{facts.as_of:%Y-%m-%d}, local to {facts.time_zone}"),
        ("Report", "Every visit", f"{facts.file_name}, SHA-256 {facts.file_hash}"),
        *(("Caution", "", caution) for caution in CAUTIONS),
    ]
    for line, cells in enumerate(lines, start=1):
        for place, cell in enumerate(cells):
            sheet.write_string(line, place, cell, looks["long"])
