"""The week as a map page that works with no network."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from vaultplan import schema
from vaultplan.errors import CRSError
from vaultplan.outputs.files import whole_file
from vaultplan.outputs.maps.data import Audience, Common, page_data
from vaultplan.outputs.maps.page import page
from vaultplan.outputs.plan_view import crs_of
from vaultplan.settings import Settings

_TITLES: Final = {"week": (), "watch": ("Watch-list",), "dirty": ("Where dirty water was seen",)}


def write_map(
    frames: schema.Frames,
    path: Path,
    *,
    settings: Settings,
    audience: Audience = "week",
    detail_limit: int = 10_000,
    common: Common | None = None,
) -> None:
    """Write a map of the week as one self-contained HTML page.

    Parameters
    ----------
    frames
        Tables of the plan, of ``schema.TABLES``; those with places share one CRS. Forecast and
        decision are those of the first planned day.
    path
        Page to write; one that is there is replaced, whole or not at all.
    settings
        For the time zone and the utility's name and contact.
    audience
        ``week``: trucks, stops and orders left out. ``watch``: planned discharges by the water
        they reach, for the specialist. ``dirty``: where dirty water was seen, for the analyst.
    detail_limit
        Most vaults drawn as points, half as many where the fleet is ten times as large. In a
        larger fleet all vaults are counted in hexes, and points are drawn for the week's vaults,
        the best-ranked orders and the most expected dirty water; on ``dirty`` for those seen dirty
        most often.
    common
        From :func:`vaultplan.outputs.maps.data.common_of`, where several audiences get a page.

    Raises
    ------
    CRSError
        If no table has places, or their CRS are missing or differ.
    OutputError
        If the folder does not exist, there is not exactly one plan, or the page would need the
        network.

    Notes
    -----
    Places are drawn in EPSG:4326 to 0.000001 degree; lines are simplified by 2 to 10 ft, of a
    large fleet by three times that. The page holds no basemap, and a content security policy
    forbids it to load or run anything else; where ``settings.outputs.basemap_url`` names tiles,
    those may be loaded, and all else shows without them. The same plan gives the same bytes.
    """
    if crs_of(frames) is None:
        raise CRSError("no table has a place with a CRS, so there is no map to draw")
    data = page_data(frames, settings, detail_limit, audience, common)
    words = (*_TITLES[audience], data["head"]["utility"], data["head"]["week"])
    title = " - ".join(text for text in words if text)
    with whole_file(path) as unfinished:
        unfinished.write_text(page(title, data), encoding="utf-8", newline="\n")
