"""Checks of typed rows: blanks, words, ranges, doubles and references, all at once."""

from __future__ import annotations

import pandas as pd
import pytest

from vaultplan.errors import SettingsError
from vaultplan.intake.checks import KeyChecks, check_rows, frame_schema, range_text
from vaultplan.intake.findings import FindingBook
from vaultplan.intake.keys import Hashes, KnownIds, key_hashes
from vaultplan.intake.rules import asked_for
from vaultplan.intake.words import word_list
from vaultplan.schema import TABLES, table


def typed(name: str, first_row: int = 2, /, **columns: list[object]) -> pd.DataFrame:
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


def told(book: FindingBook) -> list[tuple[int, str, str]]:
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
    book = FindingBook()
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
    book = FindingBook()
    declared = table("rainfall")
    check_rows(declared, frame_schema(declared), frame, text, book)
    assert told(book) == [(2, "rain_in", "is blank")]


def test_each_of_several_words():
    frame = typed("trucks", days=["mon;tue", "mon;monday", None])
    book = FindingBook()
    declared = table("trucks")
    check_rows(declared, frame_schema(declared), frame, text_of(frame), book)
    assert told(book) == [(3, "days", "holds a word that is not allowed")]


def test_an_id_of_two_lines():
    frame = typed("vaults", vault_id=["V1", "V\n2"])
    book = FindingBook()
    declared = table("vaults")
    check_rows(declared, frame_schema(declared), frame, text_of(frame), book)
    assert told(book) == [(3, "vault_id", "has a line break or control sign in it")]


def test_clean_rows_of_every_table_have_no_fault():
    for declared in TABLES.values():
        frame = declared.empty("EPSG:32606").drop(columns="geometry", errors="ignore")
        book = FindingBook()
        check_rows(declared, frame_schema(declared), frame, text_of(frame), book)
        assert not book


def test_ranges_in_words():
    assert range_text(table("visits").column("depth_in")) == "0 in or more"
    assert range_text(table("vaults").column("gear_frac")) == "between 0 and 1"
    assert range_text(table("work_orders").column("priority")) == "between 1 and 5"


def contents(frame: pd.DataFrame) -> Hashes:
    return key_hashes(frame.astype("str"), list(frame.columns))


def test_doubles_within_a_chunk_and_across_chunks_name_both_rows():
    keys, book = KeyChecks(table("depots")), FindingBook()
    for first, ids, names in (
        (2, ["A", "B", "A"], ["x", "y", "z"]),
        (5, ["C", "B", "A", None], ["x", "other", "x", "x"]),
    ):
        frame = typed("depots", first, depot_id=ids, name=names)
        keys.check(frame, text_of(frame), contents(frame), book)
    assert told(book) == [
        (4, "depot_id", "the key stands in row 2 too"),
        (6, "depot_id", "the key stands in row 3 too"),
        (7, "depot_id", "the key stands in row 2 too"),
    ]
    assert book.findings()["rule"].tolist() == ["key_twice", "key_twice", "row_twice"]


def test_a_row_said_twice_is_kept_once_when_asked():
    keys, book = KeyChecks(table("depots")), FindingBook(apply=asked_for(["row_twice"]))
    frame = typed("depots", depot_id=["A", "B", "A"], name=["x", "y", "x"])
    _, dropped = keys.check(frame, text_of(frame), contents(frame), book)
    assert dropped.tolist() == [4]
    assert not book


def test_a_key_of_two_columns():
    keys, book = KeyChecks(table("rainfall")), FindingBook()
    frame = typed(
        "rainfall",
        gauge_id=["G1", "G1", "G2", "G1"],
        fell_on=["2024-01-01", "2024-01-02", "2024-01-01", "2024-01-02"],
    )
    keys.check(frame, text_of(frame), contents(frame), book)
    (fault,) = book.faults()
    assert (fault.row, fault.column) == (5, "gauge_id, fell_on")
    assert fault.value.startswith("G1, 2024-01-02")


