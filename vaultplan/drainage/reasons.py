"""Why each path stops where it does, in plain words."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.drainage.follow import BoolArray

Texts = npt.NDArray[Any]


def stop_reasons(
    traced: pd.DataFrame,
    doubts: dict[str, BoolArray],
    *,
    is_placed: BoolArray,
    max_gutter_ft: float,
    entry_node: Texts,
    water_named: Texts,
    water_name: pd.Series[Any],
) -> Texts:
    """Return one or more sentences per vault: where its water ends, and what is doubtful.

    Parameters
    ----------
    traced
        trace_status, inlet_id, end_node, outfall_id.
    doubts
        A sentence each, with the rows it holds for.
    is_placed
        Whether the vault has a position.
    max_gutter_ft
        Farthest inlet that counts.
    entry_node, water_named, water_name
        Node where a sewer or private drain is entered, water id that the outfall gives, name of
        the listed water.
    """
    status = traced["trace_status"].to_numpy(dtype=object)
    inlet, end, outfall = (
        _shown(traced[column].to_numpy(dtype=object))
        for column in ("inlet_id", "end_node", "outfall_id")
    )
    entry, named = _shown(entry_node), _shown(water_named)
    name = _shown(water_name.to_numpy(dtype=object))
    words = np.full(len(traced), f"No inlet is known within {max_gutter_ft:g} ft.", dtype=object)
    words[~is_placed] = "The vault has no position on the map."
    has_name = ~pd.isna(water_named)
    how = np.full(len(traced), "; straight gutter run", dtype=object)
    if "placed_by" in traced:
        by = traced["placed_by"].to_numpy(dtype=object)
        how[by == "curb"] = "; run along the curb"
        how[by == "side"] = ", on its side of the street as far as known; straight gutter run"
        how[by == "choice"] = ", as named by hand; straight gutter run"
    cases: list[tuple[BoolArray, Texts | str, Texts | str, str, Texts | str]] = [
        (status == "complete", "Runs to outfall ", outfall, " and into ", name),
        (status == "no_outfall", "Ends at node ", end, ", from which nothing is known to lead", ""),
        (status == "loop", "Comes to node ", end, ", where the pipes run in a circle", ""),
        (
            status == "sewer",
            "Enters a combined or sanitary sewer at node ",
            entry,
            "; ask the owner of that sewer",
            "",
        ),
        (status == "private", "Enters a private drain", "", "; ask its owner", ""),
        (status == "dry_well", "Ends in a dry well at node ", end, ", and so in the ground", ""),
        (status == "pump_station", "Ends at a pump station at node ", end, "", ""),
        (status == "sewer_plant", "Runs to a sewage works at node ", end, "; ask its owner", ""),
        (
            (status == "no_water") & ~has_name,
            "Outfall ",
            outfall,
            " does not say which water it runs into",
            "",
        ),
        (
            (status == "no_water") & has_name,
            "Outfall ",
            outfall,
            " names a water that is not listed: ",
            named,
        ),
    ]
    for mask, *parts in cases:
        if not mask.any():
            continue
        sentence: Any = ""
        for part in parts:
            sentence = sentence + (part if isinstance(part, str) else part[mask])
        words[mask] = sentence + ". From inlet " + inlet[mask] + how[mask] + "."
    for doubt, mask in doubts.items():
        words[mask] = words[mask] + (" " + doubt)
    return words


def _shown(values: Texts) -> Texts:
    return np.where(pd.isna(values), "?", values)
