"""Every rule that a user's rows are held to: its id, how grave it is, and what may be done.

An ``error`` keeps a row out of its table until it is mended or its repair is asked for; a
``warning`` is loaded as it stands and told; a ``note`` is only told.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Final, Literal

from vaultplan.errors import SettingsError

Severity = Literal["error", "warning", "note"]

ALL: Final = "all"


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule; ``repair`` says what asking for its repair does, and is blank if it has none."""

    name: str
    severity: Severity
    meaning: str
    repair: str = ""


# fmt: off
_RULES: Final = (
    # The file as a whole: nothing of it can be loaded
    Rule("missing_column", "error", "a column that every row needs is missing"),
    Rule("no_places", "error", "the file has no shapes, and no columns that place its rows"),
    Rule("no_crs", "error", "the file does not say which CRS its places are in"),
    # Reading what is written
    Rule("ragged_row", "error", "a row has more or fewer values than the header"),
    Rule("thousands_mark", "error", "a number has marks between its thousands",
         "read the number without them"),
    Rule("decimal_comma", "error", "a number has a decimal comma", "read it as a decimal point"),
    Rule("decimal_point", "error", "a number has a point where the file's numbers have commas",
         "read it as a decimal point"),
    Rule("unit_in_number", "error", "a number has its unit behind it",
         "convert it from that unit"),
    Rule("word_for_blank", "error", "a word stands where a number was not measured",
         "leave the number blank"),
    Rule("word_for_dry", "error", "the word dry stands for a depth or volume",
         "depth or volume 0, and found dry where the finding is blank"),
    Rule("not_a_number", "error", "not a number"),
    Rule("not_yes_no", "error", "neither yes nor no"),
    Rule("not_a_day", "error", "not a day in the form of the others",
         "read it in the one other form that makes it a day"),
    Rule("not_a_time", "error", "not a time in the form of the others",
         "read it in the one other form that makes it a time"),
    Rule("no_time_zone", "error", "a time does not say its zone",
         "take it for local time of the database"),
    Rule("clock_change", "error", "a local time that happens twice or never, as clocks change"),
    Rule("not_a_clock", "error", "not a time of day", "read it as the time of day it means"),
    Rule("formula_text", "note", "text begins like a formula; no output lets a spreadsheet run it"),
    # What the schema declares
    Rule("blank", "error", "a value that every row needs is blank"),
    Rule("unknown_word", "error", "not one of the allowed words",
         "take the word that the word list gives for it"),
    Rule("out_of_range", "error", "a number outside what is possible"),
    Rule("odd_key", "error", "a key has a line break or control sign in it", "take the sign out"),
    Rule("key_twice", "error", "the key stands in an earlier row, which says something else"),
    Rule("row_twice", "error", "the same row stands earlier in the file", "keep the first only"),
    Rule("unknown_reference", "error", "refers to something that is not there",
         "take the one known id that is spelled alike"),
    Rule("lost_reference", "warning", "refers to something that is not there, but need not",
         "take the one known id that is spelled alike"),
    # Places and shapes
    Rule("not_a_coordinate", "error", "a coordinate is not a number"),
    Rule("half_a_place", "error", "one of two coordinates is blank"),
    Rule("no_shape", "error", "a row has no place or shape"),
    Rule("shape_unreadable", "error", "a shape cannot be understood"),
    Rule("shape_empty", "error", "a shape is empty"),
    Rule("shape_type", "error", "a shape of another type than the table holds",
         "take an area's centre for a point, join the parts of a line, or take the one part"),
    Rule("shape_broken", "error", "a shape crosses itself or has too few points",
         "redraw it along its own points without the crossing"),
    Rule("has_height", "note", "heights or measures of a shape are left out"),
    Rule("zero_place", "error", "a place at 0, 0"),
    Rule("swapped_axes", "error", "x and y are swapped", "swap them back"),
    Rule("lost_sign", "error", "longitude or latitude lost its sign", "give it its sign"),
    Rule("wrong_grid", "error", "a coordinate is in another grid or unit than the others",
         "read it in the grid where it lies among the others"),
    Rule("outside_crs", "error", "a place outside the area that its CRS is made for"),
    Rule("outside_area", "warning", "a place far from everything else in the service area"),
    Rule("mixed_feet", "warning", "places are off as if US survey and international feet were "
         "mixed up", "read them in the other foot"),
    # Vaults
    Rule("size_in_inches", "error", "a size that fits only if it is in inches",
         "convert it from inches"),
    Rule("size_in_metres", "warning", "a size that fits its class only if it is in metres",
         "convert it from metres"),
    Rule("size_absurd", "error", "a size that no vault has",
         "take the class's median, marked with its range in `imputed`"),
    Rule("size_missing", "warning", "a size is not given",
         "take the class's median, marked with its range in `imputed`"),
    Rule("near_twin", "warning", "another vault of the same kind and size within 3 ft"),
    Rule("idle_vault", "note", "a vault that is retired or another owner's"),
    # Visits and orders
    Rule("future", "error", "a time that has not come yet",
         "swap day and month where that brings it into the past"),
    Rule("clock_shifted", "warning", "a time at night that is in working hours if it was local",
         "take what is written for local time"),
    Rule("dry_with_water", "warning", "found dry, yet depth or volume is given",
         "found wet instead"),
    Rule("zero_unclear", "warning", "a depth of 0 without a finding: dry, or not measured?"),
    Rule("above_capacity", "warning", "more gallons than the vault holds"),
    Rule("too_deep", "warning", "water deeper than the vault"),
    Rule("depth_in_feet", "warning", "a depth that fits the volume only if it is in feet",
         "convert it from feet"),
    Rule("left_more", "warning", "more water left than found", "swap the two"),
    Rule("period_locked", "error", "a visit on a day that a manager locked"),
    Rule("visit_twice", "warning", "another visit to the vault at the same moment"),
    Rule("visit_at_idle", "note", "a visit to a vault that is retired or another owner's"),
    Rule("order_at_idle", "warning", "an open order at a vault that is retired or another owner's"),
    Rule("due_before_start", "warning", "due before it may begin", "swap the two days"),
    Rule("value_and_condition", "warning", "a result and a detection condition, or neither"),
    Rule("limit_as_value", "warning", "a detection condition, and the limit stands as the value",
        "take the value for the reporting limit"),
    # Drains
    Rule("pipe_ring", "warning", "a pipe ends where it begins"),
    Rule("against_flow", "warning", "a pipe is drawn against its flow", "turn the line round"),
    Rule("drain_loop", "warning", "pipes that lead in a circle"),
    Rule("drain_no_outfall", "warning", "a pipe ends where no pipe goes on and no outfall is"),
    Rule("inlet_off_drain", "warning", "an inlet that is on no pipe and at no outfall"),
    Rule("outfall_off_drain", "warning", "an outfall that no pipe leads to"),
    Rule("outfall_no_water", "warning", "an outfall whose receiving water is not named"),
)
# fmt: on

RULES: Final[Mapping[str, Rule]] = {rule.name: rule for rule in _RULES}


def asked_for(names: Collection[str]) -> frozenset[str]:
    """Return the rules whose repair is asked for; ``all`` means every rule that has one.

    Raises
    ------
    SettingsError
        If there is no such rule, or it has no repair.

    Examples
    --------
    >>> sorted(asked_for(["swapped_axes", "left_more"]))
    ['left_more', 'swapped_axes']
    """
    mendable = [rule.name for rule in _RULES if rule.repair]
    if ALL in names:
        return frozenset(mendable)
    unknown = sorted(set(names) - set(mendable))
    if unknown:
        known = [name for name in unknown if name in RULES]
        what = f"{', '.join(known)} has no repair" if known else f"no rule {', '.join(unknown)}"
        raise SettingsError(f"{what}; rules with a repair are all, {', '.join(sorted(mendable))}")
    return frozenset(names)
