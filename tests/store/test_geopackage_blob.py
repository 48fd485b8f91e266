"""GeoPackage binary: what goes in comes out, and the header says what the standard says."""

import struct

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString, MultiPolygon, Point, Polygon, box

from vaultplan.store.geopackage_blob import (
    bounds_of,
    decode,
    decode_one,
    encode,
    is_empty,
    srid_of,
    wkb_of,
)

number = st.floats(-1e7, 1e7, allow_nan=False)
pair = st.tuples(number, number)
points = st.builds(Point, pair)
lines = st.lists(pair, min_size=2, max_size=6).map(LineString)
boxes = st.tuples(pair, pair).map(lambda c: box(*c[0], *c[1]))
shapes = st.one_of(
    points,
    lines,
    boxes,
    st.lists(boxes, min_size=1, max_size=3).map(MultiPolygon),
    st.lists(points, min_size=1, max_size=3).map(shapely.multipoints),
    st.sampled_from([Point(), LineString(), Polygon(), MultiPolygon()]),
)


@given(st.lists(st.none() | shapes, max_size=8), st.sampled_from([32606, 2227, 0, -1]))
def test_geometries_come_back_and_say_their_bounds(geometries, srid):
    blobs = encode(geometries, srid)
    back = decode(blobs)
    assert len(back) == len(geometries)
    for given_one, blob, read in zip(geometries, blobs, back, strict=True):
        if given_one is None:
            assert blob is None
            assert read is None
            continue
        assert shapely.to_wkb(read) == shapely.to_wkb(given_one)
        assert srid_of(blob) == srid
        assert is_empty(blob) == given_one.is_empty
        assert bounds_of(blob) == (None if given_one.is_empty else given_one.bounds)


def test_header_of_a_point_by_hand():
    blob = encode([Point(3, 4)], 32606)[0]
    assert blob == b"GP" + bytes([0, 0b0000_0001]) + struct.pack("<i", 32606) + struct.pack(
        "<BIdd", 1, 1, 3, 4
    )


def test_header_of_a_line_carries_its_envelope_x_first():
    blob = encode([LineString([(1, 10), (5, 2)])], 7)[0]
    assert blob[3] == 0b0000_0011
    assert struct.unpack_from("<4d", blob, 8) == (1, 5, 2, 10)


def test_big_endian_and_other_envelopes_of_other_programs_are_read():
    wkb = struct.pack(">BIdd", 0, 1, 3, 4)
    plain = b"GP\x00\x00" + struct.pack(">i", 2227) + wkb
    assert (srid_of(plain), bounds_of(plain)) == (2227, (3, 4, 3, 4))
    assert decode_one(plain) == Point(3, 4)
    line = shapely.to_wkb(LineString([(1, 10), (5, 2)]))
    xyz = b"GP\x00" + bytes([0b0101]) + struct.pack("<i6d", 1, 1, 5, 2, 10, 0, 0) + line
    assert bounds_of(xyz) == (1, 2, 5, 10)
    assert decode_one(xyz).length == pytest.approx(80**0.5)
    bare = b"GP\x00" + bytes([0b0001]) + struct.pack("<i", 1) + line
    assert bounds_of(bare) == (1, 2, 5, 10)


def test_heights_are_dropped():
    assert not decode_one(encode([Point(1, 2, 3)], 1)[0]).has_z


def test_bytes_of_another_kind_are_refused():
    with pytest.raises(ValueError, match="not a GeoPackage geometry"):
        wkb_of(shapely.to_wkb(Point(0, 0)))


def test_no_rows_give_no_rows():
    assert encode([], 1) == []
    assert decode([]).dtype == np.dtype(object)
