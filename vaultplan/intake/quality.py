"""How complete and how plausible loaded tables are, in plain words."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd

from vaultplan.columns import Column
from vaultplan.intake.checks import range_text
from vaultplan.intake.drain_rules import drain_faults
from vaultplan.intake.fields import FIELD_COLUMNS, fields_of
from vaultplan.intake.keys import key_hashes
from vaultplan.intake.outcome import row_keys
from vaultplan.intake.plausible import (
    WHOLE_RULES,
    Broken,
    Linked,
    Mask,
    broken_rules,
    severity_of,
    true_in,
)
from vaultplan.intake.rules import RULES
from vaultplan.schema import LOADABLE, Frames, table

COLUMNS: Final = (*("table", "column", "rule", "severity", "finding", "rows", "share", "remedy"),)
ROW_COLUMNS: Final = (
    *("table", "row_key", "rule", "severity", "column", "value", "fault", "remedy"),
)
MOST_ROWS: Final = 10_000
_GRAVITY: Final = {"error": 0, "warning": 1, "note": 2}

#: What the plan goes without when a table is empty.
_WITHOUT: Final = {
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
_BLANK: Final = {
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
_OFTEN_BLANK: Final = frozenset(
    {"notes", "access_notes", "odor", "order_id", "payload_lb", "tank_gal", "skills"}
    | {"result_value", "detection_condition", "inlet_id", "socks_used", "pump_minutes"}
)


#: Places in the report.
_FAULT, _COSTLY_BLANK, _BLANK_FIELD, _MAY_BE_MEANT, _SOUND = range(5)


class Finding(NamedTuple):
    """One line of the report; ``share`` is of the rows of its table, ``place`` its part of it."""

    table: str
    column: str
    rule: str
    severity: str
    finding: str
    rows: int
    share: float
    remedy: str
    place: int


def check_frames(frames: Frames) -> pd.DataFrame:
    """Return what is missing or unlikely in the loaded tables, a row per finding.

    Parameters
    ----------
    frames
        Tables by name, each shaped by its declaration in ``schema``.

    Returns
    -------
    DataFrame
        ``table``, ``column`` (blank for a whole table), ``rule`` and its ``severity`` (see
        :func:`rule_words`; blank where nothing is wrong), ``finding`` in words, ``rows`` it holds
        for, their ``share`` of the table (0-1, blank if it has no rows) and a ``remedy`` (blank
        where nothing is wrong). Faults come before blanks, the gravest and most frequent first.

    Examples
    --------
    >>> from vaultplan.schema import table
    >>> found = check_frames({"depots": table("depots").empty("EPSG:32606")})
    >>> found.query("table == 'depots'")["remedy"].item()
    'trucks have nowhere to start; load the yards'
    """
    linked = Linked(frames)
    drains = tuple(drain_faults(frames))
    lines = [line for name in LOADABLE for line in _lines(linked, name, drains)]
    lines.sort(key=lambda line: (line.place, _GRAVITY.get(line.severity, 3), -line.rows))
    report = pd.DataFrame(lines, columns=list(Finding._fields))[list(COLUMNS)]
    return report.astype({"rows": "int64", "share": "float64"})


def row_findings(frames: Frames, *, most: int = MOST_ROWS) -> pd.DataFrame:
    """Return the rows that break a rule of the schema, the trade or the drain network.

    Returns
    -------
    DataFrame
        ``table``, ``row_key`` (the id, or a JSON list of the key's parts), ``rule``,
        ``severity``, ``column``, ``value``, ``fault`` and ``remedy``; at most ``most`` rows of
        each kind, those that matter most first. :func:`check_frames` tells how many there are.
        Blanks that no rule asks about are not listed.
    """
    linked = Linked(frames)
    drains = tuple(drain_faults(frames))
    told = [
        _rows_of(frames[name], fault, most)
        for name in LOADABLE
        if linked.has(name)
        for fault in _faults(linked, name, drains)
        if fault.where.any()
    ]
    told.sort(key=lambda part: _GRAVITY[part["severity"].iloc[0]])
    blank = pd.DataFrame({name: pd.Series([], dtype="str") for name in ROW_COLUMNS})
    return pd.concat([blank, *told], ignore_index=True)


def field_quality(frames: Frames) -> pd.DataFrame:
    """Return how full and how plausible each field is, by table and district.

    A row that refers to a vault counts to the vault's district, a drain to that of the nearest
    vault within half a mile, and everything else to ``''``, the whole fleet.

    Returns
    -------
    DataFrame
        ``table``, ``district`` (``(all)`` for every row together), ``column``, ``rows``,
        ``filled`` of them, ``completeness`` (their share, 0-1), ``implausible`` values, which
        break a rule that doubts them, ``plausibility`` (share of the filled ones that break none;
        blank if none is filled) and ``blank_is_fine``: the column's meaning allows for a blank.
    """
    linked = Linked(frames)
    drains = tuple(drain_faults(frames))
    parts = [
        fields_of(linked, table(name), _faults(linked, name, drains), _blanks_that_are_fine(name))
        for name in LOADABLE
        if linked.has(name)
    ]
    if not parts:
        return pd.DataFrame(columns=list(FIELD_COLUMNS))
    return pd.concat(parts, ignore_index=True)


def rule_words() -> pd.DataFrame:
    """Return every rule of files and databases: ``rule``, ``severity``, ``meaning``, ``repair``."""
    known = {**RULES, **WHOLE_RULES}
    rows = [(rule.name, rule.severity, rule.meaning, rule.repair) for rule in known.values()]
    return pd.DataFrame(rows, columns=["rule", "severity", "meaning", "repair"])


def _lines(linked: Linked, name: str, drains: tuple[Broken, ...]) -> Iterator[Finding]:
    if not linked.has(name):
        costs = name in _WITHOUT
        severity = severity_of("no_rows") if costs else ""
        remedy = _WITHOUT.get(name, "")
        place = _FAULT if costs else _SOUND
        rule = "no_rows" if costs else ""
        yield Finding(name, "", rule, severity, "no rows", 0, np.nan, remedy, place)
        return
    frame, declared = linked.frames[name], table(name)
    count = len(frame)
    yield Finding(name, "", "", "", "rows", count, 1.0, "", _SOUND)
    for column in declared.columns:
        hits = int(np.count_nonzero(frame[column.name].isna()))
        if hits:
            remedy, place = _blank_remedy(name, column)
            severity = "error" if column.required else "note"
            share = hits / count
            yield Finding(name, column.name, "blank", severity, "blank", hits, share, remedy, place)
    for fault in _faults(linked, name, drains):
        hits = int(np.count_nonzero(fault.where))
        if hits:
            told = (fault.rule, fault.severity, fault.finding, hits, hits / count, fault.remedy)
            yield Finding(name, fault.column, *told, _FAULT)


def _faults(linked: Linked, name: str, drains: tuple[Broken, ...]) -> Iterator[Broken]:
    """Yield what is wrong with the rows of a table, other than blanks, rule by rule."""
    declared = table(name)
    for column in declared.columns:
        yield from _declared_faults(linked, name, column)
    key = ", ".join(declared.key)
    finding, remedy = "key stands in an earlier row too", "keep one row for each key"
    double = _is_double(linked.frames[name], list(declared.key))
    yield Broken("key_twice", name, key, finding, remedy, double)
    yield from broken_rules(linked, name)
    yield from (fault for fault in drains if fault.table == name)


def _is_double(frame: pd.DataFrame, key: list[str]) -> Mask:
    """Return which rows have the key of an earlier one; only keys of one hash are compared."""
    hashes = pd.Series(key_hashes(frame, key))
    found = np.zeros(len(frame), dtype=bool)
    alike = np.flatnonzero(hashes.duplicated(keep=False))
    if len(alike):
        found[alike] = frame[key].iloc[alike].duplicated().to_numpy()
    return found


def _declared_faults(linked: Linked, name: str, column: Column) -> Iterator[Broken]:
    values = linked.frames[name][column.name]
    if column.allowed and column.type == "text":
        strange = values.notna() & ~values.isin(column.allowed)
        remedy = f"use {', '.join(column.allowed)}"
        finding = "not one of the allowed words"
        yield Broken("unknown_word", name, column.name, finding, remedy, true_in(strange))
    if column.allowed and column.type == "words":
        codes, known = linked.numbered(name, column.name)
        odd = [not set(str(words).split(";")) <= set(column.allowed) for words in known]
        where = np.append(np.array(odd, dtype=bool), False)[codes]
        remedy = f"use {', '.join(column.allowed)} with ; between them"
        yield Broken(
            "unknown_word", name, column.name, "holds a word that is not allowed", remedy, where
        )
    if column.least is not None or column.most is not None:
        low = -np.inf if column.least is None else column.least
        high = np.inf if column.most is None else column.most
        outside = true_in((values < low) | (values > high))
        remedy = "correct the number or its unit"
        yield Broken(
            "out_of_range", name, column.name, f"not {range_text(column)}", remedy, outside
        )
    target, _, key = column.refers_to.partition(".")
    if target in linked.frames:
        rule = "unknown_reference" if column.required else "lost_reference"
        lost = linked.rows_of(name, column.name, target, key) == -2
        remedy = f"load the missing {target}, or correct the id"
        yield Broken(rule, name, column.name, f"not known in {target}", remedy, lost)


def _blanks_that_are_fine(name: str) -> frozenset[str]:
    columns = table(name).columns
    return frozenset(c.name for c in columns if _blank_remedy(name, c)[1] == _MAY_BE_MEANT)


def _blank_remedy(name: str, column: Column) -> tuple[str, int]:
    """Return what to do about a blank, and its place in the report."""
    if column.required:
        return f"every row needs it: {column.meaning}", _FAULT
    if (name, column.name) in _BLANK:
        return _BLANK[name, column.name], _COSTLY_BLANK
    if "blank" in column.meaning:
        return f"none needed if it is meant: {column.meaning}", _MAY_BE_MEANT
    if column.name in _OFTEN_BLANK:
        return "none needed where there is nothing to say", _MAY_BE_MEANT
    return "fill in what is known: blank counts as unknown", _BLANK_FIELD


def _rows_of(frame: pd.DataFrame, fault: Broken, most: int) -> pd.DataFrame:
    at = np.flatnonzero(fault.where)
    if fault.weight is not None:
        at = at[np.argsort(-fault.weight[at], kind="stable")]
    at = at[:most]
    rows = frame.iloc[at]
    shown = [_texts(rows[name]) for name in fault.column.split(", ")]
    return pd.DataFrame(
        {
            "table": fault.table,
            "row_key": row_keys(table(fault.table), rows).to_numpy(),
            "rule": fault.rule,
            "severity": fault.severity,
            "column": fault.column,
            "value": [", ".join(parts) for parts in zip(*shown, strict=True)],
            "fault": fault.finding if fault.tell is None else fault.tell(at),
            "remedy": fault.remedy,
        },
    ).astype("str")


def _texts(values: pd.Series[Any]) -> list[str]:
    if isinstance(values.dtype, pd.DatetimeTZDtype):
        values = values.dt.strftime("%Y-%m-%d %H:%M UTC")
    elif pd.api.types.is_datetime64_any_dtype(values):
        values = values.dt.strftime("%Y-%m-%d")
    elif pd.api.types.is_float_dtype(values):
        return ["" if np.isnan(value) else f"{value:.10g}" for value in values]
    return [
        "" if is_blank else str(value)
        for value, is_blank in zip(values, values.isna(), strict=True)
    ]
