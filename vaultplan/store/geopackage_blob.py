"""GeoPackage binary: a small header before each geometry's well-known binary.

References
----------
Open Geospatial Consortium (2021), GeoPackage Encoding Standard 1.3.1, OGC 12-128r18,
clause 2.1.3 (BLOB format).
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Sequence
from typing import Final, TypeAlias

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.base import BaseGeometry

Geometries: TypeAlias = npt.NDArray[np.object_]
Box: TypeAlias = tuple[float, float, float, float]

_HEAD: Final = struct.Struct("<2sBBi")
_HEAD_AND_ENVELOPE: Final = struct.Struct("<2sBBi4d")
_LITTLE_ENDIAN: Final = 0x01
_WITH_ENVELOPE: Final = 0x02
_EMPTY: Final = 0x10
#: Bytes of the envelope for each of its codes: none, xy, xyz, xym, xyzm.
_ENVELOPE_BYTES: Final = (0, 32, 48, 48, 64)
_HEAD_BYTES: Final = 8
_POINT_BYTES: Final = 21


def encode(geometries: Iterable[BaseGeometry | None], srid: int) -> list[bytes | None]:
    """Return each geometry as GeoPackage binary, and None where there is none.

    Points carry no envelope (it would only repeat them), other geometries do, so that an index
    can be built from the header alone. Heights are dropped: the tables are two-dimensional.

    >>> encode([shapely.Point(3, 4), None], 32606)[0][:2]
    b'GP'
    """
    array = np.asarray(list(geometries), dtype=object)
    wkbs = shapely.to_wkb(array, output_dimension=2, byte_order=1)
    if not len(array):
        return []
    is_point = shapely.get_type_id(array) == 0
    is_empty = shapely.is_empty(array)
    bounds = shapely.bounds(array)
    point_head = _HEAD.pack(b"GP", 0, _LITTLE_ENDIAN, srid)
    empty_head = _HEAD.pack(b"GP", 0, _LITTLE_ENDIAN | _EMPTY, srid)
    blobs: list[bytes | None] = []
    for wkb, point, empty, box in zip(
        wkbs.tolist(), is_point.tolist(), is_empty.tolist(), bounds.tolist(), strict=True
    ):
        if wkb is None:
            blobs.append(None)
        elif empty:
            blobs.append(empty_head + wkb)
        elif point:
            blobs.append(point_head + wkb)
        else:
            west, south, east, north = box
            head = _HEAD_AND_ENVELOPE.pack(
                b"GP", 0, _LITTLE_ENDIAN | _WITH_ENVELOPE, srid, west, east, south, north
            )
            blobs.append(head + wkb)
    return blobs


def wkb_of(blob: bytes) -> bytes:
    """Return the well-known binary inside a GeoPackage blob.

    Raises
    ------
    ValueError
        If the bytes are not GeoPackage binary.
    """
    if blob[:2] != b"GP" or len(blob) <= _HEAD_BYTES:
        raise ValueError("this is not a GeoPackage geometry")
    return blob[_HEAD_BYTES + _ENVELOPE_BYTES[(blob[3] >> 1) & 7] :]


def decode(blobs: Sequence[bytes | None]) -> Geometries:
    """Return the geometries of GeoPackage blobs, read in one go."""
    wkbs = np.empty(len(blobs), dtype=object)
    wkbs[:] = [None if blob is None else wkb_of(blob) for blob in blobs]
    geometries: Geometries = shapely.from_wkb(wkbs)
    return geometries


def decode_one(blob: bytes) -> BaseGeometry:
    """Return the geometry of one GeoPackage blob."""
    geometry: BaseGeometry = shapely.from_wkb(wkb_of(blob))
    return geometry


def srid_of(blob: bytes) -> int:
    """Return the number of the coordinate system that a blob names."""
    order = "<" if blob[3] & _LITTLE_ENDIAN else ">"
    srid: int = struct.unpack_from(f"{order}i", blob, 4)[0]
    return srid


def is_empty(blob: bytes) -> bool:
    """Return whether a blob holds an empty geometry."""
    return bool(blob[3] & _EMPTY)


def bounds_of(blob: bytes) -> Box | None:
    """Return west, south, east and north of a blob's geometry; None if it is empty.

    Taken from the header where that has an envelope and from the coordinates of a plain point;
    only what other programs wrote without one is decoded.
    """
    if is_empty(blob):
        return None
    if (blob[3] >> 1) & 7:
        order = "<" if blob[3] & _LITTLE_ENDIAN else ">"
        west, east, south, north = struct.unpack_from(f"{order}4d", blob, _HEAD_BYTES)
        return west, south, east, north
    if len(blob) == _HEAD_BYTES + _POINT_BYTES:
        order = "<" if blob[_HEAD_BYTES] else ">"
        x, y = struct.unpack_from(f"{order}2d", blob, _HEAD_BYTES + 5)
        return x, y, x, y
    box: Box = decode_one(blob).bounds
    return box
