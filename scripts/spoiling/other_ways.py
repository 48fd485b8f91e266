"""Ways to spoil orders, samples, rain, pipes and areas."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import shapely

from spoiling.bench import Bench, way
from spoiling.time_ways import misspelled_vaults, strange_vaults


@way("not_a_clock", "work_orders", "value")
def order_window_with_am(bench: Bench) -> None:
    """The earliest start of day is told with am or pm."""
    written = bench.rows["window_from"]
    rows = bench.pick(written.ne(""))
    clocks = pd.to_datetime(written[rows], format="%H:%M")
    forms = bench.choose(rows, ["%I:%M %p", "%I:%M%p"])
    said = [clock.strftime(form) for clock, form in zip(clocks, forms, strict=True)]
    bench.put("window_from", pd.Series(said, index=rows, dtype="str"))


@way("order_at_idle", "work_orders")
def order_at_idle_vault(bench: Bench) -> None:
    """An open order is for a vault that is retired or another owner's."""
    vaults = bench["vaults"][bench.sound("vaults")]
    idle = vaults.loc[vaults["status"].isin(["retired", "other_owner"]), "vault_id"].to_numpy()
    rows = bench.pick(bench.rows["status"].eq("open"))
    bench.put("vault_id", pd.Series(bench.rng.choice(idle, len(rows)), index=rows, dtype="str"))


@way("due_before_start", "work_orders", "value")
def order_due_before_start(bench: Bench) -> None:
    """The first and the last day are in each other's place."""
    first, last = bench.rows["earliest_on"], bench.rows["due_on"]
    rows = bench.pick(first.ne("") & (first < last))
    early, late = first[rows].copy(), last[rows].copy()
    bench.put("earliest_on", late)
    bench.put("due_on", early)


@way("unknown_reference", "work_orders", "refused")
def order_vault_unknown(bench: Bench) -> None:
    """The order names a vault that is in no register."""
    strange_vaults(bench)


@way("unknown_reference", "work_orders", "value")
def order_vault_misspelled(bench: Bench) -> None:
    """The vault's id is written without its dash, in small letters or without leading zeros."""
    misspelled_vaults(bench)


@way("row_twice", "work_orders", "once")
def order_row_repeated(bench: Bench) -> None:
    """A row was pasted twice, all of it alike."""
    bench.append(bench.rows.loc[bench.pick()].copy())


@way("not_a_day", "work_orders", "value")
def order_us_day(bench: Bench) -> None:
    """The due day is in US form, after the 12th of the month or with the month's name."""
    days = pd.to_datetime(bench.rows["due_on"], errors="coerce")
    rows = bench.pick(days.dt.day > 12)
    forms = bench.choose(rows, ["%m/%d/%Y", "%m/%d/%y", "%d-%b-%Y", "%b %d, %Y"])
    said = [day.strftime(form) for day, form in zip(days[rows], forms, strict=True)]
    bench.put("due_on", pd.Series(said, index=rows, dtype="str"))


@way("out_of_range", "work_orders")
def order_priority_unknown(bench: Bench) -> None:
    """The priority is none of the five there are."""
    rows = bench.pick(bench.rows["priority"].ne(""))
    bench.put("priority", bench.choose(rows, ["0", "9", "99", "-1"]))


@way("value_and_condition", "samples")
def sample_value_and_condition(bench: Bench) -> None:
    """A result has a value and is not detected at once; which holds cannot be known."""
    rows = bench.pick(bench.rows["result_value"].ne("") & bench.rows["detection_condition"].eq(""))
    bench.put("detection_condition", pd.Series("Not Detected", index=rows, dtype="str"))


@way("value_and_condition", "samples")
def sample_without_result(bench: Bench) -> None:
    """A result has neither a value nor a reason why there is none."""
    rows = bench.pick(bench.rows["result_value"].ne(""))
    bench.put("result_value", pd.Series("", index=rows, dtype="str"))


@way("decimal_comma", "samples", "value")
def sample_decimal_comma(bench: Bench) -> None:
    """The laboratory's machine writes a decimal comma; three decimals are left out."""
    value = bench.rows["result_value"]
    rows = bench.pick(value.str.fullmatch(r"\d+\.\d{1,2}"))
    bench.put("result_value", value[rows].str.replace(".", ",", regex=False))


