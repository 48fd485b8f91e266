"""The yearly report's lines: sums of whole tenths of a gallon, unknown ones counted beside them."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.analysis.annual.book import BASES, HAULED, OTHER_ENDS, UNKNOWN_WATER, WAYS
from vaultplan.analysis.annual.rows import BREAKDOWNS, NO_OUTFALL, NOT_KNOWN
from vaultplan.schema import GRADES, METHODS

#: What a line sums, each in whole numbers.
SUMS: Final = (
    *("events", "unknown_events", "tenths", "measured_tenths", "estimated_tenths"),
    *("unstated_tenths", "socks", "unknown_sock_events"),
)
#: Lines that are there with zeros too, in their order.
_ORDERS: Final = {
    "all": ("all",),
    "method": (*METHODS, "unknown"),
    "month": tuple(f"{number:02d}" for number in range(1, 13)),
    "basis": BASES,
    "way": WAYS,
    "grade": (*GRADES, "unknown"),
}
#: These stand after all that have a name.
_LAST: Final = (*OTHER_ENDS.values(), HAULED, UNKNOWN_WATER, NO_OUTFALL, NOT_KNOWN)


def lines_of(book: pd.DataFrame, keys: pd.DataFrame) -> pd.DataFrame:
    """Return every line of the report.

    Parameters
    ----------
    book
        From :func:`vaultplan.analysis.annual.book.year_book`.
    keys
        From :func:`vaultplan.analysis.annual.rows.line_keys`, of the same visits in their order.

    Returns
    -------
    pandas.DataFrame
        ``breakdown`` and ``key``; ``events`` (pump-outs) and ``unknown_events`` (those of them
        whose gallons nobody knows); ``tenths`` (0.1 gal, of the others) and how much of it was
        measured, estimated, or does not say; ``socks`` and ``unknown_sock_events`` (sock jobs that
        do not say how many). All whole numbers: the lines of a breakdown add up to the line
        ``all`` exactly, and each line to its visits.

    Notes
    -----
    Months and methods without a pump-out have a line of zeros. Gallons that are unknown are never
    added as zero: they are counted beside the sum.
    """
    events = book[book["counted"].eq("pump-out")]
    known = events["tenths"].notna().to_numpy()
    tenths = events["tenths"].fillna(0).to_numpy(np.int64)
    basis = events["basis"].to_numpy(dtype=object)
    by_sock = events["method"].eq("filter_sock").to_numpy(bool)
    numbers = {
        "events": np.ones(len(events), dtype=np.int64),
        "unknown_events": (~known).astype(np.int64),
        "tenths": tenths,
        "measured_tenths": np.where(basis == "measured", tenths, 0),
        "estimated_tenths": np.where(basis == "estimated", tenths, 0),
        "unstated_tenths": np.where(basis == "not stated", tenths, 0),
        "socks": events["socks_used"].fillna(0).to_numpy(np.int64),
        "unknown_sock_events": (by_sock & events["socks_used"].isna().to_numpy()).astype(np.int64),
    }
    parts = [_part(name, keys[name], numbers) for name in BREAKDOWNS]
    return pd.concat(parts, ignore_index=True)


def _part(
    name: str, key: pd.Series[str], numbers: dict[str, npt.NDArray[np.int64]]
) -> pd.DataFrame:
    wanted = list(_ORDERS.get(name, ()))
    sums = pd.DataFrame(numbers).groupby(key.to_numpy(dtype=object)).sum()
    more = sums.loc[[word for word in sums.index if word not in wanted]]
    by_size = more.sort_values(["tenths", "events"], ascending=False, kind="stable").index
    named_first = sorted(by_size, key=lambda word: str(word).split(" / ")[0] in _LAST)
    sums = sums.reindex([*wanted, *named_first], fill_value=0).astype("int64")
    told = sums.rename_axis("key").reset_index()
    told.insert(0, "breakdown", name)
    return told.astype({"key": "str"})


def part_of(lines: pd.DataFrame, breakdown: str) -> pd.DataFrame:
    """Return the lines of one breakdown."""
    return lines[lines["breakdown"].eq(breakdown)].reset_index(drop=True)


def drums_of(book: pd.DataFrame, drum_socks: int) -> tuple[int, int]:
    """Return the fewest and the most drums that the used socks of oily water fill.

    The fewest are of socks of water with a sheen, the most take in those of water whose sheen
    nobody noted; drums themselves are not recorded.
    """
    used = book.loc[book["counted"].eq("pump-out"), ["socks_used", "has_sheen"]]
    oily = int(used.loc[used["has_sheen"].eq(True).fillna(False), "socks_used"].sum())
    maybe = int(used.loc[used["has_sheen"].isna(), "socks_used"].sum())
    return -(-oily // drum_socks), -(-(oily + maybe) // drum_socks)
