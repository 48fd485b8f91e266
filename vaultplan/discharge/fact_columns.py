"""The facts that discharge rules may ask about, one row per vault and day."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from vaultplan.columns import Column, flag, integer, real, share, text
from vaultplan.schema import GRADES, METHODS, SENSITIVITIES, table

_FACTS = (
    text("grade_reckoned", "grade the rules reckon with", *GRADES, "unknown"),
    share("prob_light", "chance that the water is light"),
    share("prob_heavy", "chance that the water is heavy"),
    text("last_grade", "grade at the last graded visit", *GRADES),
    real("days_since_grade", "age of that grade on the day decided for", "d"),
    integer("heavy_in_a_row", "how many of the latest grades in a row were heavy", "count"),
    flag("last_has_sheen", "sheen when the water was last looked at"),
    text("pcb_status", "PCB in the gear's oil", *table("vaults").column("pcb_status").allowed),
    text("vault_status", "whose vault it is", *table("vaults").column("status").allowed),
    text("trace_status", "how far the path is known", *table("traces").column(
        "trace_status").allowed),
    text("trace_confidence", "how far to trust the path", "high", "medium", "low"),
    real("gutter_ft", "straight run from vault to inlet", "ft"),
    text("sensitivity", "sensitivity of the waters the path reaches", *SENSITIVITIES),
    flag("near_concern", "within the radius of a site of concern"),
    share("prob_wet_day", "share of the outlook's members that make the day wet"),
    flag("is_wet_day", "that share is large enough to count; blank past the outlook"),
    real("volume_gal_p90", "water expected at most", "gal"),
    text("method", "method the other rules ask for; a rule that reads it sets a gate only",
        *METHODS),
)  # fmt: skip

#: Every fact by name, with type, unit and allowed values.
FACTS: Final[Mapping[str, Column]] = {fact.name: fact for fact in _FACTS}