@way("unknown_reference", "samples", "refused")
def sample_visit_unknown(bench: Bench) -> None:
    """The result belongs to a visit that nobody entered."""
    rows = bench.pick()
    bench.put("visit_id", "X" + bench.rows.loc[rows, "visit_id"])


@way("out_of_range", "rainfall")
def rain_negative(bench: Bench) -> None:
    """The rain is a number that means none was recorded, such as -99."""
    rows = bench.pick(bench.rows["rain_in"].ne(""))
    bench.put("rain_in", bench.choose(rows, ["-99", "-9.99", "99.99", "999"]))


@way("not_a_number", "rainfall")
def rain_trace_letter(bench: Bench) -> None:
    """T stands for a trace of rain, as weather services write it, and M for missing."""
    rows = bench.pick(bench.rows["rain_in"].ne(""))
    bench.put("rain_in", bench.choose(rows, ["T", "M"]))


@way("key_twice", "rainfall")
def rain_day_twice(bench: Bench) -> None:
    """A gauge's day stands twice with different rain."""
    rows = bench.pick(bench.rows["rain_in"].ne(""))
    again = bench.rows.loc[rows].copy()
    again["rain_in"] = (bench.number("rain_in")[rows] + 0.07).map("{:.2f}".format)
    bench.append(again)


@way("against_flow", "drain_pipes", "value", within=1.0)
def pipe_drawn_backwards(bench: Bench) -> None:
    """The line is drawn from its downstream to its upstream node.

    It can only be known by neighbours: pipes without one at both ends are left out, and so are
    pipes that touch one which is turned already.
    """
    pipes = bench.rows
    ends = pd.concat([pipes["from_node"], pipes["to_node"]]).value_counts()
    known = (pipes["from_node"].map(ends) > 1) & (pipes["to_node"].map(ends) > 1)
    alone, taken = pd.Series(data=False, index=pipes.index), set()
    mixed = pipes[known].sample(frac=1.0, random_state=bench.rng)
    for row, one, other in zip(mixed.index, mixed["from_node"], mixed["to_node"], strict=True):
        nodes = {one, other}
        if not nodes & taken:
            alone[row] = True
            taken |= nodes
    rows = bench.pick(alone)
    shapes = shapely.reverse(pipes.geometry.loc[rows].to_numpy())
    bench.put("geometry", pd.Series(shapes, index=rows, dtype=object))


@way("pipe_ring", "drain_pipes")
def pipe_ring(bench: Bench) -> None:
    """The upstream node was typed into both fields; the right one cannot be known."""
    rows = bench.pick(bench.rows["from_node"].ne(bench.rows["to_node"]))
    bench.put("to_node", bench.rows.loc[rows, "from_node"])


@way("shape_broken", "sensitive_areas")
def area_bow_tie(bench: Bench) -> None:
    """Two corners of an outline were set in the wrong order, so that it crosses itself."""
    _bow_ties(bench)


@way("shape_broken", "backdrop")
def backdrop_bow_tie(bench: Bench) -> None:
    """Two corners of an outline were set in the wrong order, so that it crosses itself."""
    _bow_ties(bench)


def _bow_ties(bench: Bench) -> None:
    crossed = bench.rows.geometry.map(_crossed)
    rows = bench.pick(crossed.notna())
    bench.put("geometry", pd.Series(crossed[rows].to_numpy(), index=rows, dtype=object))


def _crossed(shape: Any) -> Any:
    """Return an area with two neighbouring corners exchanged, none if that breaks nothing."""
    part = shapely.get_geometry(shape, 0)
    ring = shapely.get_coordinates(shapely.get_exterior_ring(part))
    for at in range(1, len(ring) - 2):
        corners = ring.copy()
        corners[[at, at + 1]] = corners[[at + 1, at]]
        outline = shapely.polygons(corners)
        if not shapely.is_valid(outline):
            return shapely.multipolygons(np.array([outline, *shapely.get_parts(shape)[1:]]))
    return None
