"""Rows that were set aside: listed, mended and loaded after all; and repairs taken back."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyproj
import shapely
import sqlalchemy as sa

from vaultplan import schema
from vaultplan.columns import unguarded
from vaultplan.errors import SettingsError
from vaultplan.intake.around import Around
from vaultplan.intake.files.chunk import Chunk
from vaultplan.intake.files.readers import read_chunks
from vaultplan.intake.findings import SUMMARY, FindingBook
from vaultplan.intake.load import TableIntake, open_intake
from vaultplan.intake.outcome import LINE, SHAPE
from vaultplan.intake.recipes.column_map import ColumnMap
from vaultplan.intake.rules import ALL, RULES, asked_for
from vaultplan.intake.words import word_list
from vaultplan.ledger import (
    hashes_by_key,
    keys_from,
    left_hashes,
    rows_from_json,
    rows_with_keys,
    table_rows,
    write_changes,
    write_findings,
)
from vaultplan.loading import OnStep, silent
from vaultplan.settings import Settings
from vaultplan.store.database import Database, open_database
from vaultplan.store.read import read_table
from vaultplan.store.write import delete_keys, upsert
from vaultplan.surroundings import Surroundings

_CHUNK_ROWS: Final = 50_000
#: Columns that a file of quarantined rows has beside the file's own.
ROW, WHY = "(row)", "(why)"
_COUNTED: Final = ("rows", "mendable", "repaired")
#: A repair that left nothing of its own in the table, so that there is nothing to take back.
_NOTHING_LEFT: Final = frozenset({"row_twice"})


@dataclass(frozen=True, slots=True)
class Mended:
    """What became of rows that were set aside: the counts of their load as they stand now.

    ``loaded`` were loaded as they stand, ``repaired`` with a repair, ``quarantined`` were set
    aside (again), ``left_alone`` were not touched: somebody changed them since, or a manager locked
    their period.
    ``waiting_elsewhere`` are other loads with rows in quarantine that refer to something unknown.
    """

    load_id: str
    table: str
    loaded: int
    repaired: int
    quarantined: int
    left_alone: int
    findings: pd.DataFrame
    waiting_elsewhere: tuple[str, ...] = ()


def loads(location: str) -> pd.DataFrame:
    """Return table ``loads``: every load and what became of its rows."""
    with open_database(location) as database:
        return read_table(database, "loads")


def quarantine(location: str, load_id: str | None = None) -> pd.DataFrame:
    """Return the rows that wait in quarantine, each with the reasons, of one load or of all.

    Returns
    -------
    pandas.DataFrame
        ``load_id``, ``table_name``, ``file``, ``row``, ``row_key``, ``why`` (every error of the
        row in words) and ``proposals`` (what repairs would put where).
    """
    with open_database(location) as database:
        where: dict[str, object] = {"state": "quarantined"}
        if load_id is not None:
            _load(database, load_id)
            where["load_id"] = load_id
        rows = read_table(database, "raw_rows", where=where)
        known = read_table(database, "loads").set_index("load_id")
        ids = rows["load_id"].unique().tolist()
        found = read_table(database, "findings", where={"load_id": ids})
    errors = found[(found["severity"] == "error") & ~found["repaired"].fillna(value=False)]
    said = errors["column_name"].fillna("") + ": " + errors["fault"].fillna("")
    said = said.str.removeprefix(": ") + errors["value"].map(_shown)
    would = errors["column_name"].fillna("") + " = " + errors["proposal"].fillna("")
    at = [errors["load_id"], errors["row"]]
    why = said.groupby(at).agg("; ".join)
    proposals = would[errors["proposal"].fillna("") != ""].groupby(at).agg("; ".join)
    index = pd.MultiIndex.from_frame(rows[["load_id", "row"]])
    # Of very many findings of one kind only the first are kept; the rules are known of every row.
    by_rule = rows["rules"].fillna("").map(_meanings)
    return rows[["load_id", "row", "row_key"]].assign(
        table_name=rows["load_id"].map(known["table_name"]),
        file=rows["load_id"].map(known["file"]),
        why=pd.Series(why.reindex(index).to_numpy(), index=rows.index).fillna(by_rule),
        proposals=proposals.reindex(index).to_numpy(),
    )[["load_id", "table_name", "file", "row", "row_key", "why", "proposals"]]


def _meanings(rules: str) -> str:
    return "; ".join(RULES[rule].meaning for rule in rules.split(";") if rule in RULES)


def _shown(value: Any) -> str:
    return "" if pd.isna(value) or value == "" else f" ({value})"


def quarantined_rows(location: str, load_id: str) -> pd.DataFrame:
    """Return a load's quarantined rows as they stand in its file, to be mended in a spreadsheet.

    The first two columns name the row and say why it was set aside; then come the file's own
    columns, a shape as well-known text under ``(shape)``, and under ``(line)`` the text of a line
    that did not fit the header. :func:`reload` takes the mended table back.
    """
    listed = quarantine(location, load_id)
    with open_database(location) as database:
        rows = read_table(database, "raw_rows", where={"load_id": load_id, "state": "quarantined"})
    raw = pd.DataFrame([json.loads(text) for text in rows["raw"]], dtype=object)
    named = pd.DataFrame({ROW: rows["row"].to_numpy(), WHY: listed["why"].to_numpy()})
    return pd.concat([named, raw.astype("str").where(raw.notna())], axis=1)


def reload(
    location: str,
    load_id: str,
    *,
    file: Path | None = None,
    apply: Collection[str] = (),
    now: pd.Timestamp | None = None,
    settings: Settings | None = None,
    on_step: OnStep = silent,
) -> Mended:
    """Load a load's quarantined rows again, by the recipe they came with.

    They are taken as they stand, for where what they refer to is known by now or repairs are
    asked for, or as mended in ``file``. What still has errors stays in quarantine.

    Parameters
    ----------
    file
        A table of :func:`quarantined_rows` with values corrected; rows that are not in it wait on.
    apply
        Rules whose repairs are made, or ``all``.

    Raises
    ------
    SettingsError
        If there is no such load, or the file names rows that do not wait in its quarantine.
    """
    rules = asked_for(apply)
    settings = settings or Settings()
    with open_database(location) as database:
        around = Surroundings(database, now, settings.intake)
        around.read_for([str(_load(database, load_id)["table_name"])], on_step)
        with database.writing() as connection:
            entry = _load(database, load_id, connection)
            where = {"load_id": load_id, "state": "quarantined"}
            waiting = read_table(database, "raw_rows", where=where, connection=connection)
            if file is not None:
                waiting = _as_mended(waiting, file, entry["file"])
            else:
                # Which of two rows with one key is right, only somebody who mends them can tell.
                waiting = waiting[~waiting["rules"].str.contains("key_twice", na=False)]
            job = _job(database, entry, waiting, rules, around, settings)
            done = _take_in(database, connection, entry, waiting, job, on_step)
        elsewhere = _waiting_elsewhere(database, load_id) if done.loaded + done.repaired else ()
    return replace(done, waiting_elsewhere=elsewhere)


def undo(
    location: str,
    load_id: str,
    *,
    rules: Collection[str] = (ALL,),
    now: pd.Timestamp | None = None,
    settings: Settings | None = None,
    on_step: OnStep = silent,
) -> Mended:
    """Take back repairs of a load: its rows become what they would be had nobody asked for them.

    A row that replaced one of the table gives way to it again; then the row is taken in anew
    without the repair, and is loaded as it stands or set aside. Rows that somebody changed since
    the load are left alone, and so are visits of a period that a manager locked.

    Parameters
    ----------
    rules
        Rules whose repairs are taken back, or ``all``.

    Raises
    ------
    SettingsError
        If there is no such load, or no such rule.
    """
    taken_back = asked_for(rules)
    settings = settings or Settings()
    with open_database(location) as database:
        name = str(_load(database, load_id)["table_name"])
        around = Surroundings(database, now, settings.intake)
        around.read_for([name], on_step)
        with database.writing() as connection:
            entry = _load(database, load_id, connection)
            where = {"load_id": load_id, "state": "repaired"}
            mended = read_table(database, "raw_rows", where=where, connection=connection)
            rows = _to_take_back(mended, taken_back)
            is_locked = _is_locked(database, name, rows, around.of(name))
            untouched = _as_left(database, connection, name, rows) & ~is_locked
            kept = rows[untouched]
            _put_back(database, connection, name, kept)
            _note_taken_back(database, connection, kept, entry)
            done = Mended(load_id, name, 0, 0, 0, int((~untouched).sum()), FindingBook().summary())
            # A row is taken in anew with just the repairs that it had, less those taken back.
            for own, part in kept.groupby("rules", sort=True):
                left = frozenset(str(own).split(";")) & asked_for(["all"]) - taken_back
                job = _job(database, entry, part, left, around, settings)
                one = _take_in(database, connection, entry, part, job, on_step, was="repaired")
                entry = _load(database, load_id, connection)
                done = replace(
                    done,
                    loaded=done.loaded + one.loaded,
                    repaired=done.repaired + one.repaired,
                    quarantined=done.quarantined + one.quarantined,
                    findings=pd.concat([done.findings, one.findings], ignore_index=True),
                )
    kinds = [name for name in SUMMARY if name not in _COUNTED]
    summed = done.findings.groupby(kinds, as_index=False, sort=False)[list(_COUNTED)].sum()
    return replace(done, findings=summed[list(SUMMARY)])


def _waiting_elsewhere(database: Database, load_id: str) -> tuple[str, ...]:
    columns = ["load_id", "rules"]
    rows = read_table(database, "raw_rows", where={"state": "quarantined"}, columns=columns)
    lost = rows[rows["rules"].str.contains("unknown_reference", na=False)]
    return tuple(sorted(set(lost["load_id"]) - {load_id}))


def _load(
    database: Database, load_id: str, connection: sa.Connection | None = None
) -> pd.Series[Any]:
    entries = read_table(database, "loads", connection=connection)
    found = entries[entries["load_id"] == load_id]
    if found.empty:
        latest = ", ".join(entries["load_id"].tail(10)) or "none yet"
        raise SettingsError(f"there is no load {load_id!r}; the latest are {latest}")
    return found.iloc[0]


def _job(
    database: Database,
    entry: Mapping[str, Any] | pd.Series[Any],
    rows: pd.DataFrame,
    rules: frozenset[str],
    around: Surroundings,
    settings: Settings,
) -> TableIntake:
    name, file = str(entry["table_name"]), str(entry["file"])
    recipe = ColumnMap.model_validate(tomllib.loads(str(entry["recipe"])))
    crs = None if pd.isna(entry["crs"]) or not entry["crs"] else pyproj.CRS(str(entry["crs"]))
    return open_intake(
        name,
        Path(file),
        crs=database.crs,
        time_zone=database.time_zone,
        column_map=recipe,
        around=around.of(name),
        apply=rules,
        words=word_list(settings.intake.words_file),
        source=lambda: _chunks(Path(file), rows, crs),
    )


def _chunks(file: Path, rows: pd.DataFrame, crs: pyproj.CRS | None) -> Iterator[Chunk]:
    """Yield raw rows as the chunks of a file that they once were.

    Lines that fitted no header come with the first chunk; alone they tell no columns.
    """
    raw = [json.loads(text) for text in rows["raw"]]
    # A line that fitted no header has no columns until somebody parts it.
    fits = np.array([LINE not in row or row.get(LINE) is None for row in raw], dtype=bool)
    columns = list(dict.fromkeys(name for row in raw for name in row if name not in (LINE, SHAPE)))
    numbers = rows["row"].to_numpy(dtype=np.int64)
    whole = [row for row, fit in zip(raw, fits, strict=True) if fit]
    frame = pd.DataFrame(whole, columns=columns, index=pd.Index(numbers[fits]), dtype=object)
    frame = frame.astype(pd.StringDtype(na_value=np.nan))
    has_shapes = any(SHAPE in row for row in whole)
    written = [row.get(SHAPE) for row in whole]
    misfits = tuple(
        (int(number), str(row[LINE]), "the row does not fit the header")
        for number, row, fit in zip(numbers, raw, fits, strict=True)
        if not fit
    )
    for start in range(0, len(frame), _CHUNK_ROWS):
        part = frame.iloc[start : start + _CHUNK_ROWS]
        told = misfits if start == 0 else ()
        shapes = unread = None
        if has_shapes:
            texts = written[start : start + _CHUNK_ROWS]
            shapes = np.asarray(shapely.from_wkt(texts, on_invalid="ignore"), dtype=object)
            unread = shapely.is_missing(shapes) & np.array([t is not None for t in texts])
        yield Chunk(file, part, shapes, unread, crs, len(part) + len(told), told)


def _as_mended(waiting: pd.DataFrame, file: Path, name: object) -> pd.DataFrame:
    """Return the waiting rows that a mended file holds, with its values in place of theirs."""
    chunks = list(read_chunks(file))
    given = pd.concat([chunk.frame for chunk in chunks])
    given.columns = pd.Index(unguarded(pd.Series(given.columns, dtype="str")))
    if misfits := [misfit for chunk in chunks for misfit in chunk.misfits]:
        row, text, why = misfits[0]
        raise SettingsError(
            f"{file}, row {row}: {why} ({text[:60]!r}; {len(misfits)} such rows); quote values "
            "that hold the delimiter"
        )
    if ROW not in given:
        raise SettingsError(f"{file} has no column {ROW}; keep the one of the quarantined rows")
    numbers = pd.to_numeric(given[ROW], errors="coerce")
    unknown = given[ROW][~numbers.isin(waiting["row"])]
    if len(unknown) or numbers.duplicated().any():
        listed = ", ".join(unknown.astype("str").head(5)) or "one of them twice"
        raise SettingsError(
            f"{file}: rows {listed} of {name} do not wait in quarantine; leave column {ROW} as it "
            "was"
        )
    values = given.drop(columns=[ROW, WHY], errors="ignore").apply(unguarded)
    values.index = pd.Index(numbers.astype("int64"))
    raws = []
    for row, text in zip(waiting["row"], waiting["raw"], strict=True):
        old = json.loads(text)
        if row in values.index:
            new = {k: None if pd.isna(v) else str(v) for k, v in values.loc[row].items()}
            if any(v is not None for k, v in new.items() if k not in (LINE, SHAPE)):
                # Its line has been parted into columns.
                new[LINE] = None
            # A spreadsheet drops columns that are blank in every row.
            kept = {k: v for k, v in {**old, **new}.items() if k != LINE or v is not None}
            keys = [k for k in kept if k != SHAPE or kept[k] is not None or SHAPE in old]
            old = {k: kept[k] for k in keys}
        raws.append(json.dumps(old, ensure_ascii=False))
    return waiting.assign(raw=raws)[waiting["row"].isin(values.index)]


def _take_in(
    database: Database,
    connection: sa.Connection,
    entry: pd.Series[Any],
    rows: pd.DataFrame,
    job: TableIntake,
    on_step: OnStep,
    *,
    was: str = "quarantined",
) -> Mended:
    """Take raw rows in again, and enter what became of them in their load's record."""
    name, load_id = job.declared.name, str(entry["load_id"])
    moment = pd.Timestamp.now("UTC")
    loaded = repaired = 0
    on_step(f"Load {name}", 0, len(rows))
    number = _changes_of(connection, load_id)
    # What no chunk speaks of, such as lines that fit no header, waits on as it is.
    after = rows.set_index("row")[["row_key", "raw", "rules", "state"]].copy()
    after["state"] = "quarantined"
    for column in ("replaced", "left_hash"):
        after[column] = pd.Series(None, index=after.index, dtype="str")
    job.look_through()
    for part in job.chunks():
        replaced = table_rows(database, connection, name, part.set_aside)
        upsert(connection, name, part.frame, only=job.told)
        for column, at in part.beyond.items():
            upsert(connection, name, part.frame.iloc[at], only={column})
        aside = part.set_aside.assign(replaced=replaced)
        aside["left_hash"] = left_hashes(database, connection, name, aside)
        aside = aside.set_index("row")
        taken = after.index.isin(part.rows) & ~after.index.isin(aside.index)
        after.loc[taken, "state"] = "mended"
        for column in ("state", "rules", "replaced", "row_key", "left_hash"):
            after.loc[aside.index, column] = aside[column]
        if len(part.changes):
            changes = part.changes.assign(why="")
            write_changes(connection, changes, name, load_id, moment, first=number)
            number += len(part.changes)
        loaded += part.loaded
        repaired += part.repaired
        on_step(f"Load {name}", loaded + repaired, len(rows))
    quarantined = len(rows) - loaded - repaired
    if len(rows):
        upsert(connection, "raw_rows", after.reset_index().assign(load_id=load_id))
    if job.ending:
        _renew_findings(database, connection, job, load_id, rows["row"].tolist())
    counts = {f"rows_{was}": -len(rows), "rows_loaded": loaded}
    for state, count in (("repaired", repaired), ("quarantined", quarantined)):
        counts[f"rows_{state}"] = counts.get(f"rows_{state}", 0) + count
    again: dict[Any, Any] = {n: int(entry[n]) + change for n, change in counts.items()}
    if was == "quarantined":
        before = frozenset(str(entry["applied"] or "").split(";")) - {""}
        again["applied"] = ";".join(sorted(before | job.book.apply))
    upsert(connection, "loads", pd.DataFrame([{**entry.to_dict(), **again}]))
    return Mended(load_id, name, loaded, repaired, quarantined, 0, job.book.summary())


