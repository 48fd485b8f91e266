"""What the trade knows of visits, on rows solved by hand."""

from __future__ import annotations

import pandas as pd
import pytest

from vaultplan.columns import FRAME_DTYPES
from vaultplan.intake.around import Around, vault_facts
from vaultplan.intake.findings import FindingBook
from vaultplan.intake.reading import Reading
from vaultplan.intake.rules import asked_for
from vaultplan.intake.visit_rules import VisitRules

ZONE = "Pacific/Honolulu"
NOW = pd.Timestamp("2026-10-31T00:00:00Z")
#: One room of 4 x 4 x 5 ft: 16 ft2 of floor, 60 in deep, 598.4 gal (NIST Handbook 44, Appendix C:
#: 231 cubic inches to the gallon).
VAULTS = vault_facts(None).reindex(["V1", "OLD"]).assign(
    kind="vault",
    status=["in_service", "retired"],
    shape="rectangular",
    length_ft=4.0,
    width_ft=4.0,
    depth_ft=5.0,
    gear_frac=0.0,
)  # fmt: skip


def checked(apply: tuple[str, ...] = (), **columns: list[object]):
    count = len(next(iter(columns.values())))
    given = {
        "visit_id": [f"N{i}" for i in range(count)],
        "vault_id": ["V1"] * count,
        "visited_at": [f"2026-10-{i + 1:02d}T20:00:00Z" for i in range(count)],
        **columns,
    }
    frame = pd.DataFrame(given, index=pd.RangeIndex(2, 2 + count))
    text = {name: frame[name].astype("str").where(frame[name].notna()) for name in frame}
    frame["visited_at"] = pd.to_datetime(frame["visited_at"], utc=True).astype(FRAME_DTYPES["time"])
    for name in set(frame) & {"finding", "vault_id"}:
        frame[name] = frame[name].astype("str")
    for name in set(frame) & {"depth_in", "left_depth_in", "volume_gal"}:
        frame[name] = frame[name].astype("float64")
    book = FindingBook(asked_for(apply) if apply else frozenset())
    rules = VisitRules(Around(vaults=VAULTS, now=NOW), Reading(local_zone=ZONE))
    mended = rules.check(frame, text, book)
    found = book.findings()
    return mended, sorted(zip(found["row"], found["rule"], strict=True)), book


def test_a_visit_as_it_should_be():
    found = checked(depth_in=[30.0], volume_gal=[299.0], finding=["wet"], left_depth_in=[0.0])[1]
    assert found == []


def test_what_has_not_come_yet():
    times = ["2026-12-01T20:00:00Z", "2026-10-30T20:00:00Z", "2031-05-09T20:00:00Z"]
    mended, found, book = checked(("future",), visited_at=times)
    assert found == [(2, "future"), (4, "future")]
    # 1 December as 12 January; no swap brings 2031 into the past.
    assert mended["visited_at"].iloc[0] == pd.Timestamp("2026-01-12T20:00:00Z")
    assert [fault.row for fault in book.faults()] == [4]


def test_local_time_stamped_as_utc():
    # 13:00 UTC is 3 in the morning in Honolulu; 13:00 there is 23:00 UTC.
    times = ["2026-10-01T13:00:00Z", "2026-10-01T20:00:00Z", "2026-10-01T03:00:00-10:00"]
    mended, found, _ = checked(("clock_shifted",), visited_at=times)
    assert found == [(2, "clock_shifted")]
    assert mended["visited_at"].iloc[0] == pd.Timestamp("2026-10-01T23:00:00Z")


def test_dry_with_water():
    mended, found, _ = checked(
        ("all",), finding=["dry", "dry", "dry"], depth_in=[3.0, None, 0.0],
        volume_gal=[None, 20.0, None],
    )  # fmt: skip
    assert found == [(2, "dry_with_water"), (3, "dry_with_water")]
    assert mended["finding"].tolist() == ["wet", "wet", "dry"]


def test_dry_zero_blank_and_not_measured_stay_apart():
    _, found, _ = checked(finding=["dry", None, None, "not_seen"], depth_in=[0, 0, None, None])
    assert found == [(3, "zero_unclear")]


@pytest.mark.parametrize(
    ("volume", "found"), [(598.0, []), (740.0, []), (760.0, [(2, "above_capacity")])]
)
def test_gallons_above_capacity(volume, found):
    # Water runs in while the pump runs, so a quarter more than 598.4 gal may be true; assumed.
    assert checked(volume_gal=[volume])[1] == found


def test_deeper_than_the_vault():
    assert checked(depth_in=[60.0, 61.0, 62.0])[1] == [(4, "too_deep")]


def test_a_depth_in_feet_and_then_what_was_left():
    # 2 ft over 16 ft2 are 239.4 gal; 2 in would be 19.9.
    mended, found, _ = checked(
        ("all",), depth_in=[2.0, 24.0], volume_gal=[239.0, 239.0], left_depth_in=[3.0, 3.0]
    )
    assert found == [(2, "depth_in_feet")]
    assert mended["depth_in"].tolist() == [24.0, 24.0]
    assert mended["left_depth_in"].tolist() == [3.0, 3.0]


def test_more_left_than_found():
    mended, found, book = checked(("left_more",), depth_in=[5.0], left_depth_in=[20.0])
    assert found == [(2, "left_more")]
    assert mended[["depth_in", "left_depth_in"]].values.tolist() == [[20.0, 5.0]]
    assert sorted(book.take_chunk()[1]["column"]) == ["depth_in", "left_depth_in"]


def test_the_same_moment_twice_and_visits_to_idle_vaults():
    times = ["2026-10-01T20:00:00Z"] * 2 + ["2026-10-02T20:00:00Z"]
    found = checked(visited_at=times, vault_id=["V1", "V1", "OLD"])[1]
    assert found == [(3, "visit_twice"), (4, "visit_at_idle")]
