"""Load a spoiled folder and hold what intake says of it against what was done to it."""

from __future__ import annotations

import csv
import re
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyogrio
import shapely
from shapely import from_wkt

from spoiling.bench import WAYS, Way
from spoiling.folder import FIRST_TEXT_ROW, SPATIAL, TODAY_ENDS, zone_of
from vaultplan import loading, schema
from vaultplan.geometry import foot_of
from vaultplan.settings import IntakeSettings, Settings
from vaultplan.store.database import open_database
from vaultplan.store.read import read_table

REPORT = (
    *("way", "rule", "spoiled", "found", "recall", "false_alarms", "precision"),
    *("mends", "repaired_right", "right_frac"),
)
#: Column of each text table that leads to a vault, visit or order.
PARENTS = {
    "visits": "vault_id",
    "work_orders": "vault_id",
    "overrides": "vault_id",
    "samples": "visit_id",
    "plan_edits": "order_id",
}
#: What a spoiled vault or visit does to the rows that name it; neither found nor a false alarm.
KNOCK_ON = frozenset(
    {"unknown_reference", "lost_reference", "too_deep", "above_capacity", "depth_in_feet"}
)


@dataclass(frozen=True)
class Measured:
    """A folder as vaultplan took it: ``findings`` by table and row, tables, and the outcome."""

    findings: pd.DataFrame
    tables: dict[str, pd.DataFrame]
    outcome: pd.DataFrame
    texts: pd.DataFrame
    ft_per_unit: float

    @property
    def told(self) -> pd.DataFrame:
        """Each rule once for each table and row."""
        return self.findings[["table", "rule", "row"]].drop_duplicates()


def take_in(folder: Path, apply: tuple[str, ...] = ()) -> Measured:
    """Load a folder into a database of its own and return what became of it.

    The files are read by a recipe that says nothing: the fleets use the schema's own names, and a
    guessed recipe would tell some of the damage before the rules do.
    """
    crs = pyogrio.read_info(folder / SPATIAL, layer="vaults")["crs"]
    settings = Settings(intake=IntakeSettings(max_quarantine_frac=1.0))
    with tempfile.TemporaryDirectory() as place:
        location = str(Path(place) / "taken.gpkg")
        recipe = Path(place) / "recipe.toml"
        recipe.touch()
        loading.new(location, crs, time_zone=zone_of(folder))
        loaded = loading.load(
            location,
            "all",
            folder,
            column_map=recipe,
            apply=apply,
            settings=settings,
            now=TODAY_ENDS,
        )
        with open_database(location) as database:
            findings = read_table(database, "findings")
            tables = {
                name: read_table(database, name)
                for name in schema.LOADABLE
                if name in set(loaded.outcome["table"])
            }
            ft_per_unit = foot_of(database.crs).per_unit
    named = loaded.outcome.set_index("load_id")["table"]
    findings = findings.assign(table=findings["load_id"].map(named))
    return Measured(findings, tables, loaded.outcome, texts_in(folder), ft_per_unit)


def report(folder: Path, answers: Path | pd.DataFrame, *, clean: Path | None = None) -> Any:
    """Return for each way how much was found and mended: ``REPORT``.

    Loads the folder twice, as it is and with all repairs. With ``clean``, findings that the clean
    folder has at the same row count as no false alarm.
    """
    done = read_answers(answers) if isinstance(answers, Path) else answers
    before = None if clean is None else take_in(clean)
    return measured(take_in(folder), take_in(folder, ("all",)), done, before)


def read_answers(path: Path) -> pd.DataFrame:
    """Return ``answers.csv`` as it was written."""
    return pd.read_csv(
        path, dtype={"row": "int64"} | dict.fromkeys(_TEXTS, "str"), keep_default_na=False
    )


_TEXTS = ("way", "rule", "table", "file", "row_key", "column", "before", "after")


def measured(
    plain: Measured, mended: Measured, answers: pd.DataFrame, clean: Measured | None = None
) -> pd.DataFrame:
    """Return ``REPORT`` of a folder taken in as it is and with all repairs asked for."""
    alarms = false_alarms(plain, answers, clean)["rule"].value_counts()
    told = set(plain.told.itertuples(index=False, name=None))
    lines, found_by_rule = [], dict.fromkeys(answers["rule"], 0)
    for name in answers["way"].unique():
        way, own = WAYS[name], answers[answers["way"] == name]
        rows = own["row"].unique()
        found = sum((way.table, way.rule, row) in told for row in rows)
        found_by_rule[way.rule] += found
        right = mended_rows(way, own, plain, mended)
        share = (None, None) if right is None else (int(right.sum()), float(right.mean()))
        lines.append((name, way.rule, len(rows), found, found / len(rows), way.mends, *share))
    names = ("way", "rule", "spoiled", "found", "recall", "mends", "repaired_right", "right_frac")
    frame = pd.DataFrame(lines, columns=list(names))
    frame["false_alarms"] = frame["rule"].map(alarms).fillna(0).astype("int64")
    true = frame["rule"].map(found_by_rule)
    frame["precision"] = true / (true + frame["false_alarms"]).where(lambda both: both > 0)
    return frame[list(REPORT)]


