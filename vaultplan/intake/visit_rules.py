"""What the trade knows of visits: clocks, findings, depths and gallons that cannot be."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.intake.around import Around
from vaultplan.intake.findings import FindingBook
from vaultplan.intake.keys import SeenKeys, key_hashes
from vaultplan.intake.reading import Reading
from vaultplan.units import GAL_PER_CUFT, IN_PER_FT

Floats = npt.NDArray[np.float64]
Texts = dict[str, "pd.Series[Any]"]

_FACTS: Final = ("status", "shape", "length_ft", "width_ft", "depth_ft", "gear_frac")
_IDLE: Final = ("retired", "other_owner")
#: A depth in feet makes gallons 12 times what depth and floor give; assumed bounds around it.
_FEET_RATIO: Final = (8.0, 18.0)
#: Depths are read off a rod to the inch; deeper than the vault by more than this is wrong.
_ROD_IN: Final = 1.0


@dataclass(slots=True)
class VisitRules:
    """Holds visits to what the trade knows, across the chunks of one file."""

    around: Around
    reading: Reading
    _seen: SeenKeys = field(default_factory=SeenKeys)

    def check(self, frame: pd.DataFrame, text: Texts, book: FindingBook) -> pd.DataFrame:
        """Return visits with repairs asked for in place; what is odd is in the book."""
        mended = frame.copy(deep=False)
        self._say_dry(mended, book)
        if "visited_at" in frame:
            self._check_times(mended, text, book)
        # A depth in feet looks less than what was left, so units come before comparisons.
        if "vault_id" in frame and not self.around.vaults.empty:
            self._check_against_vault(mended, text, book)
        if {"depth_in", "left_depth_in"} <= set(frame):
            _check_left(mended, text, book)
        if "finding" in frame:
            _check_dry(mended, text, book)
        return mended

    def _say_dry(self, frame: pd.DataFrame, book: FindingBook) -> None:
        """Set the finding to dry where that word stood for a depth, and nothing else is found."""
        rows = book.repaired_in_chunk("word_for_dry")
        if not len(rows):
            return
        finding = (
            frame["finding"].copy()
            if "finding" in frame
            else pd.Series(None, index=frame.index, dtype="str")
        )
        at = finding.index.isin(rows) & finding.isna().to_numpy()
        before = finding[at].astype("str")
        finding[at] = "dry"
        frame["finding"] = finding
        book.set_beyond("finding", finding.index[at])
        book.change("word_for_dry", "finding", before, finding[at])

    def _check_times(self, frame: pd.DataFrame, text: Texts, book: FindingBook) -> None:
        zone, settings = self.reading.local_zone, self.around.settings
        times, written = frame["visited_at"], text["visited_at"]
        if self.around.now is not None:
            late = (times > self.around.now).fillna(value=False)
            meant = _day_and_month_swapped(times[late], zone)
            meant = meant.where(meant <= self.around.now)
            accepted = book.add(
                "future",
                "visited_at",
                written[late],
                "has not come yet",
                "correct the day; a visit cannot be in the future",
                repairs=_stamp(meant),
            )
            times = _with(times, accepted)
        local = times.dt.tz_convert(zone)
        hour, stamped = local.dt.hour, times.dt.hour
        first, last = settings.night_from, settings.night_to
        at_night = (hour >= first) | (hour < last) if first > last else hour.between(first, last)
        by_day = (stamped >= last) & (stamped < first)
        shifted = at_night.fillna(value=False) & by_day.fillna(value=False)
        if shifted.any():
            shifted &= written.str.contains(r"(?:Z|[+-]00:?00)$", na=False)
        if shifted.any() and zone != "UTC":
            as_local = (
                times[shifted]
                .dt.tz_localize(None)
                .dt.tz_localize(zone, ambiguous="NaT", nonexistent="NaT")
            )
            accepted = book.add(
                "clock_shifted",
                "visited_at",
                written[shifted],
                "is at night; in working hours if it was local time",
                "check how the times were exported; leave it if crews worked that night",
                repairs=_stamp(as_local.dt.tz_convert("UTC")),
            )
            times = _with(times, accepted)
        frame["visited_at"] = times
        self._check_locked(frame, times, text, book)
        self._check_twice(frame, text, book)

    def _check_locked(
        self, frame: pd.DataFrame, times: pd.Series[Any], text: Texts, book: FindingBook
    ) -> None:
        """Find visits on days that a manager locked, and rows that would take one from there."""
        days = times.dt.tz_convert(self.reading.local_zone).dt.tz_localize(None).dt.normalize()
        is_within = pd.Series(data=False, index=days.index)
        for first, last in self.around.locked:
            is_now = days.between(first, last)
            is_within |= is_now
            book.add(
                "period_locked",
                "visited_at",
                text["visited_at"][is_now],
                f"is within {first:%Y-%m-%d} to {last:%Y-%m-%d}, which is locked",
                "correct the day, or ask a manager to open that period again",
            )
        if self.around.locked_ids and "visit_id" in frame:
            goes = frame["visit_id"].isin(self.around.locked_ids) & ~is_within
            book.add(
                "period_locked",
                "visit_id",
                text["visit_id"][goes],
                "is stored as a visit of a period that is locked",
                "give the visit another id, or ask a manager to open that period again",
            )

    def _check_twice(self, frame: pd.DataFrame, text: Texts, book: FindingBook) -> None:
        if "vault_id" not in frame:
            return
        known = frame[["vault_id", "visited_at"]].dropna()
        hashes = key_hashes(known, ["vault_id", "visited_at"])
        rows = known.index.to_numpy(dtype=np.int64)
        again = (self._seen.earlier(hashes) > 0) | pd.Series(hashes).duplicated().to_numpy()
        self._seen.add(hashes[~again], rows[~again])
        book.add(
            "visit_twice",
            "visited_at",
            text["visited_at"].loc[known.index[again]],
            "is the moment of another visit to the vault",
            "delete the double entry, or correct its time",
        )

    def _check_against_vault(self, frame: pd.DataFrame, text: Texts, book: FindingBook) -> None:
        facts = self.around.vaults[list(_FACTS)].reindex(frame["vault_id"].fillna(""))
        facts.index = frame.index
        idle = facts["status"].isin(_IDLE)
        what = "is a vault that is not worked in"
        remedy = "nothing to do if the visit was before that"
        book.add("visit_at_idle", "vault_id", text["vault_id"][idle], what, remedy)
        area = _floor_sqft(facts)
        room_in = facts["depth_ft"].astype("float64") * IN_PER_FT
        if "depth_in" in frame:
            self._check_depths(frame, text, book, area, room_in)
        if "volume_gal" in frame:
            capacity = area * facts["depth_ft"] * GAL_PER_CUFT
            over = frame["volume_gal"] > capacity * self.around.settings.capacity_slack
            held = [f"is more than the {gal:,.0f} gal the vault holds" for gal in capacity[over]]
            book.add(
                "above_capacity",
                "volume_gal",
                text["volume_gal"][over],
                "is more than the vault holds",
                "check the unit and the vault's size",
                details=held,
            )

    @staticmethod
    def _check_depths(
        frame: pd.DataFrame,
        text: Texts,
        book: FindingBook,
        area: pd.Series[Any],
        room_in: pd.Series[Any],
    ) -> None:
        depth = frame["depth_in"]
        deep = depth > room_in + _ROD_IN
        book.add(
            "too_deep",
            "depth_in",
            text["depth_in"][deep],
            "is deeper than the vault",
            "check the unit of the depth and the vault's own depth",
            details=[f"is deeper than the vault's {room:.0f} in" for room in room_in[deep]],
        )
        if "volume_gal" not in frame:
            return
        ratio = frame["volume_gal"] / (area * depth / IN_PER_FT * GAL_PER_CUFT).where(depth > 0)
        low, high = _FEET_RATIO
        in_feet = ratio.between(low, high) & (depth * IN_PER_FT <= room_in + _ROD_IN)
        accepted = book.add(
            "depth_in_feet",
            "depth_in",
            text["depth_in"][in_feet],
            "fits the volume only if it is in feet",
            "correct it, or ask for the repair",
            repairs=(depth[in_feet] * IN_PER_FT).round(3),
        )
        frame["depth_in"] = _with(depth, accepted)


def _check_left(frame: pd.DataFrame, text: Texts, book: FindingBook) -> None:
    depth, left = frame["depth_in"], frame["left_depth_in"]
    more = left > depth
    accepted = book.add(
        "left_more",
        "left_depth_in",
        text["left_depth_in"][more],
        "is more than was found",
        "swap or correct the two depths",
        repairs=depth[more],
    )
    if len(accepted):
        swapped = left.loc[accepted.index]
        book.change("left_more", "depth_in", depth, swapped)
        frame["depth_in"] = _with(depth, swapped)
        frame["left_depth_in"] = _with(left, accepted)


def _check_dry(frame: pd.DataFrame, text: Texts, book: FindingBook) -> None:
    blank = pd.Series(np.nan, index=frame.index)
    depth = frame.get("depth_in", blank)
    volume = frame.get("volume_gal", blank)
    finding = frame["finding"]
    wet = finding.eq("dry").fillna(value=False).astype(bool) & ((depth > 0) | (volume > 0))
    accepted = book.add(
        "dry_with_water",
        "finding",
        text["finding"].where(text["finding"].notna(), finding)[wet],
        "is dry, yet depth or volume is given",
        "correct the finding or the number",
        repairs=finding[wet].mask(finding[wet].notna(), "wet"),
    )
    frame["finding"] = _with(finding, accepted)
    if "depth_in" in frame:
        unclear = (depth == 0) & finding.isna()
        book.add(
            "zero_unclear",
            "depth_in",
            text["depth_in"][unclear],
            "is 0 without a finding",
            "enter dry if it was dry, or leave the depth blank if nobody measured",
        )


def _floor_sqft(facts: pd.DataFrame) -> pd.Series[Any]:
    """Return the floor that water can stand on, ft2; blank where a size is not known."""
    is_round = facts["shape"].eq("round").fillna(value=False).to_numpy(dtype=bool)
    length, width = facts["length_ft"].astype("float64"), facts["width_ft"].astype("float64")
    gross = (np.pi / 4.0 * length**2).where(is_round, length * width)
    return gross * (1.0 - facts["gear_frac"].astype("float64").fillna(0.0).clip(0.0, 0.9))


def _day_and_month_swapped(times: pd.Series[Any], zone: str) -> pd.Series[Any]:
    """Return moments with day and month the other way round; blank where there is no such day."""
    local = times.dt.tz_convert(zone)
    swapped = local.dt.strftime("%Y-%d-%m %H:%M:%S")
    naive = pd.to_datetime(swapped, format="%Y-%m-%d %H:%M:%S", errors="coerce")
    aware = naive.dt.tz_localize(zone, ambiguous="NaT", nonexistent="NaT")
    found: pd.Series[Any] = aware.dt.tz_convert("UTC")
    return found


def _stamp(times: pd.Series[Any]) -> pd.Series[Any]:
    text: pd.Series[Any] = times.dt.strftime("%Y-%m-%dT%H:%M:%SZ").astype("str")
    return text


def _with(values: pd.Series[Any], accepted: pd.Series[Any]) -> pd.Series[Any]:
    """Return values with accepted repairs in place, in their own type."""
    if not len(accepted):
        return values
    mended = values.copy()
    is_time = isinstance(values.dtype, pd.DatetimeTZDtype)
    fitting = pd.to_datetime(accepted, utc=True) if is_time else accepted
    mended.loc[accepted.index] = fitting.astype(values.dtype)
    return mended
