"""Arrow's columns as text and shapes, for every reader that goes through Arrow."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import shapely


def text_of(values: pa.Array) -> pa.Array:
    """Return values as text that reads back as the same value; 1001.0 becomes 1001.

    Times come as ``2024-01-02T03:04:05``, in UTC and with a ``Z`` if they have a zone. What is
    not a number is blank, and so are bytes and nested values, which text cannot hold.

    Raises
    ------
    pyarrow.ArrowInvalid
        If a text is not UTF-8.

    Examples
    --------
    >>> text_of(pa.array([1001.0, float("nan"), 0.5])).to_pylist()
    ['1001', None, '0.5']
    """
    kind: Any = values.type
    if pa.types.is_dictionary(kind):
        return text_of(values.dictionary_decode())
    if is_bytes(kind) or pa.types.is_nested(kind):
        return pa.nulls(len(values), pa.string())
    if pa.types.is_timestamp(kind):
        return _time_text(values)
    if pa.types.is_floating(kind):
        values = pc.if_else(pc.is_nan(values), None, values)
    written = values.cast(pa.string())
    if pa.types.is_floating(kind):
        return pc.replace_substring_regex(written, r"\.0$", "")
    if pa.types.is_time(kind):
        return pc.replace_substring_regex(written, r"\.0+$", "")
    written.validate(full=True)
    return written


def shapes_of(values: pa.Array) -> tuple[np.ndarray, np.ndarray]:
    """Return shapes from WKB, and which of them are there but cannot be understood."""
    stored = values.to_numpy(zero_copy_only=False)
    geometry = shapely.from_wkb(stored, on_invalid="ignore")
    return geometry, np.asarray(shapely.is_missing(geometry) & pd.notna(stored))


def is_bytes(kind: pa.DataType) -> bool:
    """Return whether a column holds bytes rather than text."""
    some = (pa.types.is_binary, pa.types.is_large_binary, pa.types.is_fixed_size_binary)
    return any(is_one(kind) for is_one in some) or kind == pa.binary_view()


def _time_text(values: pa.Array) -> pa.Array:
    if values.type.tz is not None:
        values = values.cast(pa.timestamp(values.type.unit, "UTC"))
    written = pc.replace_substring(values.cast(pa.string()), " ", "T", max_replacements=1)
    return pc.replace_substring_regex(written, r"\.0+(Z?)$", r"\1")
