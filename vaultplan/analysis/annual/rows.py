"""The drill-down of the yearly report: a row of text for every visit, with where it is counted."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd

from vaultplan.analysis.annual.book import HAULED
from vaultplan.errors import OutputError

NO_OUTFALL: Final = "no outfall known"
NOT_KNOWN: Final = "not known"
#: By what the pump-outs are broken down, and the columns of a row that name its line, put together
#: by a slash.
BREAKDOWNS: Final[dict[str, tuple[str, ...]]] = {
    "all": (),
    "method": ("method",),
    "month": ("month",),
    "water": ("water",),
    "outfall": ("outfall",),
    "basis": ("volume_basis",),
    "way": ("way",),
    "grade": ("grade",),
    "district": ("district",),
    "water and method": ("water", "method"),
    "month and method": ("month", "method"),
}
#: Columns of a row, each text.
ROW_COLUMNS: Final = (
    *("visit_id", "vault_id", "district", "on", "time", "month", "order_id", "crew", "finding"),
    *("grade", "has_sheen", "was_raining", "counted", "method", "volume_gal", "volume_basis"),
    *("water", "outfall", "way", "path_status", "drain_splits", "inlet_id", "socks_used"),
    *("pump_minutes", "exceptions", "override_ids"),
)


def drill_down(book: pd.DataFrame) -> pd.DataFrame:
    """Return a row of text per visit of the year, blanks as empty text.

    Parameters
    ----------
    book
        From :func:`vaultplan.analysis.annual.book.year_book`, with ``exceptions`` and
        ``override_ids``.

    Returns
    -------
    pandas.DataFrame
        ``ROW_COLUMNS``. The columns in ``BREAKDOWNS`` name the lines that a pump-out is counted in;
        ``volume_gal`` is the gallons as counted, to a tenth, empty if unknown.
    """
    event = book["counted"].eq("pump-out")
    outfall = book["outfall_id"].astype("str").fillna(NO_OUTFALL)
    outfall = outfall.mask(book["water"].eq(HAULED), HAULED).where(event)
    tenths = book["tenths"].fillna(0).to_numpy(np.int64)
    whole, rest = pd.Series(tenths // 10), pd.Series(tenths % 10)
    volume = (whole.astype("str") + "." + rest.astype("str")).set_axis(book.index)
    columns: dict[str, pd.Series[Any]] = {
        "district": book["district"].fillna(NOT_KNOWN),
        "on": book["on"].dt.strftime("%Y-%m-%d"),
        "time": book["at"],
        "month": book["month"].astype("str").str.zfill(2),
        "has_sheen": _yes_no(book["has_sheen"]),
        "was_raining": _yes_no(book["was_raining"]),
        "volume_gal": volume.where(book["tenths"].notna()),
        "volume_basis": book["basis"],
        "outfall": outfall,
        "drain_splits": _yes_no(book["is_split"]).where(event),
        "pump_minutes": book["pump_minutes"].map("{:g}".format, na_action="ignore"),
    }
    told = {}
    for name in ROW_COLUMNS:
        values = columns[name] if name in columns else book[name]
        text = values.astype("str").fillna("")
        told[name] = text.str.replace(r"\r\n?", "\n", regex=True)
    return pd.DataFrame(told).reset_index(drop=True)


def _yes_no(values: pd.Series[Any]) -> pd.Series[str]:
    return values.astype("object").map({True: "true", False: "false"}).astype("str")


def pump_outs(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the rows that are counted in lines."""
    return rows[rows["counted"].eq("pump-out")]


def line_keys(rows: pd.DataFrame) -> pd.DataFrame:
    """Return for each pump-out its visit_id and the key of its line in every breakdown."""
    mine = pump_outs(rows)
    told: dict[str, pd.Series[str]] = {"visit_id": mine["visit_id"]}
    for name, columns in BREAKDOWNS.items():
        key = pd.Series("all", mine.index, dtype="str")
        for place, column in enumerate(columns):
            key = mine[column] if place == 0 else key + " / " + mine[column]
        told[name] = key
    return pd.DataFrame(told)


def check_rows(rows: pd.DataFrame, name: str, year: int) -> None:
    """Refuse a file that is no drill-down of that year.

    Raises
    ------
    OutputError
        If a column is missing, a visit is there twice, or a day is of another year.
    """
    missing = [column for column in ROW_COLUMNS if column not in rows]
    if missing:
        raise OutputError(
            f"{name} is no drill-down file of a yearly report: it lacks {', '.join(missing)}; name "
            "the visits file, or the folder, that an earlier report wrote"
        )
    twice = rows.loc[rows["visit_id"].duplicated(), "visit_id"]
    if len(twice):
        raise OutputError(
            f"{name} has visit {twice.iloc[0]} twice; take the file as it was written"
        )
    others = rows.loc[~rows["on"].str.startswith(f"{year:04d}-"), "on"]
    if len(others):
        raise OutputError(f"{name} is of {others.iloc[0][:4]}; compare reports of {year}")
