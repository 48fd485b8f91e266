"""What the trade knows of vaults: usual sizes, twins, and whose they are."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.intake.around import Around
from vaultplan.intake.findings import FindingBook
from vaultplan.intake.survey import SIZES, SizeClass, Survey, size_class
from vaultplan.units import IN_PER_FT, M_PER_FT

Floats = npt.NDArray[np.float64]

#: Spread of a class counts as no narrower than this (natural logarithm); assumed.
_LEAST_SPREAD: Final = 0.2
#: A size is out of its class beyond 3 spreads, and never within these factors; assumed.
_OUT_INCHES: Final = np.log(3.0)
_OUT_METRES: Final = 0.65
#: With their steps for or against metres, sizes count as out at these; assumed.
_OUT_STEPPED, _OUT_UNSTEPPED = 0.45, 0.85
#: Vaults are made in steps of 3 inches; common practice, no source.
_STEP_FT: Final = 0.25
_ABSURD: Final = np.log(6.0)
#: A converted size fits its class within this factor; assumed.
_FITS: Final = np.log(2.2)
_FITS_AT_MOST: Final = np.log(3.5)


def check_vaults(
    frame: pd.DataFrame,
    text: dict[str, pd.Series[Any]],
    survey: Survey,
    around: Around,
    book: FindingBook,
) -> pd.DataFrame:
    """Return vaults with repairs asked for in place; what is odd about them is in the book.

    A size is judged by its ratio to the median of its class (kind, and whether it is round),
    among the file's vaults and those in the database.
    """
    mended = frame.copy(deep=False)
    off = _off_class(frame, survey)
    filled: dict[str, pd.Series[Any]] = {}
    for name in SIZES:
        if name in frame:
            mended[name] = _check_size(name, frame, text[name], off, survey, book, filled)
    _mark(mended, filled, around, book)
    if "vault_id" in frame:
        twins = survey.twins[survey.twins.index.isin(frame.index)]
        book.add(
            "near_twin",
            "vault_id",
            frame.loc[twins.index, "vault_id"],
            "is like another vault close by",
            "if they are one vault, keep one of them and give its id to the visits of the other",
            details=[f"is like vault {other}, within reach of it" for other in twins],
        )
    if "status" in frame:
        idle = frame["status"].isin(["retired", "other_owner"])
        what, remedy = "is not worked in", "nothing to do if that is right"
        book.add("idle_vault", "status", frame.loc[idle, "status"], what, remedy)
    return mended


def _check_size(
    name: str,
    frame: pd.DataFrame,
    written: pd.Series[Any],
    off_class: pd.DataFrame,
    survey: Survey,
    book: FindingBook,
    filled: dict[str, pd.Series[Any]],
) -> pd.Series[Any]:
    values = frame[name].copy()
    median, spread = _class_of(name, frame, survey)
    off = off_class[name]
    out = 3.0 * spread.clip(lower=_LEAST_SPREAD).fillna(_LEAST_SPREAD)

    def fits(factor: float) -> Any:
        return (off - np.log(factor)).abs() <= _FITS

    inches = (off > np.maximum(out, _OUT_INCHES)) & fits(IN_PER_FT)
    metres = _in_metres(name, frame, off_class, out)
    usual = "fits its class only in another unit: the class has a median of {:.1f} ft"
    for rule, at, unit, factor in (
        ("size_in_inches", inches, "inches", 1.0 / IN_PER_FT),
        ("size_in_metres", metres, "metres", 1.0 / M_PER_FT),
    ):
        accepted = book.add(
            rule,
            name,
            written[at],
            f"fits its class only if it is in {unit}",
            f"correct it, or ask for the repair; where all are in {unit}, say so under [units]",
            details=[usual.format(np.exp(m)) for m in median[at]],
            repairs=(values[at] * factor).round(3),
        )
        values.loc[accepted.index] = accepted.astype("float64")
    absurd = (values.notna() & (~(values > 0) | (off.abs() > _ABSURD))) & ~inches & ~metres
    missing = values.isna() & written.isna()
    if name == "width_ft" and "shape" in frame:
        missing &= ~frame["shape"].eq("round").fillna(value=False).astype(bool)
    for rule, at, what, remedy in (
        ("size_absurd", absurd, "is no size of a vault of its class", "measure it"),
        ("size_missing", missing, "is not given", "measure it: the forecast is less sure of it"),
    ):
        known = np.exp(median[at]).round(1).dropna()
        accepted = book.add(rule, name, written[at], what, remedy, repairs=known)
        if len(accepted):
            values.loc[accepted.index] = accepted.astype("float64")
            said = _range_words(name, frame.loc[accepted.index], survey)
            filled[name] = pd.concat([filled[name], said]) if name in filled else said
            before = pd.Series("", index=accepted.index, dtype="str")
            book.change(rule, "imputed", before, said)
    return values


def _in_metres(
    name: str, frame: pd.DataFrame, off_class: pd.DataFrame, out: pd.Series[Any]
) -> pd.Series[bool]:
    """Return which sizes are in metres: of a whole vault, or one size among others in feet.

    A size that is a step of 3 inches only once it is converted speaks for metres, one that is a
    step as it stands speaks against them. Small vaults are small in all their sizes alike.
    """
    steps = pd.DataFrame(
        {
            size: _is_step(frame[size] / M_PER_FT).astype(int) - _is_step(frame[size]).astype(int)
            for size in SIZES
            if size in frame
        }
    )
    metric = off_class - np.log(M_PER_FT)
    fits = (metric.abs() <= _FITS) | metric.isna()
    whole = (off_class.notna().sum(axis=1) >= 2) & (metric.abs().max(axis=1) <= _FITS_AT_MOST)
    whole &= metric.abs().mean(axis=1) <= _FITS
    whole &= off_class.mean(axis=1) < -_threshold(steps.sum(axis=1))
    others = off_class.drop(columns=name).mean(axis=1).fillna(0.0)
    own = off_class[name]
    least = _threshold(steps[name]).where(steps[name] > 0, np.maximum(out, _OUT_METRES))
    alone = (own - others < -_OUT_METRES) & (own < -least) & fits[name]
    found: pd.Series[bool] = (whole | alone) & own.notna()
    return found


def _threshold(steps: pd.Series[Any]) -> pd.Series[Any]:
    stepped = np.where(steps < 0, _OUT_UNSTEPPED, _OUT_METRES)
    return pd.Series(np.where(steps > 0, _OUT_STEPPED, stepped), index=steps.index)


def _is_step(values_ft: pd.Series[Any]) -> pd.Series[Any]:
    off = (values_ft / _STEP_FT - (values_ft / _STEP_FT).round()).abs() * _STEP_FT
    return (off < 0.01).fillna(value=False)


def _off_class(frame: pd.DataFrame, survey: Survey) -> pd.DataFrame:
    """Return the logarithm of each size's ratio to its class's median; blank if not known."""
    off = {}
    for name in SIZES:
        values = frame.get(name, pd.Series(np.nan, index=frame.index))
        off[name] = np.log(values.where(values > 0)) - _class_of(name, frame, survey)[0]
    return pd.DataFrame(off)


def _class_of(
    name: str, frame: pd.DataFrame, survey: Survey
) -> tuple[pd.Series[Any], pd.Series[Any]]:
    """Return logarithms of the median and the spread of each row's class; blank if not known."""
    median, spread = pd.Series(np.nan, index=frame.index), pd.Series(np.nan, index=frame.index)
    kind, is_round = size_class(frame)
    for (column, of_kind, of_round), usual in survey.sizes.items():
        if column == name:
            at = (kind == of_kind) & (is_round == of_round)
            median[at], spread[at] = usual.log_median, usual.log_spread
    return median, spread


