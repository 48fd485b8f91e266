"""What a stop says of itself in few words, for devices that show a line or two."""

from __future__ import annotations

from typing import Any, Final

import pandas as pd

from vaultplan.outputs.labels import low_to_high, printable, whole

_KINDS: Final = {
    "pump_out": "pump out, then work",
    "work": "work after the vacuum truck",
    "vacuum": "take the water away",
    "dump": "dump",
}


def stop_name(stop: dict[str, Any]) -> str:
    """Return number and place of a stop.

    >>> stop_name({"stop_number": 3, "kind": "work", "vault_id": "V-1"})
    '3 V-1'
    """
    place = stop["site_name"] if stop["kind"] == "dump" else stop["vault_id"]
    words = printable(place, 60, may_break=False)
    return f"{stop['stop_number']} {words or 'not stated'}"


def stop_words(stop: dict[str, Any]) -> str:
    """Return what is done at a stop, how the water goes, how much, and whether it may go ahead."""
    parts = [_KINDS[stop["kind"]]]
    if stop["kind"] != "dump" and not _is_blank(stop["method"]):
        parts.append(str(stop["method"]).replace("_", " "))
    if stop["kind"] in ("vacuum", "dump") and not _is_blank(stop["load_gal"]):
        parts.append(f"{whole(stop['load_gal'])} gal")
    elif not _is_blank(stop["volume_gal_p10"]) and not _is_blank(stop["volume_gal_p90"]):
        parts.append(f"{low_to_high(stop['volume_gal_p10'], stop['volume_gal_p90'])} gal expected")
    if not _is_blank(stop["gate"]) and stop["gate"] != "go":
        parts.append(f"{stop['gate']}: call first")
    return ", ".join(parts)


def _is_blank(value: Any) -> bool:
    return value is None or bool(pd.isna(value))
