"""What the trade knows of orders, samples and pipes, row by row."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
import shapely

from vaultplan.intake.around import Around
from vaultplan.intake.findings import FindingBook
from vaultplan.intake.survey import Survey

Texts = Mapping[str, "pd.Series[Any]"]


def check_orders(
    frame: pd.DataFrame, text: Texts, around: Around, book: FindingBook
) -> pd.DataFrame:
    """Return orders with repairs asked for in place; what is odd is in the book."""
    mended = frame.copy(deep=False)
    if "vault_id" in frame and not around.vaults.empty:
        status = around.vaults["status"].reindex(frame["vault_id"].fillna("")).to_numpy()
        idle = pd.Series(status, index=frame.index).isin(["retired", "other_owner"])
        if "status" in frame:
            idle &= frame["status"].fillna("open").eq("open")
        book.add(
            "order_at_idle",
            "vault_id",
            text["vault_id"][idle],
            "is a vault that is not worked in",
            "cancel the order, or correct the vault's status",
        )
    if {"earliest_on", "due_on"} <= set(frame):
        first, last = frame["earliest_on"], frame["due_on"]
        wrong = (first > last).fillna(value=False)
        accepted = book.add(
            "due_before_start",
            "due_on",
            text["due_on"][wrong],
            "is before the first day it may be done",
            "correct one of the two days",
            repairs=first[wrong].dt.strftime("%Y-%m-%d").astype("str"),
        )
        if len(accepted):
            swapped = last.loc[accepted.index]
            book.change("due_before_start", "earliest_on", text["earliest_on"], swapped)
            mended["earliest_on"], mended["due_on"] = first.copy(), last.copy()
            mended.loc[accepted.index, "earliest_on"] = swapped
            mended.loc[accepted.index, "due_on"] = first.loc[accepted.index]
    return mended


def check_samples(frame: pd.DataFrame, text: Texts, book: FindingBook) -> pd.DataFrame:
    """Return samples with repairs asked for in place; what is odd is in the book."""
    if not {"result_value", "detection_condition"} <= set(frame):
        return frame
    value, has_condition = frame["result_value"], frame["detection_condition"].notna()
    blank = pd.Series(np.nan, index=frame.index)
    limit = frame.get("reporting_limit", blank)
    is_limit = has_condition & (value > 0) & limit.isna()
    wrong = (value.notna() == has_condition) & ~is_limit
    book.add(
        "value_and_condition",
        "result_value",
        text["result_value"][wrong],
        "stands with a detection condition, or neither is given",
        "give exactly one of the two",
    )
    accepted = book.add(
        "limit_as_value",
        "reporting_limit",
        text.get("reporting_limit", blank.astype("str"))[is_limit],
        "is not given, but a value beside the detection condition",
        "give the limit as the limit, or ask for the value to be taken for it",
        repairs=value[is_limit],
    )
    if not len(accepted):
        return frame
    mended = frame.copy(deep=False)
    taken = pd.Series(np.nan, index=accepted.index)
    book.change("limit_as_value", "result_value", text["result_value"], taken)
    book.set_beyond("reporting_limit", accepted.index)
    mended["reporting_limit"] = limit.astype("float64").where(~is_limit, value)
    mended["result_value"] = value.where(~is_limit)
    return mended


def check_pipes(frame: pd.DataFrame, survey: Survey, book: FindingBook) -> pd.DataFrame:
    """Return pipes with lines turned round where that is asked for; the others are in the book."""
    turned = frame.index.intersection(survey.turned)
    shapes = frame["geometry"].loc[turned]
    shapes = shapes[shapes.notna()]
    accepted = book.add(
        "against_flow",
        "geometry",
        pd.Series(shapes.to_numpy(), index=shapes.index, dtype=object),
        "is drawn from its downstream to its upstream node",
        "swap from_node and to_node if the drawing is right, or ask for the line to be turned",
        repairs=pd.Series(shapely.reverse(shapes.to_numpy()), index=shapes.index, dtype=object),
    )
    mended = frame
    if len(accepted):
        mended = frame.copy()
        mended.loc[accepted.index, "geometry"] = accepted
    rings = frame["from_node"].eq(frame["to_node"]).fillna(value=False).astype(bool)
    book.add(
        "pipe_ring",
        "to_node",
        frame.loc[rings, "to_node"],
        "ends where it begins",
        "correct one of its nodes",
    )
    return mended