def _changes_of(connection: sa.Connection, load_id: str) -> int:
    """Return how many changes a load has in the record, those of this transaction included."""
    query = sa.text("SELECT COUNT(*) FROM changes WHERE load_id = :load_id")
    return int(connection.execute(query, {"load_id": load_id}).scalar_one())


def _renew_findings(
    database: Database,
    connection: sa.Connection,
    job: TableIntake,
    load_id: str,
    rows: list[int],
) -> None:
    """Put what was found in rows now in place of what was found in them before."""
    where = {"load_id": load_id}
    before = read_table(database, "findings", where=where, connection=connection)
    delete_keys(connection, "findings", before[before["row"].isin(rows)])
    last = int(before["number"].max()) if len(before) else 0
    write_findings(connection, job, load_id, first=last)


def _to_take_back(mended: pd.DataFrame, rules: frozenset[str]) -> pd.DataFrame:
    """Return the raw rows that one of the rules repaired, and that left something to take back."""
    wanted = rules - _NOTHING_LEFT
    hit = mended["rules"].fillna("").map(lambda named: bool(wanted & set(named.split(";"))))
    return mended[hit.astype(bool)].reset_index(drop=True)


def _as_left(
    database: Database, connection: sa.Connection, name: str, rows: pd.DataFrame
) -> npt.NDArray[np.bool_]:
    """Return which rows of the table are still as the repairs left them, in every column."""
    if rows.empty:
        return np.empty(0, dtype=bool)
    now = hashes_by_key(database, connection, name, rows["row_key"].unique().tolist())
    return rows["left_hash"].eq(rows["row_key"].map(now)).fillna(value=False).to_numpy(dtype=bool)


