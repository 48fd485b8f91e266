"""Coordinate systems and distances: one projected CRS per database, its foot named."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import pyproj

from vaultplan.errors import CRSError
from vaultplan.units import M_PER_FT, M_PER_US_SURVEY_FT

LONLAT = pyproj.CRS.from_epsg(4326)


@dataclass(frozen=True, slots=True)
class Foot:
    """The foot that lengths of one database are given in.

    ``per_unit`` turns one unit of the CRS into this foot.
    """

    name: str
    metres: float
    per_unit: float


def projected_crs(text: str) -> pyproj.CRS:
    """Return the projected CRS that ``text`` names.

    Parameters
    ----------
    text
        An authority code such as ``EPSG:32606``.

    Raises
    ------
    CRSError
        If the code is unknown, has no EPSG number, or is not a projected CRS in feet or metres.

    Examples
    --------
    >>> projected_crs("EPSG:32606").name
    'WGS 84 / UTM zone 6N'
    """
    try:
        crs = pyproj.CRS.from_user_input(text)
    except pyproj.exceptions.CRSError as error:
        raise CRSError(f"{text!r} is not a known CRS; give a code such as EPSG:2227") from error
    if crs.to_epsg() is None:
        raise CRSError(f"{text!r} has no EPSG number; give a code such as EPSG:2227")
    if not crs.is_projected:
        raise CRSError(
            f"{text} ({crs.name}) is not projected, so lengths in it are degrees; "
            "choose the state-plane or UTM zone of your service area"
        )
    foot_of(crs)
    return crs


def srid_of(crs: pyproj.CRS) -> int:
    """Return the EPSG number of a CRS that came from :func:`projected_crs`."""
    srid = crs.to_epsg()
    if srid is None:
        raise CRSError(f"{crs.name} has no EPSG number")
    return int(srid)


def foot_of(crs: pyproj.CRS) -> Foot:
    """Return the foot in which lengths measured in ``crs`` are stated.

    A CRS in US survey feet keeps that foot; one in international feet or metres gives
    international feet. The two feet differ by 2 parts in a million: nothing for a hose, some
    12 ft for a state-plane coordinate read with the wrong one.

    >>> foot_of(projected_crs("EPSG:2227")).name
    'US survey foot'
    """
    metres = float(crs.axis_info[0].unit_conversion_factor)
    if abs(metres - M_PER_US_SURVEY_FT) < 1e-12:
        return Foot("US survey foot", M_PER_US_SURVEY_FT, 1.0)
    if abs(metres - M_PER_FT) < 1e-12:
        return Foot("international foot", M_PER_FT, 1.0)
    if abs(metres - 1.0) < 1e-12:
        return Foot("international foot", M_PER_FT, 1.0 / M_PER_FT)
    raise CRSError(f"{crs.name} is measured in {crs.axis_info[0].unit_name}, not feet or metres")


def feet_per_unit(frame: gpd.GeoDataFrame) -> float:
    """Return what one unit of the frame's CRS is in feet.

    Raises
    ------
    CRSError
        If the frame has no CRS or the CRS is not projected.
    """
    if frame.crs is None:
        raise CRSError("the table has no CRS, so its lengths mean nothing; set one first")
    if not frame.crs.is_projected:
        raise CRSError(f"the table is in {frame.crs.name}, which is not projected")
    return foot_of(frame.crs).per_unit


def require_same_crs(**frames: gpd.GeoDataFrame) -> pyproj.CRS:
    """Return the one CRS that all named frames share.

    Raises
    ------
    CRSError
        If a frame has none or they differ; the message names the tables.
    """
    named = {name: frame.crs for name, frame in frames.items()}
    missing = [name for name, crs in named.items() if crs is None]
    if missing:
        raise CRSError(f"no CRS in: {', '.join(missing)}")
    first, *others = named.items()
    unequal = [name for name, crs in others if crs != first[1]]
    if unequal:
        raise CRSError(f"{', '.join(unequal)} not in the CRS of {first[0]} ({first[1].name})")
    shared: pyproj.CRS = first[1]
    return shared
