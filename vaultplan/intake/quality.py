"""How complete and how plausible loaded tables are, in plain words."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from vaultplan.columns import Column, Table
from vaultplan.intake.checks import range_text
from vaultplan.intake.plausible import RULES
from vaultplan.schema import LOADABLE, Frames, table

COLUMNS = ("table", "column", "finding", "rows", "share", "remedy")

#: What the plan goes without when a table is empty.
_WITHOUT = {
    "vaults": "nothing can be planned; load them first",
    "visits": "forecasts rest on the vault's size and class alone; load past visits",
    "gauges": "rain is unknown; load gauges and rainfall",
    "rainfall": "rain is unknown; load gauges and rainfall",
    "rain_outlook": "past years stand for the rain to come; load an outlook if there is one",
    "inlets": "no water can be traced; load the storm drain's inlets",
    "drain_pipes": "no water can be traced beyond an inlet; load the storm drain's pipes",
    "outfalls": "no water can be traced to its end; load the outfalls",
    "receiving_waters": "every outfall ends in an unknown water; load the waters",
    "sensitive_areas": "none are reckoned with; load them or make sure that there are none",
    "concern_sites": "none are reckoned with; load them or make sure that there are none",
    "work_orders": "there is nothing to schedule; load open orders",
    "trucks": "no week can be built; load crew and vacuum trucks",
    "depots": "trucks have nowhere to start; load the yards",
    "disposal_sites": "vacuum trucks have nowhere to empty; load the sites",
    "roads": "driving times come from straight distances; load streets for better ones",
}

#: What a blank costs, for the columns that the plan rests on.
_BLANK = {
    ("vaults", "status"): "fill it in: only vaults in service are worked in",
    ("vaults", "gear_frac"): "fill in what is known: the settings' share stands for it",
    ("vaults", "gauge_id"): "name the gauge that stands for it, so that its rain counts",
    ("vaults", "pcb_status"): "fill in what is known: blank counts as unknown oil",
    ("visits", "grade"): "enter the bailer's grade if it was seen: blank counts as unknown",
    ("outfalls", "water_id"): "fill it in: what drains here ends in an unknown water",
    ("receiving_waters", "protection"): "find it out: a blank is never taken for ordinary",
    ("receiving_waters", "impairments"): "find it out, or write none: blank counts as unknown",
    ("drain_pipes", "system"): "find it out: a sanitary sewer does not lead to the storm drain",
}
#: Columns in which most rows have nothing to say, or that a rule looks at together with others.
_OFTEN_BLANK = frozenset(
    {"notes", "access_notes", "odor", "order_id", "payload_lb", "tank_gal", "skills"}
    | {"result_value", "detection_condition", "inlet_id", "socks_used", "pump_minutes"}
)


class Finding(NamedTuple):
    """One line of the report; ``share`` is of the rows of its table, 0-1."""

    table: str
    column: str
    finding: str
    rows: int
    share: float
    remedy: str


def check_frames(frames: Frames) -> pd.DataFrame:
    """Return what is missing or unlikely in the loaded tables, a row per finding.

    Parameters
    ----------
    frames
        Tables by name, each shaped by its declaration in ``schema``.

    Returns
    -------
    DataFrame
        ``table``, ``column`` (blank for a whole table), ``finding`` in words, ``rows`` it holds
        for, their ``share`` of the table (0-1, blank if it has no rows) and a ``remedy`` (blank
        where nothing is wrong).

    Examples
    --------
    >>> from vaultplan.schema import table
    >>> found = check_frames({"depots": table("depots").empty("EPSG:32606")})
    >>> found.query("table == 'depots'")["remedy"].item()
    'trucks have nowhere to start; load the yards'
    """
    findings = [
        finding
        for name in LOADABLE
        for finding in _check_table(table(name), frames.get(name), frames)
    ]
    report = pd.DataFrame(findings, columns=list(COLUMNS))
    return report.astype({"rows": "int64", "share": "float64"})


def _check_table(declared: Table, frame: pd.DataFrame | None, frames: Frames) -> Iterator[Finding]:
    name = declared.name
    if frame is None or frame.empty:
        yield Finding(name, "", "no rows", 0, np.nan, _WITHOUT.get(name, ""))
        return
    count = len(frame)
    yield Finding(name, "", "rows", count, 1.0, "")
    for column in declared.columns:
        for what, where, remedy in _check_column(declared, column, frame, frames):
            hits = int(np.count_nonzero(where))
            if hits:
                yield Finding(name, column.name, what, hits, hits / count, remedy)
    doubles = int(frame.duplicated(list(declared.key)).sum())
    if doubles:
        key = ", ".join(declared.key)
        remedy = "keep one row for each key"
        yield Finding(
            name, key, "key stands in an earlier row too", doubles, doubles / count, remedy
        )
    for rule in RULES:
        if rule.table == name:
            hits = int(np.count_nonzero(rule.find(frames)))
            if hits:
                yield Finding(name, rule.column, rule.finding, hits, hits / count, rule.remedy)


def _check_column(
    declared: Table, column: Column, frame: pd.DataFrame, frames: Frames
) -> Iterator[tuple[str, pd.Series[Any], str]]:
    values = frame[column.name]
    yield (
        "blank",
        values.isna(),
        _blank_remedy(declared.name, column),
    )
    if column.allowed and column.type == "text":
        strange = values.notna() & ~values.isin(column.allowed)
        yield "not one of the allowed words", strange, f"use {', '.join(column.allowed)}"
    if column.least is not None or column.most is not None:
        low = -np.inf if column.least is None else column.least
        high = np.inf if column.most is None else column.most
        outside = ((values < low) | (values > high)).fillna(value=False)
        yield f"not {range_text(column)}", outside, "correct the number or its unit"
    target, _, key = column.refers_to.partition(".")
    if target in frames:
        lost = values.notna() & ~values.isin(frames[target][key])
        yield f"not known in {target}", lost, f"load the missing {target}, or correct the id"


def _blank_remedy(name: str, column: Column) -> str:
    if column.required:
        return f"every row needs it: {column.meaning}"
    if (name, column.name) in _BLANK:
        return _BLANK[name, column.name]
    if "blank" in column.meaning:
        return f"none needed if it is meant: {column.meaning}"
    if column.name in _OFTEN_BLANK:
        return "none needed where there is nothing to say"
    return "fill in what is known: blank counts as unknown"
