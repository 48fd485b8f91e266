"""Laboratory results under the column names of WQX, EPA's Water Quality Exchange.

References
----------
U.S. EPA, WQX 3.0 physical-chemical result columns and domain values, as the npm package wqx 3.0.209
carries them (json-schema/physical-chemistry.json).
"""

from __future__ import annotations

from typing import Final

import pandas as pd

from vaultplan.schema import Frames

#: Columns that WQX requires of a result, and those that a vault's water has something for.
REQUIRED: Final = (
    *("Project ID", "Activity ID", "Activity Type", "Activity Media Name"),
    "Activity Start Date",
)
COLUMNS: Final = (
    *("Project ID", "Monitoring Location ID", "Activity ID", "Activity Type"),
    *("Activity Media Name", "Activity Start Date", "Activity Start Time"),
    *("Activity Start Time Zone", "Characteristic Name", "Result Detection Condition"),
    *("Result Value", "Result Unit", "Result Status ID", "Result Value Type"),
    *("Result Analytical Method ID", "Result Detection/Quantitation Limit Type"),
    *("Result Detection/Quantitation Limit Measure", "Result Detection/Quantitation Limit Unit"),
    *("Analysis Start Date", "Result Comment"),
)


def wqx_rows(frames: Frames, *, time_zone: str, project_id: str) -> pd.DataFrame:
    """Return the samples as rows of WQX, in the order of their ids; all cells are text.

    Parameters
    ----------
    frames
        ``samples`` and ``visits``.
    time_zone
        Zone of dates and times.
    project_id
        The project under which the results are filed.

    Notes
    -----
    A row has a value or a detection condition; rows that have both or neither are not given out, as
    WQX refuses them. Activities are named by visit and stage: water after a sock is another sample
    than the water before it. Status is Preliminary: a person who checked the results makes them
    Final.
    """
    samples = frames["samples"].merge(
        frames["visits"][["visit_id", "vault_id", "visited_at"]], on="visit_id", how="left"
    )
    is_told = samples["result_value"].isna() != samples["detection_condition"].isna()
    samples = samples[is_told].sort_values("sample_id", ignore_index=True)
    local = samples["visited_at"].dt.tz_convert(time_zone)
    # WQX knows zones by their letters; of a zone that has none only the day is told.
    zone = local.dt.strftime("%Z")
    is_named = zone.str.fullmatch("[A-Z]{3,5}").fillna(False).astype(bool)
    stage = samples["stage"].fillna("")
    has_limit = samples["reporting_limit"].notna()
    unit = samples["result_unit"].fillna("")
    columns: dict[str, object] = {
        "Project ID": project_id,
        "Monitoring Location ID": samples["vault_id"].fillna(""),
        "Activity ID": samples["visit_id"] + stage.where(stage.eq(""), "-" + stage),
        "Activity Type": "Sample-Routine",
        "Activity Media Name": "Water",
        "Activity Start Date": local.dt.strftime("%Y-%m-%d"),
        "Activity Start Time": local.dt.strftime("%H:%M:%S").where(is_named, ""),
        "Activity Start Time Zone": zone.where(is_named, ""),
        "Characteristic Name": samples["characteristic"],
        "Result Detection Condition": samples["detection_condition"].fillna(""),
        "Result Value": _numbers(samples["result_value"]),
        "Result Unit": unit.where(samples["result_value"].notna(), ""),
        "Result Status ID": "Preliminary",
        "Result Value Type": "Actual",
        "Result Analytical Method ID": samples["method_id"].fillna(""),
        "Result Detection/Quantitation Limit Type": has_limit.map(
            {True: "Reporting limit", False: ""}
        ),
        "Result Detection/Quantitation Limit Measure": _numbers(samples["reporting_limit"]),
        "Result Detection/Quantitation Limit Unit": unit.where(has_limit, ""),
        "Analysis Start Date": samples["analyzed_on"].dt.strftime("%Y-%m-%d").fillna(""),
        "Result Comment": stage.map(_COMMENTS).fillna(""),
    }
    return pd.DataFrame(columns, index=samples.index)[list(COLUMNS)].fillna("")


_COMMENTS: Final = {
    "raw": "water of the vault before any treatment",
    "filtered": "water after the filter sock",
}


def _numbers(values: pd.Series[float]) -> pd.Series[str]:
    texts = ["" if pd.isna(value) else f"{value:.12g}" for value in values]
    return pd.Series(texts, index=values.index, dtype="str")
