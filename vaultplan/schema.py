"""Every column of every table: type, unit, meaning and allowed values, said once.

Database tables, file checks and the data dictionary all derive from ``TABLES``. Rooms of the house
hand each other frames shaped by it and nothing else. This file is long because it is the one place.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, TypeAlias

import pandas as pd

from vaultplan.columns import (
    Column,
    Table,
    band,
    clock,
    date,
    flag,
    integer,
    must,
    real,
    shape,
    share,
    text,
    time,
    words,
)
from vaultplan.errors import SchemaError

Frames: TypeAlias = Mapping[str, pd.DataFrame]

GRADES: Final = ("clear", "light", "heavy")
#: Percentiles by which a forecast of depth is told.
DEPTH_PERCENTS: Final = tuple(range(5, 100, 5))
METHODS: Final = ("storm_drain", "filter_sock", "vacuum_truck")
GATES: Final = ("go", "hold", "refer")
SENSITIVITIES: Final = ("ordinary", "elevated", "high", "protected", "unknown")
WEEKDAYS: Final = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
VAULT: Final = "vaults.vault_id"

# fmt: off
_TABLES = (
    Table("project", "Facts about this database: name, crs, time_zone.", ("fact",), (
        must(text("fact", "what is stated")),
        text("value", "its value"),
    ), "kept"),
    Table("vaults", "Underground rooms that hold electric or telecom gear.", ("vault_id",), (
        must(text("vault_id", "the utility's own id of the vault")),
        text("kind", "what it is", "vault", "manhole", "handhole"),
        text("status", "whether the utility works in it", "in_service", "retired", "other_owner"),
        text("address", "where a crew is sent"),
        text("district", "the utility's own area name"),
        text("setting", "what it lies in", "street", "sidewalk", "parkway", "easement"),
        text("shape", "plan of the room", "rectangular", "round"),
        real("length_ft", "inside length; the diameter if round", "ft"),
        real("width_ft", "inside width; blank if round", "ft"),
        real("depth_ft", "inside depth, floor to roof", "ft"),
        share("gear_frac", "share of the room that gear and racks take up"),
        real("rim_elev_ft", "elevation of the lid", "ft", least=None),
        text("lid", "how the lid closes", "sealed", "vented", "slotted"),
        text("soil_group", "hydrologic soil group (NRCS)", "A", "B", "C", "D"),
        real("water_table_ft", "usual depth of groundwater below the lid", "ft"),
        flag("has_irrigation", "watered landscape beside it"),
        text("land_use", "what surrounds it"),
        text("gauge_id", "rain gauge that stands for it", refers_to="gauges.gauge_id"),
        text("pcb_status", "whether its gear's oil may hold PCB", "no_oil", "tested_clean",
            "contains", "unknown"),
        text("access_notes", "what a crew must know to reach it"),
        words("imputed", "sizes that are not measured but the median of the vault's class, each as "
            "column=low-high in ft: 80 % of the class lie between; blank if all are measured"),
        shape("POINT", "centre of the lid"),
    )),
    Table("visits", "What crews found and did at a vault.", ("visit_id",), (
        must(text("visit_id", "id of the visit")),
        must(text("vault_id", "vault visited", refers_to=VAULT)),
        must(time("visited_at", "when the lid was opened")),
        text("order_id", "order it was done for"),
        text("finding", "what was seen", "dry", "wet", "full", "not_seen"),
        real("depth_in", "depth of water found", "in"),
        real("left_depth_in", "depth of water left behind", "in"),
        text("grade", "look of the water in a bailer", *GRADES),
        flag("has_sheen", "oil sheen seen"),
        text("odor", "smell, in words; 'none' if there was none"),
        text("color", "color of the water, in words; 'none' if there was none"),
        flag("has_foam", "foam seen"),
        real("ph", "acidity of the water", "pH", most=14),
        text("disposal", "what was done with the water", "none", *METHODS),
        real("volume_gal", "water removed", "gal"),
        text("volume_basis", "how the volume is known", "measured", "estimated"),
        integer("socks_used", "filter socks used up", "count"),
        real("pump_minutes", "time the pump ran", "min"),
        text("inlet_id", "inlet the water went to"),
        flag("was_raining", "rain during the visit"),
        text("crew", "crew that was there"),
        text("notes", "remarks"),
    )),
    Table("samples", "Laboratory results of vault water, one characteristic a row.",
        ("sample_id",), (
        must(text("sample_id", "id of the result")),
        must(text("visit_id", "visit it was taken on", refers_to="visits.visit_id")),
        text("stage", "before or after the filter sock", "raw", "filtered"),
        must(text("characteristic", "what was measured (WQX characteristic name)")),
        real("result_value", "measured value; blank when not detected"),
        text("result_unit", "unit of the value and the limit"),
        text("detection_condition", "why there is no value (WQX result detection condition)"),
        real("reporting_limit", "lowest value the laboratory reports"),
        text("method_id", "analytical method"),
    )),
    Table("gauges", "Rain gauges.", ("gauge_id",), (
        must(text("gauge_id", "id of the gauge")),
        text("name", "its name"),
        shape("POINT", "where it stands"),
    )),
    Table("rainfall", "Rain that fell, a row per gauge and day.", ("gauge_id", "fell_on"), (
        must(text("gauge_id", "gauge", refers_to="gauges.gauge_id")),
        must(date("fell_on", "day it fell")),
        must(real("rain_in", "depth of rain", "in", most=80)),
    )),
    Table("rain_outlook", "Rain expected, a row per gauge, day and member of the ensemble.",
        ("gauge_id", "issued_at", "falls_on", "member"), (
        must(text("gauge_id", "gauge", refers_to="gauges.gauge_id")),
        must(time("issued_at", "when the outlook was issued")),
        must(date("falls_on", "day it is expected to fall")),
        must(integer("member", "number of the ensemble member")),
        must(real("rain_in", "depth of rain", "in", most=80)),
    )),
    Table("inlets", "Street inlets of the storm drain.", ("inlet_id",), (
        must(text("inlet_id", "id of the inlet")),
        must(text("node_id", "network node it drops into")),
        text("kind", "form of the opening", "curb", "grate", "combination", "slotted"),
        text("owner", "who owns the drain behind it; blank counts as public", "public", "private"),
        real("gutter_slope_frac", "fall of the gutter along the street, ft per ft", most=1),
        real("cross_slope_frac", "fall of the street towards the gutter, ft per ft", most=1),
        shape("POINT", "where it is"),
    )),
    Table("curbs", "Curb lines: water in the gutter stays on its own side.", ("curb_id",), (
        must(text("curb_id", "id of the curb")),
        shape("LINESTRING", "course of the curb"),
    )),
    Table("drain_pipes", "Pipes, channels and gutters; water runs from from_node to to_node.",
        ("pipe_id",), (
        must(text("pipe_id", "id of the pipe")),
        must(text("from_node", "upstream node")),
        must(text("to_node", "downstream node")),
        real("diameter_in", "inside diameter or height", "in"),
        real("length_ft", "surveyed length; measured on the map when blank", "ft"),
        real("from_invert_ft", "elevation of the inside bottom at the upstream node", "ft",
            least=None),
        real("to_invert_ft", "elevation of the inside bottom at the downstream node", "ft",
            least=None),
        text("kind", "what carries the water", "pipe", "channel", "gutter", "culvert",
            "force_main"),
        text("system", "which sewer it belongs to", "storm", "combined", "sanitary", "private"),
        shape("LINESTRING", "course of the pipe"),
    )),
    Table("outfalls", "Where the storm drain ends in a receiving water.", ("outfall_id",), (
        must(text("outfall_id", "id of the outfall")),
        must(text("node_id", "network node that ends here")),
        text("name", "its name"),
        text("water_id", "water it runs into", refers_to="receiving_waters.water_id"),
        text("kind", "what the end is; blank counts as an outfall", "outfall", "dry_well",
            "pump_station", "sewer_plant"),
        flag("tide_locked", "a high tide shuts it"),
        real("daily_cap_gal", "most that may be pumped towards it in a day", "gal"),
        shape("POINT", "where it is"),
    )),
    Table("drainage_areas", "Areas that drain to one outfall, for vaults whose path is not known.",
        ("area_id",), (
        must(text("area_id", "id of the area")),
        must(text("outfall_id", "outfall it drains to", refers_to="outfalls.outfall_id")),
        shape("MULTIPOLYGON", "its area"),
    )),
    Table("inlet_choices", "Inlets that someone named for a vault, having looked.", ("vault_id",), (
        must(text("vault_id", "vault", refers_to=VAULT)),
        must(text("inlet_id", "inlet its water enters", refers_to="inlets.inlet_id")),
        must(text("who", "who looked")),
        must(text("why", "how it is known")),
        must(date("made_on", "day of the look")),
    )),
    Table("receiving_waters", "Creeks, bays and seas that drains run into.", ("water_id",), (
        must(text("water_id", "id of the water")),
        must(text("name", "its name")),
        text("kind", "what it is", "creek", "river", "lake", "wetland", "lagoon", "bay", "sea"),
        text("downstream_water_id", "water it runs into", refers_to="receiving_waters.water_id"),
        text("protection", "protection status; blank means not known", "none", "protected",
            "outstanding"),
        words("impairments", "pollutants it is listed for; 'none' if it is not listed"),
        words("uses", "what people use it for, e.g. swimming;shellfish;drinking"),
        flag("is_tidal", "the tide reaches it"),
        date("reviewed_on", "when protection, impairments and uses were last confirmed"),
        shape("GEOMETRY", "its line or area"),
    )),
    Table("sensitive_areas", "Places where dirty water does most harm.", ("area_id",), (
        must(text("area_id", "id of the area")),
        text("name", "its name"),
        must(text("kind", "why it is sensitive", "habitat", "beach", "shellfish_bed",
            "drinking_intake", "protected_shore")),
        date("reviewed_on", "when this entry was last confirmed"),
        shape("MULTIPOLYGON", "its area"),
    )),
    Table("concern_sites", "Places around which water is suspect even when it is clear.",
        ("site_id",), (
        must(text("site_id", "id of the site")),
        text("name", "its name"),
        text("kind", "what it was or is"),
        text("status", "whether it still counts", "open", "closed", "unknown"),
        must(real("radius_ft", "how far around it water is suspect", "ft")),
        shape("POINT", "where it is"),
    )),
    Table("incidents", "Spills, fires and main breaks, which make water suspect for a while.",
        ("incident_id",), (
        must(text("incident_id", "id of the incident")),
        must(text("kind", "what happened", "spill", "fire", "main_break", "sewage", "other")),
        must(date("happened_on", "day it happened")),
        date("cleared_on", "day it was declared over; blank while it is not"),
        must(real("radius_ft", "how far around it water is suspect", "ft")),
        shape("POINT", "where it happened"),
    )),
    Table("work_orders", "Work that needs a vault opened.", ("order_id",), (
        must(text("order_id", "id of the order")),
        must(text("vault_id", "vault to work in", refers_to=VAULT)),
        text("task", "what is to be done"),
        date("earliest_on", "first day it may be done"),
        date("due_on", "last day it should be done"),
        integer("priority", "1 most urgent, 5 least", least=1, most=5),
        real("task_minutes", "work time once the vault is dry", "min", most=1440),
        text("skill", "skill the crew must have; blank if any crew will do"),
        flag("needs_entry", "someone goes in"),
        clock("window_from", "earliest start of day; blank if any"),
        clock("window_to", "latest start of day; blank if any"),
        text("status", "state of the order; blank counts as open", "open", "done", "cancelled"),
    )),
    Table("trucks", "Crew trucks and vacuum trucks.", ("truck_id",), (
        must(text("truck_id", "id of the truck")),
        must(text("kind", "what it does", "crew", "vacuum")),
        must(text("depot_id", "where it starts and ends", refers_to="depots.depot_id")),
        words("skills", "what its crew can do"),
        must(clock("shift_from", "start of the shift")),
        must(clock("shift_to", "end of the shift")),
        words("days", "days it works", *WEEKDAYS),
        real("overtime_minutes", "longest overtime after the shift", "min", most=480),
        real("pump_gpm", "pumping rate", "gal/min", most=2000),
        integer("sock_count", "filter socks on board a day", "count"),
        real("tank_gal", "tank of a vacuum truck", "gal"),
        real("payload_lb", "weight it may carry", "lb"),
        real("usd_per_hour", "cost of truck and crew", "USD/h"),
    )),
    Table("depots", "Yards that trucks start from.", ("depot_id",), (
        must(text("depot_id", "id of the yard")),
        text("name", "its name"),
        shape("POINT", "its gate"),
    )),
    Table("disposal_sites", "Places that take a vacuum truck's load.", ("site_id",), (
        must(text("site_id", "id of the site")),
        text("name", "its name"),
        must(clock("open_from", "opens at")),
        must(clock("open_to", "closes at")),
        real("dump_minutes", "time to empty a truck", "min", most=480),
        real("usd_per_gal", "price of disposal", "USD/gal"),
        words("takes", "waste profiles accepted"),
        shape("POINT", "its gate"),
    )),
    Table("roads", "Streets, for travel times and as the map's background.", ("road_id",), (
        must(text("road_id", "id of the segment")),
        text("name", "street name"),
        text("from_node", "first junction; taken from the line's end when blank"),
        text("to_node", "last junction; taken from the line's end when blank"),
        real("minutes", "driving time; from length and settings when blank", "min"),
        flag("one_way", "open only from from_node to to_node"),
        shape("LINESTRING", "course of the street"),
    )),
    Table("backdrop", "Shapes drawn behind the map and used for nothing else.", ("shape_id",), (
        must(text("shape_id", "id of the shape")),
        must(text("kind", "how it is drawn", "land", "park", "building", "water")),
        text("name", "its name"),
        shape("MULTIPOLYGON", "its area"),
    )),
    Table("overrides", "Decisions that the environmental specialist lowered, with who and why.",
        ("override_id",), (
        must(text("override_id", "id of the override")),
        must(text("vault_id", "vault it holds for", refers_to=VAULT)),
        must(text("ladder", "what is lowered", "method", "gate")),
        must(text("step", "what it is set to", *METHODS, *GATES)),
        must(text("who", "specialist who decided")),
        must(text("why", "the reason")),
        must(date("made_on", "day of the decision")),
        must(date("expires_on", "last day it holds")),
    )),
    Table("changes", "What was changed, append-only.", ("change_id",), (
        must(text("change_id", "id of the change")),
        must(time("changed_at", "when")),
        text("who", "by whom"),
        must(text("table_name", "table")),
        must(text("row_key", "key of the row")),
        text("column_name", "column; blank when the whole row came or went"),
        text("before", "old value"),
        text("after", "new value"),
        text("why", "the reason"),
        text("load_id", "load whose repair made it; blank if none did", refers_to="loads.load_id"),
        text("rule", "rule whose repair made it"),
    ), "kept"),
    Table("loads", "Files that were loaded, and what became of their rows.", ("load_id",), (
        must(text("load_id", "id of the load")),
        must(text("table_name", "table loaded into")),
        must(text("file", "name of the file")),
        must(time("loaded_at", "when")),
        text("recipe", "column map used, as TOML"),
        text("crs", "CRS of the file's shapes, where it stated one"),
        words("applied", "rules whose repairs were asked for"),
        must(integer("rows_in", "rows of the file that are not blank", "count")),
        must(integer("rows_loaded", "rows loaded as they stand", "count")),
        must(integer("rows_repaired", "rows loaded with a repair", "count")),
        must(integer("rows_quarantined", "rows set aside", "count")),
        integer("rows_blank", "blank rows passed over", "count"),
        integer("rows_new", "rows with a key the table did not have", "count"),
        integer("rows_changed", "rows that altered one it had", "count"),
        integer("rows_same", "rows that it had already", "count"),
    ), "kept"),
    Table("findings", "What was found in a load, the first 10,000 rows of each kind.",
        ("load_id", "number"), (
        must(text("load_id", "load", refers_to="loads.load_id")),
        must(integer("number", "place in the list", least=1)),
        must(text("rule", "rule that found it")),
        must(text("severity", "how grave it is", "error", "warning", "note")),
        must(integer("row", "row of the file as its user sees it")),
        text("row_key", "key of the row, as far as it can be read"),
        text("column_name", "column"),
        text("value", "what is written there"),
        text("fault", "what is wrong with it"),
        text("remedy", "what to do"),
        text("proposal", "value that the rule's repair would give"),
        flag("repaired", "the repair was made"),
    ), "kept"),
    Table("raw_rows", "Rows of loaded files that were not loaded as they stand.",
        ("load_id", "row"), (
        must(text("load_id", "load", refers_to="loads.load_id")),
        must(integer("row", "row of the file as its user sees it")),
        text("row_key", "key of the row, as far as it can be read"),
        must(text("state", "what became of it; superseded: a later file says that row anew",
            "quarantined", "repaired", "mended", "superseded")),
        words("rules", "rules with an error in it, or whose repairs were made"),
        must(text("raw", "the row as it stands in the file, as JSON")),
        text("replaced", "row of the table that it took the place of, as JSON; blank if new"),
        text("left_hash", "hash of the table's row as a repair left it, to tell later changes by"),
    ), "kept"),
    Table("plans", "Weeks that were planned.", ("plan_id",), (
        must(text("plan_id", "id of the plan")),
        must(date("week_of", "Monday of the week")),
        must(date("as_of_on", "last day whose results the plan knew")),
        must(time("made_at", "when it was made")),
        integer("seed", "seed of the solver"),
        text("rules_version", "hash of the discharge rules used"),
        text("settings_version", "hash of the settings used"),
        text("content_version", "hash of its jobs, stops and orders left out"),
        text("state", "whether it counts", "checked", "rejected", "superseded"),
    ), "planned"),
    Table("plan_jobs", "What the schedule was told about each job, to check the plan by.",
        ("plan_id", "order_id"), (
        must(text("plan_id", "plan", refers_to="plans.plan_id")),
        must(text("order_id", "order", refers_to="work_orders.order_id")),
        must(text("vault_id", "vault", refers_to=VAULT)),
        text("task", "what is to be done"),
        text("skill", "skill the crew must have"),
        integer("priority", "1 most urgent, 5 least", least=1, most=5),
        integer("rank", "place in the ranking, 1 first", least=1),
        real("score", "ranking score", "0-100", most=100),
        date("due_on", "last day it should be done"),
        must(words("allowed_days", "days of the week it may be done, as YYYY-MM-DD")),
        clock("window_from", "earliest start of day"),
        clock("window_to", "latest start of day"),
        must(text("method", "how the water is removed", *METHODS)),
        must(text("gate", "whether it may go ahead", *GATES)),
        *band("volume_gal", "water expected", "gal"),
        must(real("load_gal", "water reckoned with: the high end of its worst day", "gal")),
        real("setup_minutes", "time to set up at the vault", "min"),
        real("task_minutes", "work time once the vault is dry", "min"),
        real("refill_minutes", "crew must start within this time of the vacuum truck's end",
            "min"),
        words("rules_fired", "discharge rules that apply"),
        text("reason", "why it is ranked and treated so"),
        shape("POINT", "the vault"),
    ), "planned"),
    Table("plan_stops", "Stops of every truck, in order.",
        ("plan_id", "truck_id", "on", "stop_number"), (
        must(text("plan_id", "plan", refers_to="plans.plan_id")),
        must(text("truck_id", "truck", refers_to="trucks.truck_id")),
        must(date("on", "day")),
        must(integer("stop_number", "place in the day's route, 1 first", least=1)),
        must(text("kind", "what is done", "pump_out", "vacuum", "work", "dump")),
        text("order_id", "order; blank at a disposal site"),
        text("vault_id", "vault; blank at a disposal site"),
        text("site_id", "disposal site; blank at a vault"),
        real("drive_minutes", "driving time from the stop before", "min"),
        must(time("arrive_at", "arrival")),
        must(time("start_at", "start of service")),
        must(time("leave_at", "end of service")),
        real("load_gal", "water taken at this stop (given up at a disposal site)", "gal"),
        real("tank_after_gal", "water in the tank when leaving", "gal"),
        integer("socks", "filter socks reckoned with", "count"),
        shape("POINT", "where the truck stands"),
    ), "planned"),
    Table("plan_unserved", "Orders that are not in the week, and why.", ("plan_id", "order_id"), (
        must(text("plan_id", "plan", refers_to="plans.plan_id")),
        must(text("order_id", "order", refers_to="work_orders.order_id")),
        must(text("vault_id", "vault", refers_to=VAULT)),
        must(text("outcome", "what became of it", "held", "referred", "not_scheduled",
            "not_possible")),
        must(text("reason", "why, and what would free it")),
    ), "planned"),
    Table("forecasts", "Water expected in a vault on a day, and how it will look.",
        ("vault_id", "on"), (
        must(text("vault_id", "vault", refers_to=VAULT)),
        must(date("on", "day forecast")),
        date("as_of_on", "last day whose results the forecast knew"),
        *band("depth_in", "depth of water", "in", DEPTH_PERCENTS),
        *band("volume_gal", "volume of water", "gal"),
        real("volume_gal_mean", "expected volume", "gal"),
        real("capacity_gal", "volume when full", "gal"),
        share("prob_dry", "chance of less than 1 in of water"),
        share("prob_full", "chance of at least 95 % of the depth"),
        share("prob_clear", "chance that the water, if any, is clear"),
        share("prob_light", "chance that it is light"),
        share("prob_heavy", "chance that it is heavy"),
        share("grade_known_frac", "how far those chances rest on the vault's own gradings"),
        *band("refill_hours", "time until working depth is back after emptying", "h"),
        integer("visit_count", "own visits the forecast rests on", "count"),
        text("confidence", "how far to trust it", "high", "medium", "low"),
        text("reason", "what the forecast rests on"),
    ), "derived"),
    Table("traces", "Where water pumped from a vault would run.", ("vault_id",), (
        must(text("vault_id", "vault", refers_to=VAULT)),
        must(text("trace_status", "how far the path is known", "complete", "no_inlet",
            "no_outfall", "no_water", "loop", "sewer", "private", "dry_well", "pump_station",
            "sewer_plant", "by_area")),
        text("confidence", "how far to trust it", "high", "medium", "low"),
        text("inlet_id", "inlet it would enter"),
        text("placed_by", "how that inlet was found", "choice", "curb", "side", "distance"),
        text("second_inlet_id", "another inlet nearly as close"),
        text("second_status", "how far the path from there is known; as trace_status"),
        text("second_outfall_id", "outfall reached from there"),
        words("second_parts", "other outfalls that parts reach from there, as outfall_id=share"),
        words("second_part_ends", "ways that such parts end short of one; as trace_status"),
        real("gutter_ft", "run from vault to inlet", "ft"),
        real("pipe_ft", "run from inlet to outfall", "ft"),
        real("length_ft", "whole run to the outfall", "ft"),
        text("end_node", "last network node reached"),
        text("outfall_id", "outfall reached"),
        share("main_share", "share of the water that takes the listed path where drains split"),
        words("part_outfalls", "outfalls that other parts of it reach, each as outfall_id=share"),
        words("part_ends", "ways that other parts end short of an outfall; as trace_status"),
        real("gap_ft", "gaps on the way that are bridged", "ft"),
        integer("pumps_passed", "force mains on the way", "count"),
        text("water_id", "water the outfall runs into"),
        words("waters_passed", "waters passed, nearest first"),
        words("waters_ft", "feet from the outfall at which each of them begins, as water_id=feet"),
        text("reason", "why the path stops where it does"),
        shape("LINESTRING", "path from the vault to its end", required=False),
    ), "derived"),
    Table("sensitivities", "How sensitive each receiving water is, with all waters below it.",
        ("water_id",), (
        must(text("water_id", "water", refers_to="receiving_waters.water_id")),
        must(text("sensitivity", "grade of sensitivity", *SENSITIVITIES)),
        must(text("reason", "what makes it so")),
    ), "derived"),
    Table("decisions", "How water is to be removed from a vault, and whether that may go ahead.",
        ("vault_id", "on"), (
        must(text("vault_id", "vault", refers_to=VAULT)),
        must(date("on", "day decided for")),
        must(text("method", "least method the rules allow", *METHODS)),
        must(text("gate", "whether it may go ahead", *GATES)),
        text("sensitivity", "sensitivity of the waters it would reach", *SENSITIVITIES),
        text("grade_reckoned", "grade the rules reckon with", *GRADES, "unknown"),
        must(words("rules_fired", "ids of the rules that apply")),
        must(text("reason", "those rules in words")),
    ), "derived"),
    Table("rankings", "Open orders in order of worth, with the reasons.", ("order_id",), (
        must(text("order_id", "order", refers_to="work_orders.order_id")),
        must(text("vault_id", "vault", refers_to=VAULT)),
        must(integer("rank", "place, 1 first", least=1)),
        must(real("score", "weighted sum of the four values", "0-100", most=100)),
        share("value_volume", "value of the expected gallons"),
        share("value_contamination", "value of chance and severity of dirty water"),
        share("value_sensitivity", "value of what lies downstream"),
        share("value_urgency", "value of priority and due date"),
        must(text("reason", "why it stands here")),
    ), "derived"),
    Table("routes", "The way each truck drives on a day.", ("plan_id", "truck_id", "on"), (
        must(text("plan_id", "plan")),
        must(text("truck_id", "truck")),
        must(date("on", "day")),
        integer("stop_count", "stops", "count"),
        real("drive_minutes", "driving time", "min"),
        real("drive_mi", "distance driven", "mi"),
        shape("LINESTRING", "the way along the streets"),
    ), "derived"),
)
# fmt: on

TABLES: Final[Mapping[str, Table]] = {declared.name: declared for declared in _TABLES}
STORED: Final = tuple(name for name, declared in TABLES.items() if declared.is_stored)
LOADABLE: Final = tuple(n for n, declared in TABLES.items() if declared.source == "loaded")


def table(name: str) -> Table:
    """Return one table by name; ``SchemaError`` if there is none."""
    try:
        return TABLES[name]
    except KeyError:
        choices = ", ".join(TABLES)
        raise SchemaError(f"there is no table {name!r}; choose one of {choices}") from None


def data_dictionary() -> str:
    """Return the data dictionary as Markdown: every table and column with unit and meaning."""
    lines = ["# Data dictionary", "", "Written by the program from `vaultplan/schema.py`.", ""]
    for declared in TABLES.values():
        key = ", ".join(declared.key)
        lines += [f"## {declared.name}", ""]
        lines += [f"{declared.meaning} Key: {key}. ({declared.source})", ""]
        lines += [
            "| column | type | unit | must | meaning | allowed |",
            "|---|---|---|---|---|---|",
        ]
        for column in declared.columns:
            cells = (
                column.name,
                column.shape or column.type,
                column.unit,
                "yes" if column.required else "",
                column.meaning,
                ", ".join(column.allowed) or _range_text(column),
            )
            lines.append(f"| {' | '.join(cells)} |")
        lines.append("")
    return "\n".join(lines)


def _range_text(column: Column) -> str:
    if column.least is None and column.most is None:
        return ""
    if column.most is None:
        return f"{column.least:g} or more"
    return f"{column.least:g} to {column.most:g}"
