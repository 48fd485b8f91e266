"""The layers of a week: which there are, what stands in each, what each column means."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import pandas as pd

from vaultplan import schema
from vaultplan.outputs.plan_view import (
    first_day,
    part,
    stops_in_full,
    time_zone_of,
    unserved_in_full,
    vaults_on,
)

#: Layer name and its declared geometry.
LAYERS: Final = {
    "vaults": "POINT",
    "planned_stops": "POINT",
    "left_out": "POINT",
    "routes": "LINESTRING",
    "discharge_paths": "LINESTRING",
    "outfalls": "POINT",
    "receiving_waters": "GEOMETRY",
    "sensitive_areas": "MULTIPOLYGON",
    "streets": "LINESTRING",
}
#: Columns that the layers add to those of the schema.
ADDED_COLUMNS: Final[Mapping[str, str]] = {
    "forecast_on": "day that forecast and decision hold for (local date)",
    "grade_likeliest": "likeliest look of the water; unknown without a forecast",
    "forecast_reason": "what the forecast rests on",
    "decision_reason": "discharge rules that apply, in words",
    "trace_reason": "why the discharge path stops where it does",
    "trace_confidence": "how far to trust the discharge path",
    "trace_length_ft": "whole run to the outfall (ft)",
    "arrive_local": "arrival, local time with its offset from UTC",
    "start_local": "start of service, local time with its offset from UTC",
    "leave_local": "end of service, local time with its offset from UTC",
    "site_name": "name of the disposal site",
    "water_name": "name of the water the outfall runs into",
    "sensitivity_reason": "what makes the water sensitive",
}


def week_layers(frames: schema.Frames, time_zone: str | None) -> dict[str, pd.DataFrame]:
    """Return the layers of a plan by name, in the order in which they are written.

    ``vaults`` shows forecast, grade chances, decision and trace of the first planned day.
    """
    zone, day = time_zone_of(frames, time_zone), first_day(frames)
    waters, paths = part(frames, "receiving_waters"), part(frames, "traces")
    sensitivities = part(frames, "sensitivities").rename(columns={"reason": "sensitivity_reason"})
    names = pd.DataFrame(waters)[["water_id", "name"]].rename(columns={"name": "water_name"})
    layers = {
        "vaults": vaults_on(frames, day).assign(forecast_on=day),
        "planned_stops": stops_in_full(frames, zone),
        "left_out": unserved_in_full(frames),
        "routes": part(frames, "routes"),
        "discharge_paths": paths[paths.geometry.notna()].merge(
            sensitivities, on="water_id", how="left", validate="many_to_one"
        ),
        "outfalls": part(frames, "outfalls").merge(
            names, on="water_id", how="left", validate="many_to_one"
        ),
        "receiving_waters": waters.merge(
            sensitivities, on="water_id", how="left", validate="one_to_one"
        ),
        "sensitive_areas": part(frames, "sensitive_areas"),
        "streets": part(frames, "roads"),
    }
    return {name: _without_nul(frame) for name, frame in layers.items()}


def _without_nul(frame: pd.DataFrame) -> pd.DataFrame:
    """Return the layer without the sign at which GDAL would end a text, losing the rest."""
    is_text = [pd.api.types.is_string_dtype(kind) for kind in frame.dtypes]
    texts = {
        name: frame[name].str.replace("\x00", "", regex=False) for name in frame.columns[is_text]
    }
    return frame.assign(**texts)


def column_meanings() -> dict[str, str]:
    """Return what each column of the layers means, with its unit."""
    meanings: dict[str, str] = {}
    for declared in schema.TABLES.values():
        for column in declared.columns:
            unit = f" ({column.unit})" if column.unit else ""
            meanings.setdefault(column.name, f"{column.meaning}{unit}")
    return meanings | dict(ADDED_COLUMNS)
