"""What becomes of a chunk's rows: loaded, mended or quarantined, with the raw row kept."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import pandas as pd
import shapely

from vaultplan.columns import Table
from vaultplan.intake.convert import Typed
from vaultplan.intake.files.chunk import Chunk
from vaultplan.intake.findings import CHANGES
from vaultplan.intake.keys import Hashes, key_hashes

SET_ASIDE: Final = ("row", "row_key", "state", "rules", "raw")
#: Names under which a raw row keeps what no column of its file holds.
SHAPE, LINE = "(shape)", "(line)"


@dataclass(frozen=True, slots=True)
class Intake:
    """What became of some rows of a file.

    ``frame`` holds the rows to write, in the table's shape; ``set_aside`` the raw rows that are
    quarantined or were mended (``SET_ASIDE``); ``changes`` what the repairs changed. Every row of
    the file that is not wholly blank is loaded, mended or quarantined. ``beyond`` gives, by column,
    the positions in ``frame`` of rows in which a repair set what the file does not speak of.
    ``rows`` are the numbers of all rows gone through that fit the header.
    """

    frame: pd.DataFrame
    set_aside: pd.DataFrame
    changes: pd.DataFrame
    loaded: int
    repaired: int
    quarantined: int
    blank: int
    beyond: Mapping[str, pd.Index[Any]] = field(default_factory=dict)
    rows: pd.Index[Any] = field(default_factory=lambda: pd.Index([]))

    @property
    def size(self) -> int:
        """Rows gone through, blank ones included."""
        return self.loaded + self.repaired + self.quarantined + self.blank


def sorted_out(
    declared: Table,
    chunk: Chunk,
    frame: pd.DataFrame,
    typed: Typed,
    bad: pd.DataFrame,
    again: pd.Index[Any],
    changes: pd.DataFrame,
    beyond: Mapping[str, pd.Index[Any]],
) -> Intake:
    """Return which rows are loaded, mended and quarantined.

    ``bad`` names rows with errors and the rules they break, ``again`` rows that only say an
    earlier one over, ``changes`` what repairs changed. Nothing is loaded of a file that lacks
    required columns.
    """
    rows = frame.index
    faulty = rows.isin(bad["row"])
    changed = pd.Index(changes["row"].unique())
    mended = rows.isin(changed) & ~faulty
    told = frame[faulty | mended]
    texts = {name: written.loc[told.index] for name, written in typed.text.items()}
    keys = row_keys(declared, told, texts)
    lacking = [c.name for c in declared.columns if c.required and c.name not in frame]
    loaded = frame[~faulty & ~rows.isin(again)]
    if lacking:
        loaded = declared.empty(getattr(frame, "crs", None))
    aside = pd.concat([_raw_rows(chunk, told.index), _raw_lines(chunk)])
    key_of = keys.reindex(aside["row"]).fillna("").to_numpy()
    rules = pd.concat([bad, changes[["row", "rule"]]]).drop_duplicates()
    named = rules.sort_values("rule").groupby("row")["rule"].agg(";".join)
    rules_of = named.reindex(aside["row"]).fillna("").to_numpy()
    aside = aside.assign(row_key=key_of, rules=rules_of, state="quarantined")
    aside["state"] = aside["state"].mask(aside["row"].isin(rows[mended]), "repaired")
    keyed = _with_final(changes, frame).assign(
        row_key=keys.reindex(changes["row"]).fillna("").to_numpy()
    )
    quarantined = int(faulty.sum()) + len(chunk.misfits)
    return Intake(
        frame=declared.conform(loaded).reset_index(drop=True),
        set_aside=aside[list(SET_ASIDE)].reset_index(drop=True),
        changes=keyed[[*CHANGES, "row_key"]],
        loaded=int((~faulty & ~mended).sum()),
        repaired=int(mended.sum()),
        quarantined=quarantined,
        blank=chunk.blank,
        beyond={
            name: pd.Index(np.flatnonzero(loaded.index.isin(set_in)))
            for name, set_in in beyond.items()
        },
        rows=rows,
    )


def _with_final(changes: pd.DataFrame, frame: pd.DataFrame) -> pd.DataFrame:
    """Return changes with what each value became in the end, in the units of the table."""
    final = changes.copy()
    for name, part in changes[changes["rule"] != "row_twice"].groupby("column"):
        if name in frame:
            final.loc[part.index, "after"] = _texts(frame[name].loc[part["row"]]).to_numpy()
    return final


def _texts(values: pd.Series[Any]) -> pd.Series[Any]:
    """Return values as text, blank for blank; times and days in ISO form, shapes as WKT."""
    if isinstance(values.dtype, pd.DatetimeTZDtype):
        text = values.dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    elif pd.api.types.is_datetime64_any_dtype(values):
        text = values.dt.strftime("%Y-%m-%d")
    elif pd.api.types.is_float_dtype(values):
        text = values.map(lambda value: f"{value:.15g}")
    else:
        text = values.astype(object).map(str)
    named: pd.Series[Any] = text.astype("str").where(values.notna(), "")
    return named


def row_keys(
    declared: Table, frame: pd.DataFrame, text: Mapping[str, pd.Series[Any]] | None = None
) -> pd.Series[Any]:
    """Return each row's key as one text: the id itself, or a JSON list where a key has parts.

    Where a part could not be read, what is written in the file stands for it.
    """
    parts = []
    for name in declared.key:
        if name not in frame:
            return pd.Series("", index=frame.index, dtype="str")
        values = frame[name]
        if isinstance(values.dtype, pd.DatetimeTZDtype):
            part = values.dt.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
        elif pd.api.types.is_datetime64_any_dtype(values):
            part = values.dt.strftime("%Y-%m-%d")
        else:
            part = values.astype("str")
        if text is not None and name in text:
            part = part.where(values.notna(), text[name])
        parts.append(part.astype("str").fillna(""))
    if len(parts) == 1:
        alone: pd.Series[Any] = parts[0]
        return alone
    listed = [json.dumps(list(key), ensure_ascii=False) for key in zip(*parts, strict=True)]
    return pd.Series(listed, index=frame.index, dtype="str")


def _raw_rows(chunk: Chunk, rows: pd.Index[Any]) -> pd.DataFrame:
    """Return rows as they stand in the file, each as one JSON text."""
    at = chunk.frame.index.get_indexer(rows)
    kept = chunk.frame.iloc[at]
    columns = {
        str(name): kept[name].astype(object).where(kept[name].notna(), None) for name in kept
    }
    if chunk.geometry is not None:
        shapes = chunk.geometry[at]
        columns[SHAPE] = pd.Series(_wkt(shapes), index=kept.index, dtype=object)
    names = list(columns)
    raw = [
        json.dumps(dict(zip(names, values, strict=True)), ensure_ascii=False)
        for values in zip(*columns.values(), strict=True)
    ]
    return pd.DataFrame({"row": rows.to_numpy(dtype=np.int64), "raw": pd.Series(raw, dtype="str")})


def _raw_lines(chunk: Chunk) -> pd.DataFrame:
    rows = [row for row, _, _ in chunk.misfits]
    raw = [json.dumps({LINE: line}, ensure_ascii=False) for _, line, _ in chunk.misfits]
    return pd.DataFrame({"row": pd.Series(rows, dtype="int64"), "raw": pd.Series(raw, dtype="str")})


def _wkt(shapes: Any) -> list[str | None]:
    """Return shapes as text that reads back as the same shape, to the last digit."""
    written = shapely.to_wkt(shapes, rounding_precision=-1, trim=True, output_dimension=4)
    return [None if text is None else str(text) for text in written]


def contents(chunk: Chunk) -> Hashes:
    """Return a hash of all that each row says."""
    if chunk.frame.empty:
        return np.empty(0, dtype=np.uint64)
    hashes = key_hashes(chunk.frame, list(chunk.frame.columns))
    if chunk.geometry is None:
        return hashes
    shapes = shapely.to_wkb(chunk.geometry)
    blank: Any = b""
    known = np.where(shapely.is_missing(chunk.geometry), blank, shapes)
    return hashes ^ pd.util.hash_array(known.astype(object), categorize=False)
