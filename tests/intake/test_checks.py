"""Checks of typed rows: blanks, words, ranges, doubles and references, all at once."""

from __future__ import annotations

import pandas as pd

from vaultplan.intake.checks import KeyChecks, check_rows, frame_schema, range_text
from vaultplan.intake.faults import FaultBook
from vaultplan.schema import TABLES, table


def typed(name: str, first_row: int = 2, **columns: list[object]) -> pd.DataFrame:
    declared = table(name)
    given = {
        key: declared.column(key).cast(pd.Series(values, dtype=object))
        for key, values in columns.items()
    }
    frame = pd.DataFrame(given)
    frame.index = pd.RangeIndex(first_row, first_row + len(frame))
    return frame


def text_of(frame: pd.DataFrame) -> dict[str, pd.Series]:
    return {name: frame[name].astype("str") for name in frame}


def told(book: FaultBook) -> list[tuple[int, str, str]]:
    return [(fault.row, fault.column, fault.fault) for fault in book.faults()]


def test_all_faults_of_all_rows_at_once():
    frame = typed(
        "work_orders",
        order_id=["A", None, "C"],
        vault_id=["V1", "V2", "V3"],
        priority=[1, 6, 0],
        task_minutes=[30.0, -1.0, None],
        status=["open", "opened", None],
    )
    book = FaultBook()
    declared = table("work_orders")
    check_rows(declared, frame_schema(declared), frame, text_of(frame), book)
    assert sorted(told(book)) == [
        (3, "order_id", "is blank"),
        (3, "priority", "is not between 1 and 5"),
        (3, "status", "is not one of the allowed words"),
        (3, "task_minutes", "is not between 0 and 1440 min"),
        (4, "priority", "is not between 1 and 5"),
    ]


def test_what_could_not_be_read_is_not_called_blank():
    frame = typed("rainfall", gauge_id=["G"], fell_on=[None], rain_in=[None])
    text = text_of(frame) | {"fell_on": pd.Series(["soon"], index=[2], dtype="str")}
    book = FaultBook()
    declared = table("rainfall")
    check_rows(declared, frame_schema(declared), frame, text, book)
    assert told(book) == [(2, "rain_in", "is blank")]


def test_each_of_several_words():
    frame = typed("trucks", days=["mon;tue", "mon;monday", None])
    book = FaultBook()
    declared = table("trucks")
    check_rows(declared, frame_schema(declared), frame, text_of(frame), book)
    assert told(book) == [(3, "days", "holds a word that is not allowed")]


def test_an_id_of_two_lines():
    frame = typed("vaults", vault_id=["V1", "V\n2"])
    book = FaultBook()
    declared = table("vaults")
    check_rows(declared, frame_schema(declared), frame, text_of(frame), book)
    assert told(book) == [(3, "vault_id", "has a line break or control sign in it")]


def test_clean_rows_of_every_table_have_no_fault():
    for declared in TABLES.values():
        frame = declared.empty("EPSG:32606").drop(columns="geometry", errors="ignore")
        book = FaultBook()
        check_rows(declared, frame_schema(declared), frame, text_of(frame), book)
        assert not book


def test_ranges_in_words():
    assert range_text(table("visits").column("depth_in")) == "0 in or more"
    assert range_text(table("vaults").column("gear_frac")) == "between 0 and 1"
    assert range_text(table("work_orders").column("priority")) == "between 1 and 5"


def test_doubles_within_a_chunk_and_across_chunks_name_both_rows():
    keys, book = KeyChecks(table("depots")), FaultBook()
    for first, ids in ((2, ["A", "B", "A"]), (5, ["C", "B", "A", None])):
        frame = typed("depots", first, depot_id=ids)
        keys.check(frame, text_of(frame), book)
    assert told(book) == [
        (4, "depot_id", "the key stands in row 2 too"),
        (6, "depot_id", "the key stands in row 3 too"),
        (7, "depot_id", "the key stands in row 2 too"),
    ]


def test_a_key_of_two_columns():
    keys, book = KeyChecks(table("rainfall")), FaultBook()
    frame = typed(
        "rainfall",
        gauge_id=["G1", "G1", "G2", "G1"],
        fell_on=["2024-01-01", "2024-01-02", "2024-01-01", "2024-01-02"],
    )
    keys.check(frame, text_of(frame), book)
    (fault,) = book.faults()
    assert (fault.row, fault.column) == (5, "gauge_id, fell_on")
    assert fault.value.startswith("G1, 2024-01-02")


def test_references_are_checked_where_the_target_is_known():
    frame = typed("visits", vault_id=["V1", "V9", None])
    known, book = KeyChecks(table("visits"), {"vaults.vault_id": {"V1", "V2"}}), FaultBook()
    known.check(frame, text_of(frame), book)
    known.finish(book)
    assert told(book) == [(3, "vault_id", "is not known in vaults")]
    unknown, silent = KeyChecks(table("visits")), FaultBook()
    unknown.check(frame, text_of(frame), silent)
    assert not silent


def test_nothing_is_known_in_an_empty_table():
    frame = typed("visits", vault_id=["V1"])
    keys, book = KeyChecks(table("visits"), {"vaults.vault_id": []}), FaultBook()
    keys.check(frame, text_of(frame), book)
    assert told(book) == [(2, "vault_id", "is not known in vaults")]


def test_a_table_that_refers_to_itself_is_checked_at_the_end():
    known = {"receiving_waters.water_id": ["loaded before"]}
    keys, book = KeyChecks(table("receiving_waters"), known), FaultBook()
    for first, ids, below in (
        (2, ["creek", "pond"], ["bay", "nowhere"]),
        (4, ["bay"], ["loaded before"]),
    ):
        frame = typed("receiving_waters", first, water_id=ids, downstream_water_id=below)
        keys.check(frame, text_of(frame), book)
    assert not book
    keys.finish(book)
    assert told(book) == [(3, "downstream_water_id", "is not known in receiving_waters")]


def test_a_book_keeps_the_first_of_many_and_counts_the_rest():
    book = FaultBook(kept=2)
    for first in (2, 4):
        values = pd.Series(["x" * 200, "y"], index=[first, first + 1])
        book.add("kind", values, "is odd", "mend it")
    whole, one, two = book.faults()
    assert (one.row, two.row) == (2, 3)
    assert len(one.value) == 80
    assert whole.row == 0
    assert whole.fault == "is odd, in 2 more rows than are listed"