def false_alarms(
    plain: Measured, answers: pd.DataFrame, clean: Measured | None = None
) -> pd.DataFrame:
    """Return findings (``table``, ``rule``, ``row``) at rows that nothing was done to.

    What a spoiled vault or visit does to rows that name it is left out (``KNOCK_ON``), and so is
    what the clean folder has at that row too.
    """
    spoiled = pd.MultiIndex.from_frame(answers[["table", "row"]])
    told = plain.findings
    strange = told[~pd.MultiIndex.from_frame(told[["table", "row"]]).isin(spoiled)]
    if clean is not None:
        known = pd.MultiIndex.from_frame(clean.told)
        named = strange[["table", "rule", "row"]]
        strange = strange[~pd.MultiIndex.from_frame(named).isin(known)]
    strange = strange[~_knocked_on(strange, plain, answers)]
    return strange[["table", "rule", "row", "value"]].reset_index(drop=True)


def _knocked_on(told: pd.DataFrame, plain: Measured, answers: pd.DataFrame) -> pd.Series[Any]:
    """Return which findings a spoiled vault, visit or order brought about at rows that name it."""
    owners = ["vaults", "visits", "work_orders"]
    spoiled = set(answers.loc[answers["table"].isin(owners), "row_key"])
    texts = plain.texts
    spoiled |= set(texts.loc[texts["parent"].isin(spoiled), "key"])
    at = pd.MultiIndex.from_frame(told[["table", "row"]])
    named = texts["parent"].reindex(at).set_axis(told.index)
    return told["rule"].isin(KNOCK_ON) & named.isin(spoiled)


def texts_in(folder: Path) -> pd.DataFrame:
    """Return each text row's ``key`` and ``parent``, the vault, visit or order it names."""
    named: dict[tuple[str, int], tuple[str, str]] = {}
    for name, column in PARENTS.items():
        file = folder / f"{name}.csv"
        if file.is_file():
            with file.open(encoding="utf-8", newline="") as text:
                lines = csv.reader(text)
                at = next(lines).index(column)
                for row, cells in enumerate(lines, FIRST_TEXT_ROW):
                    named[name, row] = (cells[0], cells[at])
    index = pd.MultiIndex.from_tuples(list(named), names=["table", "row"])
    return pd.DataFrame(list(named.values()), index=index, columns=["key", "parent"], dtype="str")


def mended_rows(
    way: Way, own: pd.DataFrame, plain: Measured, mended: Measured
) -> pd.Series[Any] | None:
    """Return for each spoiled row whether the repair did what it owes; none if it owes nothing."""
    if way.mends == "":
        return None
    rows = own["row"].unique()
    if way.mends in ("once", "refused"):
        run = mended if way.mends == "once" else plain
        said = run.findings.query("table == @way.table and rule == @way.rule")
        offered = said.assign(done=said["proposal"].notna() & (said["proposal"] != ""))
        what = "repaired" if way.mends == "once" else "done"
        at = offered.groupby("row")[what].any().reindex(rows)
        kept = at.fillna(value=False).astype(bool)
        return kept if way.mends == "once" else at.notna() & ~kept
    owed = own if way.owed == "" else own[own["column"] == way.owed]
    key = schema.table(way.table).key[0]
    loaded = mended.tables[way.table].set_index(key, drop=False)
    right = [
        line.row_key in loaded.index and _is_right(way, line, loaded.loc[line.row_key], mended)
        for line in owed.itertuples()
    ]
    return pd.Series(right, index=owed["row"]).groupby(level=0).all()


def _is_right(way: Way, line: Any, row: pd.Series[Any], mended: Measured) -> bool:
    """Return whether a loaded value is what the repair owes."""
    if way.mends == "range":
        return _in_range(line.column, float(line.before), row["imputed"])
    wanted = line.after if way.mends == "kept" else line.before
    value, kind = row[line.column], schema.table(way.table).column(line.column).type
    if kind == "geometry":
        one, other = shapely.get_coordinates(value), shapely.get_coordinates(from_wkt(wanted))
        off = np.hypot(*(one - other).T) if one.shape == other.shape else np.array([np.inf])
        return bool((off * mended.ft_per_unit <= way.within).all() and len(off))
    if wanted == "":
        return bool(pd.isna(value))
    if pd.isna(value):
        return False
    if kind in ("real", "integer"):
        return abs(float(value) - float(wanted)) <= way.within
    if kind in ("time", "date"):
        return bool(pd.Timestamp(value) == pd.Timestamp(wanted))
    return str(value) == wanted


def _in_range(column: str, clean: float, imputed: object) -> bool:
    """Return whether ``column=low-high`` in a text of several such holds a size."""
    found = re.search(rf"(?:^|;){column}=([\d.]+)-([\d.]+)", str(imputed))
    return found is not None and float(found[1]) <= clean <= float(found[2])
