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
    integer("bad_in_a_row", "how many of the latest grades in a row were light or heavy", "count"),
    flag("last_odd_color", "an odd color, as last noted"),
    flag("last_odd_odor", "an odor, as last noted"),
    flag("last_has_foam", "foam, as last noted"),
    real("last_ph", "pH, as last measured", "pH", most=14),
    flag("last_has_sheen", "sheen when the water was last looked at"),
    text("pcb_status", "PCB in the gear's oil", *table("vaults").column("pcb_status").allowed),
    text("vault_status", "whose vault it is", *table("vaults").column("status").allowed),
    text("trace_status", "how far the path is known", *table("traces").column(
        "trace_status").allowed),
    flag("end_unknown", "some way of the water is not known to its end"),
    flag("ends_in_sewer", "some way of it enters a combined or sanitary sewer or a sewage works"),
    flag("ends_private", "some way of it enters a private drain"),
    flag("ends_in_ground", "some way of it ends in a dry well"),
    flag("ends_at_pump", "some way of it ends at a pump station"),
    flag("parts_elsewhere", "by a split or a second inlet it may reach another outfall"),
    real("gap_ft", "gaps on the path that are bridged", "ft"),
    text("trace_confidence", "how far to trust the path", "high", "medium", "low"),
    real("gutter_ft", "straight run from vault to inlet", "ft"),
    flag("gutter_overflows", "pumped water would spread into the lane"),
    flag("gutter_slope_assumed", "nobody measured the gutter's fall; a flat one is reckoned with"),
    text("sensitivity", "sensitivity of the waters that any way of it reaches", *SENSITIVITIES),
    real("sensitive_ft", "flow from the lid to the first water, or outfall near an area, that is "
        "high or protected; blank where not known or none", "ft"),
    flag("reaches_impaired", "some way reaches a water impaired by what vault water adds to"),
    flag("reaches_intake", "some way reaches a drinking-water intake"),
    flag("reaches_shellfish", "some way reaches shellfish"),
    flag("reaches_beach", "some way reaches a beach"),
    flag("reaches_habitat", "some way reaches habitat"),
    flag("near_sensitive", "an outfall lies near a sensitive area"),
    flag("tide_may_lock", "a high tide may shut an outfall"),
    flag("near_concern", "within the radius of a site of concern"),
    flag("near_incident", "within the radius of a recent spill, fire or main break"),
    flag("water_above_floor", "groundwater usually stands above the floor"),
    share("prob_wet_day", "share of the outlook's members that make the day wet"),
    flag("is_wet_day", "that share is large enough to count; blank past the outlook"),
    real("volume_gal_p90", "water expected at most", "gal"),
    real("pump_minutes", "time to pump that at the most a pump gives", "min"),
    flag("over_outfall_cap", "that alone is more than an outfall's daily cap"),
    text("method", "method the other rules ask for; a rule that reads it sets a gate only",
        *METHODS),
)  # fmt: skip

#: Every fact by name, with type, unit and allowed values.
FACTS: Final[Mapping[str, Column]] = {fact.name: fact for fact in _FACTS}
