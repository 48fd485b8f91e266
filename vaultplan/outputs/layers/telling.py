"""What a stop says of itself in few words, for devices that show a line or two."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import pandas as pd

from vaultplan.outputs.labels import low_to_high, printable, whole

_KINDS: Final = {
    "pump_out": "pump out, then work",
    "work": "work after the vacuum truck",
    "vacuum": "take the water away",
    "dump": "dump",
}
_GATES: Final = {
    "go": "planned to go ahead",
    "hold": "hold: call first",
    "refer": "refer: call first",
}


def stop_key(stop: Mapping[Any, Any]) -> str:
    """Return what names a stop from plan to plan: its order, or truck, day and number of a dump.

    >>> stop_key({"order_id": "WO-7", "kind": "work"})
    'WO-7 work'
    """
    if not _is_blank(stop["order_id"]):
        return f"{stop['order_id']} {stop['kind']}"
    return f"{stop['truck_id']} {stop['on']:%Y-%m-%d} {stop['stop_number']}"


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
    if stop["kind"] != "dump":
        parts.append(method_words(stop))
    if stop["kind"] in ("vacuum", "dump") and not _is_blank(stop["load_gal"]):
        parts.append(f"{whole(stop['load_gal'])} gal")
    elif not _is_blank(stop["volume_gal_p10"]) and not _is_blank(stop["volume_gal_p90"]):
        band = low_to_high(stop["volume_gal_p10"], stop["volume_gal_p90"])
        emptied = " before the vacuum truck" if stop["kind"] == "work" else ""
        parts.append(f"{band} gal expected{emptied}")
    if stop["kind"] != "dump":
        gate = "" if _is_blank(stop["gate"]) else stop["gate"]
        parts.append(_GATES.get(gate, "not decided: call first"))
    return ", ".join(parts)


def method_words(stop: dict[str, Any]) -> str:
    """Return how the water goes, in words.

    >>> method_words({"method": "filter_sock"}), method_words({"method": None})
    ('filter sock', 'method not decided')
    """
    if _is_blank(stop["method"]):
        return "method not decided"
    return str(stop["method"]).replace("_", " ")


def _is_blank(value: Any) -> bool:
    return value is None or bool(pd.isna(value))