def _range_words(name: str, rows: pd.DataFrame, survey: Survey) -> pd.Series[Any]:
    """Return ``column=low-high`` for each row: what 80 % of its class lie between."""
    kind, is_round = size_class(rows)
    words = [
        _range_text(name, survey.sizes[name, str(k), bool(r)])
        for k, r in zip(kind, is_round, strict=True)
    ]
    return pd.Series(words, index=rows.index, dtype="str")


def _range_text(name: str, usual: SizeClass) -> str:
    return f"{name}={usual.low_ft:.1f}-{usual.high_ft:.1f}"


def _mark(
    frame: pd.DataFrame, filled: dict[str, pd.Series[Any]], around: Around, book: FindingBook
) -> None:
    """Set which sizes are not measured, with their ranges; a size that is measured now loses it.

    Marks of sizes that the file says nothing of stay as the database has them.
    """
    told = [name for name in SIZES if name in frame]
    has_column = "imputed" in frame
    if has_column:
        before = frame["imputed"]
    elif "vault_id" in frame and around.vaults["imputed"].notna().any():
        stored = around.vaults["imputed"].reindex(frame["vault_id"].fillna(""))
        before = pd.Series(stored.to_numpy(), index=frame.index, dtype="str")
    else:
        before = pd.Series(None, index=frame.index, dtype="str")
    touched = before.notna() & (not has_column)
    for said in filled.values():
        touched |= touched.index.isin(said.index)
    if not touched.any() or not told:
        return
    after = before.copy()
    known = {name: frame[name].notna() for name in told}
    for row in frame.index[touched]:
        marks = dict(mark.split("=", 1) for mark in str(before[row]).split(";") if "=" in mark)
        for name in told:
            if name in filled and row in filled[name].index:
                marks[name] = str(filled[name][row]).split("=", 1)[1]
            elif known[name][row]:
                marks.pop(name, None)
        words = [f"{name}={marks[name]}" for name in SIZES if name in marks]
        after[row] = ";".join(words) if words else None
    frame["imputed"] = after
    if not has_column:
        changed = touched & (after.fillna("") != before.fillna(""))
        book.set_beyond("imputed", frame.index[changed])