def test_references_are_checked_where_the_target_is_known():
    frame = typed("visits", vault_id=["V1", "V9", None, "v-01"])
    known = {"vaults.vault_id": KnownIds.of(["V1", "V2"])}
    book = FindingBook()
    KeyChecks(table("visits"), known).check(frame, text_of(frame), contents(frame), book)
    assert told(book) == [
        (3, "vault_id", "is not known in vaults"),
        (5, "vault_id", "is not known in vaults"),
    ]
    assert book.findings()["proposal"].tolist() == ["", "V1"]
    silent = FindingBook()
    KeyChecks(table("visits")).check(frame, text_of(frame), contents(frame), silent)
    assert not silent


def test_an_id_spelled_alike_is_taken_when_asked():
    frame = typed("visits", vault_id=["v-01", "v 9"])
    known = {"vaults.vault_id": KnownIds.of(["V1", "V-9", "V09"])}
    book = FindingBook(apply=asked_for(["unknown_reference"]))
    checks = KeyChecks(table("visits"), known)
    mended, _ = checks.check(frame, text_of(frame), contents(frame), book)
    # Two known ids are spelled like the second: nobody can say which is meant.
    assert mended["vault_id"].tolist() == ["V1", "v 9"]
    assert [fault.row for fault in book.faults()] == [3]


def test_nothing_is_known_in_an_empty_table():
    frame = typed("visits", vault_id=["V1"])
    keys, book = KeyChecks(table("visits"), {"vaults.vault_id": KnownIds()}), FindingBook()
    keys.check(frame, text_of(frame), contents(frame), book)
    assert told(book) == [(2, "vault_id", "is not known in vaults")]


def test_words_are_taken_from_the_list_when_asked():
    frame = typed("visits", grade=["Clear", "hvy", "so-so", "light"])
    book = FindingBook(apply=asked_for(["unknown_word"]))
    declared = table("visits")
    mended = check_rows(declared, frame_schema(declared), frame, text_of(frame), book, word_list())
    assert mended["grade"].tolist() == ["clear", "heavy", "so-so", "light"]
    assert [fault.value for fault in book.faults()] == ["so-so"]
    _, changes = book.take_chunk()
    assert changes[["row", "before", "after"]].values.tolist() == [
        [2, "Clear", "clear"],
        [3, "hvy", "heavy"],
    ]


def test_a_book_keeps_the_first_of_many_and_counts_the_rest():
    book = FindingBook(kept=2)
    for first in (2, 4):
        values = pd.Series(["x" * 200, "y"], index=[first, first + 1])
        book.add("not_a_number", "kind", values, "is odd", "mend it")
    whole, one, two = book.faults()
    assert (one.row, two.row) == (2, 3)
    assert len(one.value) == 80
    assert whole.row == 0
    assert whole.fault == "is odd, in 2 more rows than are listed"
    assert book.summary()["rows"].tolist() == [4]


def test_warnings_and_notes_keep_no_row_out():
    book = FindingBook()
    book.add("near_twin", "vault_id", pd.Series(["V1"], index=[2]), "is near", "look")
    assert not book
    assert book.faults() == ()
    assert book.take_chunk()[0].empty


def test_only_repairs_asked_for_are_made_and_noted():
    for asked, made in ((["left_more"], []), (["decimal_comma"], ["1.5"]), (["all"], ["1.5"])):
        book = FindingBook(apply=asked_for(asked))
        values = pd.Series(["1,5", "x"], index=[2, 3], dtype="str")
        repairs = pd.Series(["1.5", None], index=[2, 3], dtype="str")
        got = book.add("decimal_comma", "depth_in", values, "is odd", "mend", repairs=repairs)
        assert got.tolist() == made
        bad, changes = book.take_chunk()
        assert bad["row"].tolist() == ([3] if made else [2, 3])
        assert changes["after"].tolist() == made
    with pytest.raises(SettingsError, match="key_twice has no repair"):
        asked_for(["key_twice"])
    with pytest.raises(SettingsError, match="no rule magic"):
        asked_for(["magic"])
