"""The square code on a card, by which a phone or a later entry form knows the stop."""

from __future__ import annotations

from functools import lru_cache
from io import BytesIO
from typing import Final
from urllib.parse import urlencode

import segno

from vaultplan.outputs.sheets.week import Row

_KEYS: Final = {"vault": "vault_id", "site": "site_id", "order": "order_id", "plan": "plan_id"}


def code_text(stop: Row) -> str:
    """Return what the code of a stop says: its ids, as the query part of a URL (RFC 3986).

    >>> code_text({"vault_id": "V 7", "site_id": None, "order_id": "O-1", "plan_id": "P"})
    'vault=V+7&order=O-1&plan=P'
    """
    return urlencode({key: str(stop[name]) for key, name in _KEYS.items() if stop.get(name)})


@lru_cache(maxsize=20_000)
def code_svg(text: str) -> str:
    """Return a text as QR code (ISO/IEC 18004, level M) in SVG, without a margin."""
    drawn = BytesIO()
    segno.make(text, error="m", micro=False).save(
        drawn, kind="svg", border=0, xmldecl=False, nl=False
    )
    return drawn.getvalue().decode("utf-8")
