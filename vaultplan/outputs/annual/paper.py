"""The yearly report on paper: what was removed, where it went, and what nobody knows."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import pandas as pd

from vaultplan import schema, styles
from vaultplan.outputs.annual.facts import (
    METHOD_WORDS,
    MONTHS,
    NOT_STATED,
    SUM_WORDS,
    AnnualFacts,
    CostFacts,
    gallons,
    key_words,
)
from vaultplan.outputs.cautions import CAUTIONS
from vaultplan.outputs.labels import date_in_words, load_labels, printable
from vaultplan.outputs.sheets.typeset import typesetter

Payload = dict[str, Any]
Row = dict[Hashable, Any]
Columns = Sequence[tuple[str, str]]

_LISTED_CHANGES: Final = 40
_LINE_COLUMNS: Final = (
    ("Pump-outs", "right"),
    ("Gallons", "right"),
    ("measured", "right"),
    ("estimated", "right"),
    ("not said", "right"),
    ("Pump-outs of\nunknown gallons", "right"),
)
#: Where the water went in the order of the bars' shades.
_BAR_METHODS: Final = ("storm_drain", "filter_sock", "vacuum_truck", "unknown")


def write_annual_pdf(path: Path, facts: AnnualFacts, frames: schema.Frames) -> None:
    """Write the yearly report as a PDF for a person to check and sign.

    Parameters
    ----------
    path
        PDF to write; one that is there is replaced, whole or not at all.
    facts
        What it says of itself.
    frames
        ``lines``, ``counted``, ``exceptions``, ``incidents``, ``overrides``, ``samples``,
        ``outfalls``, ``changed_visits`` and ``changed_lines``, as
        :class:`vaultplan.reporting.Reported` has them.

    Raises
    ------
    OutputError
        If the folder does not exist or the report cannot be written.
    """
    t = load_labels("en")
    as_of = facts.as_of
    title = f"Water removed from vaults in {facts.year}"
    data = {
        "t": dict(t),
        "lang": "en",
        "paper": facts.outputs.paper,
        "title": title,
        "author": printable(facts.outputs.utility, 60) or "vaultplan",
        "made": [as_of.year, as_of.month, as_of.day, 0, 0],
        "colours": dict(styles.GRADE_COLOURS),
        "deep": styles.SEQUENTIAL[5],
        "shades": [styles.SEQUENTIAL[at] for at in (1, 3, 5)],
        "utility": printable(facts.outputs.utility, 60) or "Utility not named",
        "footer": f"{_name(facts)} · visits until {as_of:%Y-%m-%d} · {facts.file_name} "
        f"{facts.file_hash[:12]}",
        "about": _about(facts, date_in_words(as_of, t)),
        "figures": _figures(frames["lines"], facts),
        "bars": _bars(frames["lines"]),
        "parts": [part for part in _parts(facts, frames) if part],
        "hash_words": f"{facts.file_name}, SHA-256 {facts.file_hash}",
        "signed_by": printable(facts.settings.signer, 60),
        "prepared_by": printable(facts.settings.preparer, 60),
        "cautions": list(CAUTIONS),
    }
    with typesetter("annual/report.typ") as typeset:
        typeset(data, path)


def _name(facts: AnnualFacts) -> str:
    return printable(facts.name, 60) or "this fleet"


def _about(facts: AnnualFacts, until: str) -> list[str]:
    told = [
        f"Of the visits of {facts.year} in {_name(facts)}, as known on {until}; days and months as "
        f"clocks show them in {facts.time_zone}."
    ]
    if facts.is_partial:
        told.append(f"The year is not over in these data: nothing after {until} is counted.")
    told.append(facts.locked_words)
    return told


def _part(lines: pd.DataFrame, breakdown: str) -> list[Row]:
    return lines[lines["breakdown"].eq(breakdown)].to_dict("records")


def _figures(lines: pd.DataFrame, facts: AnnualFacts) -> list[Payload]:
    whole = _part(lines, "all")[0]
    unknown = int(whole["unknown_events"])
    return [
        {"number": f"{whole['events']:,}", "words": "pump-outs"},
        {
            "number": gallons(whole["tenths"]),
            "words": "gallons, of the pump-outs whose gallons are known",
        },
        {"number": f"{unknown:,}", "words": "pump-outs of unknown gallons, in no sum"},
        {"number": f"{facts.visits:,}", "words": "visits in all"},
    ]


def _bars(lines: pd.DataFrame) -> Payload:
    """Return the gallons of each month by method, as shares of the longest bar."""
    sums = dict.fromkeys(((m, w) for m in range(1, 13) for w in _BAR_METHODS), 0)
    for row in _part(lines, "month and method"):
        month, _, method = str(row["key"]).partition(" / ")
        sums[int(month), method] += int(row["tenths"])
    months = [sum(sums[month, method] for method in _BAR_METHODS) for month in range(1, 13)]
    longest = max(*months, 1)
    return {
        "methods": [METHOD_WORDS[method] for method in _BAR_METHODS],
        "rows": [
            {
                "name": MONTHS[month - 1],
                "shares": [sums[month, method] / longest for method in _BAR_METHODS],
                "words": gallons(months[month - 1]),
            }
            for month in range(1, 13)
        ],
    }


def _table(head: str, note: str, columns: Columns, rows: list[list[str]], none: str) -> Payload:
    return {
        "head": head,
        "note": note,
        "heads": [name for name, _ in columns],
        "aligns": [side for _, side in columns],
        "rows": rows,
        "none": none,
        "says": [],
    }


def _of_lines(
    lines: pd.DataFrame,
    breakdown: str,
    head: str,
    name: str,
    note: str = "",
    words: Callable[[str], str] | None = None,
    most: int | None = None,
) -> Payload:
    """Return the lines of a breakdown as a table, those beyond the first ``most`` as one."""
    own = _part(lines, breakdown)
    shown, others = (own, []) if most is None else (own[:most], own[most:])
    told = words or (lambda key: key_words(breakdown, key))
    rows = [[printable(told(str(row["key"])), 80), *_sums(row)] for row in shown]
    if others:
        together = {name: sum(int(row[name]) for row in others) for name in SUM_WORDS}
        rows.append([f"{len(others):,} more, in the lines file", *_sums(together)])
    columns = [(name, "left"), *_LINE_COLUMNS]
    return _table(head, note, columns, rows, "None.")


def _sums(row: Mapping[Any, Any]) -> list[str]:
    return [
        f"{row['events']:,}",
        *(gallons(row[f"{basis}tenths"]) for basis in ("", "measured_", "estimated_", "unstated_")),
        f"{row['unknown_events']:,}",
    ]


def _parts(facts: AnnualFacts, frames: schema.Frames) -> list[Payload]:
    lines = frames["lines"]
    names = dict(zip(frames["outfalls"]["outfall_id"], frames["outfalls"]["name"], strict=True))

    def outfall(key: str) -> str:
        name = names.get(key)
        return f"{key}, {name}" if isinstance(name, str) else key

    rest = "Outfalls with less water are one line here; all are in the lines file and the workbook."
    return [
        _changes(facts, frames),
        _of_lines(lines, "method", "By method", "Method"),
        _of_lines(
            lines,
            "water",
            "By receiving water",
            "Water",
            _water_note(facts),
        ),
        _of_lines(
            lines, "outfall", "By outfall", "Outfall", rest, outfall, facts.settings.listed_outfalls
        ),
        _of_lines(
            lines,
            "way",
            "How it is known where the water went",
            "Way",
            "Where a visit names no inlet, the vault's own path is assumed.",
        ),
        _of_lines(lines, "grade", "By how the water looked", "Grade as the crew saw it"),
        _counted(frames["counted"]),
        _exceptions(frames["exceptions"]),
        _incidents(frames["incidents"]),
        _overrides(frames["overrides"], facts),
        _socks(lines, facts),
        _samples(frames["samples"]),
        _costs(facts.costs),
    ]


def _water_note(facts: AnnualFacts) -> str:
    split = (
        f" {facts.split_events:,} were at a drain that splits: all of their water counts where the "
        "larger way ends."
        if facts.split_events
        else ""
    )
    return (
        "A discharge counts for the first listed water its drain reaches, as the drains are in the "
        f"tables now.{split} Hauled water reached none."
    )


def _counted(counts: pd.DataFrame) -> Payload:
    rows = [[str(row["counted"]), f"{row['visits']:,}"] for row in counts.to_dict("records")]
    note = "Only pump-outs are in the tables above."
    columns = [("Visits", "left"), ("Number", "right")]
    return _table("What visits count as", note, columns, rows, "None.")


def _exceptions(found: pd.DataFrame) -> Payload:
    rows = [
        [str(row["words"]), f"{row['visits']:,}", gallons(row["tenths"]),
         f"{row['unknown_visits']:,}"]
        for row in found.to_dict("records")
    ]  # fmt: skip
    note = (
        "Each is a question for a person, not a finding of fault: the permit, and what was known "
        "that day, decide. A visit can be in several lines; the visits file names them."
    )
    columns = [("What", "left"), ("Visits", "right"), ("Gallons", "right"),
               ("of unknown\ngallons", "right")]  # fmt: skip
    return _table("To be looked into", note, columns, rows, "No exception was found.")


def _day(value: Any) -> str:
    return NOT_STATED if pd.isna(value) else f"{value:%Y-%m-%d}"


def _incidents(found: pd.DataFrame) -> Payload:
    rows = [
        [printable(row["incident_id"], 30), printable(row["kind"], 30), _day(row["happened_on"]),
         _day(row["cleared_on"]), f"{row['vaults']:,}", f"{row['pump_outs']:,}",
         f"{row['discharges']:,}"]
        for row in found.to_dict("records")
    ]  # fmt: skip
    note = "Pump-outs and discharges at vaults within the incident's radius, while it counted."
    columns = [("Incident", "left"), ("Kind", "left"), ("Happened", "left"), ("Over", "left"),
               ("Vaults", "right"), ("Pump-outs", "right"), ("Discharges", "right")]  # fmt: skip
    return _table("Incidents", note, columns, rows, "No incident is on record.")


def _overrides(found: pd.DataFrame, facts: AnnualFacts) -> Payload:
    rows = [
        [printable(row["override_id"], 30), printable(row["vault_id"], 30),
         f"{row['ladder']}: {str(row['step']).replace('_', ' ')}",
         printable(row["who"], 40) or NOT_STATED, printable(row["why"], 120) or NOT_STATED,
         f"{_day(row['made_on'])} to {_day(row['expires_on'])}", f"{row['pump_outs']:,}",
         gallons(row["tenths"])]
        for row in found.to_dict("records")
    ]  # fmt: skip
    note = "Decisions of the rules that a person lowered or raised, and what was pumped under them."
    if facts.specialists:
        note += f" May lower a decision: {', '.join(map(printable, facts.specialists))}."
    columns = [("Override", "left"), ("Vault", "left"), ("Set to", "left"), ("Who", "left"),
               ("Why", "left"), ("In force", "left"), ("Pump-outs", "right"),
               ("Gallons", "right")]  # fmt: skip
    return _table("Rules overridden", note, columns, rows, "None in force this year.")


def _socks(lines: pd.DataFrame, facts: AnnualFacts) -> Payload:
    whole = _part(lines, "all")[0]
    few, most = facts.drums
    drums = f"{few:,}" if few == most else f"{few:,} to {most:,}"
    rows = [
        ["Filter socks used, as noted", f"{whole['socks']:,}"],
        ["Sock jobs that do not say how many, in no sum", f"{whole['unknown_sock_events']:,}"],
        ["Drums for socks of oily water, reckoned", drums],
    ]
    note = (
        f"Drums are not recorded: reckoned at {facts.drum_socks:,} socks a drum, the fewest of "
        "water with a sheen, the most with water whose sheen nobody noted. What is in a drum is "
        "for a waste determination to say."
    )
    return _table("Socks and drums", note, [("What", "left"), ("Number", "right")], rows, "None.")


def _samples(found: pd.DataFrame) -> Payload:
    rows = [
        [printable(row["characteristic"], 60), str(row["stage"]), f"{row['results']:,}",
         f"{row['visits']:,}", f"{row['below']:,}", f"{row['left_out']:,}",
         "none" if pd.isna(row["highest"]) else f"{_amount(row['highest'])} {row['unit']}".strip()]
        for row in found.to_dict("records")
    ]  # fmt: skip
    note = "Highest is of the results that were detected; no figure here is a permit limit."
    columns = [("Characteristic", "left"), ("Stage", "left"), ("Results", "right"),
               ("Visits", "right"), ("Below a limit", "right"), ("Cannot be used", "right"),
               ("Highest detected", "right")]  # fmt: skip
    return _table("Laboratory samples", note, columns, rows, "No sample was taken.")


def _amount(value: float) -> str:
    return f"{value:,.4g}" if abs(value) < 1000 else f"{value:,.0f}"


def _costs(costs: CostFacts | None) -> Payload:
    head = "Costs beside those of the ways before"
    columns = [("USD", "left"), ("low", "right"), ("middle", "right"), ("high", "right")]
    if costs is None:
        none = (
            "No baseline is stated, so no saving is claimed: name the years before the change in "
            "baseline_years of the report's settings."
        )
        return _table(head, "", columns, [], none)
    years = " and ".join(map(str, costs.baseline_years))
    rows = [
        [words, *(f"{value:,.0f}" for value in band)]
        for words, band in (
            ("Reckoned cost of this year's pump-outs", costs.spent),
            (f"The same pump-outs, done in the shares of {years}", costs.before),
            ("Difference", costs.saved),
        )
    ]
    verdict = (
        "The whole interval lies on one side of zero."
        if costs.is_told_apart
        else "The interval holds zero: these figures show no saving and no loss."
    )
    note = (
        f"Baseline: the methods that each grade got in {years}, given to this year's pump-outs of "
        "that grade. Reckoned, not booked: minutes and prices lie in the ranges of the settings "
        f"({costs.price_source}), weeks of both spans are drawn anew. Whether the ways of {years} "
        "are what else would have been done, no figure can say."
    )
    told = _table(head, note, columns, rows, "")
    shares = costs.shares[costs.shares["events"].gt(0)].to_dict("records")
    told["says"] = [
        verdict,
        f"{costs.events:,} pump-outs are in it, {costs.without_gallons:,} of them with the usual "
        f"gallons of their grade; {costs.left_out:,} are on neither side, for nobody knows their "
        "method or the baseline has none of their grade.",
        *(
            f"{str(row['grade']).capitalize()}: vacuum trucks took {_share(row, 'now')} this year, "
            f"{_share(row, 'before')} then ({row['events']:,} and {row['events_before']:,} "
            "pump-outs)."
            for row in shares
        ),
    ]
    return told


def _share(row: Row, when: str) -> str:
    value = row[f"vacuum_frac_{when}"]
    return "an unknown share" if pd.isna(value) else f"{value:.0%}"


def _changes(facts: AnnualFacts, frames: schema.Frames) -> Payload:
    """Return what changed since an earlier run, first of all that a reader should see."""
    if not facts.compared_with:
        return {}
    lines, visits = frames["changed_lines"], frames["changed_visits"]
    rows = [
        [f"{row['breakdown']}: {printable(key_words(row['breakdown'], row['key']), 60)}",
         SUM_WORDS[row["sum"]], _number(row, "before"), _number(row, "after"),
         printable(row["visits"], 160)]
        for row in lines.head(_LISTED_CHANGES).to_dict("records")
    ]  # fmt: skip
    count = visits["visit_id"].nunique() if len(visits) else 0
    note = (
        f"Compared with {printable(facts.compared_with, 60)}: {count:,} visits and "
        f"{len(lines):,} figures differ. All are in the files of changes."
    )
    columns = [("Line", "left"), ("Figure", "left"), ("before", "right"), ("now", "right"),
               ("By the visits", "left")]  # fmt: skip
    return _table("Changed since the earlier run", note, columns, rows, "No line changed.")


def _number(row: Row, when: str) -> str:
    value = int(row[when])
    return gallons(value) if str(row["sum"]).endswith("tenths") else f"{value:,}"