def _is_locked(
    database: Database, name: str, rows: pd.DataFrame, around: Around
) -> npt.NDArray[np.bool_]:
    """Return which rows are visits of a locked period, or would be once they are taken back."""
    found = np.zeros(len(rows), dtype=bool)
    if name != "visits" or not around.locked or rows.empty:
        return found
    declared = schema.table(name)
    ids = keys_from(declared, rows["row_key"].tolist())["visit_id"]
    found |= ids.isin(around.locked_ids).to_numpy(dtype=bool)
    had = rows["replaced"].notna().to_numpy(dtype=bool)
    before = rows_from_json(declared, rows["replaced"][had].tolist(), database.crs)
    moments = before["visited_at"].dt.tz_convert(database.time_zone)
    days = moments.dt.tz_localize(None).dt.normalize()
    for first, last in around.locked:
        found[had] |= days.between(first, last).to_numpy(dtype=bool)
    return found


def _put_back(database: Database, connection: sa.Connection, name: str, rows: pd.DataFrame) -> None:
    """Give the table back what it held before these rows were loaded."""
    declared = schema.table(name)
    fresh = rows[rows["replaced"].isna()]
    if len(fresh):
        keys = fresh["row_key"].unique().tolist()
        delete_keys(connection, name, rows_with_keys(database, connection, name, keys))
    old = rows[rows["replaced"].notna()].drop_duplicates("row_key")
    if len(old):
        upsert(connection, name, rows_from_json(declared, old["replaced"].tolist(), database.crs))


def _note_taken_back(
    database: Database, connection: sa.Connection, rows: pd.DataFrame, entry: pd.Series[Any]
) -> None:
    """Enter that repairs of these rows were taken back, each as the change the other way round."""
    name, load_id = str(entry["table_name"]), str(entry["load_id"])
    changes = read_table(database, "changes", where={"load_id": load_id}, connection=connection)
    is_back = changes["why"].fillna("") != ""
    # Of a repair made, taken back and made again, only the last making counts.
    times_back = changes[is_back].groupby("row_key").size()
    made = changes[~is_back & changes["row_key"].isin(rows["row_key"])].copy()
    if made.empty:
        return
    done = made["row_key"].map(times_back).astype("float64").fillna(0)
    made = made[made.groupby("row_key").cumcount() >= done]
    if made.empty:
        return
    back = made.rename(columns={"column_name": "column", "before": "after", "after": "before"})
    back = back.assign(why="the repair was taken back")
    moment = pd.Timestamp.now("UTC")
    write_changes(connection, back, name, load_id, moment, first=len(changes))
