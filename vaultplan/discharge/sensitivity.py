"""How sensitive each receiving water is with all waters below it, and each outfall by its place."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import Any, Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from vaultplan.errors import SchemaError
from vaultplan.geometry import feet_per_unit, require_same_crs
from vaultplan.schema import table
from vaultplan.settings import DischargeSettings

#: From least to most strict. What is not known stands above ``elevated`` and below what is known to
#: be high, so that learning of one more reason for care never lowers a grade.
STRICTNESS: Final = ("ordinary", "elevated", "unknown", "high", "protected")
_ORDINARY, _ELEVATED, _UNKNOWN, _HIGH, _PROTECTED = range(len(STRICTNESS))

_RUNNING: Final = ("creek", "river")
_AREA_GRADE: Final = {
    "habitat": _HIGH,
    "beach": _HIGH,
    "shellfish_bed": _HIGH,
    "drinking_intake": _HIGH,
    "protected_shore": _PROTECTED,
}
_MARK_COLUMNS: Final = ("row", "grade", "words")
Marks = pd.DataFrame


def grade_waters(
    receiving_waters: gpd.GeoDataFrame,
    sensitive_areas: gpd.GeoDataFrame,
    outfalls: gpd.GeoDataFrame,
    *,
    as_of: date,
    settings: DischargeSettings,
) -> pd.DataFrame:
    """Return how sensitive each receiving water is and what makes it so.

    Parameters
    ----------
    receiving_waters, sensitive_areas, outfalls
        Tables of those names, in one CRS; any may be empty.
    as_of
        Day on which the age of the sensitive areas is judged.
    settings
        What counts as near, as old, and which pollutants and uses matter.

    Returns
    -------
    pandas.DataFrame
        Table ``sensitivities``, a row per water in their order.

    Raises
    ------
    CRSError
        If the tables differ in CRS or have none.
    SchemaError
        If a sensitive area has no place: then no water is known to be clear of it.

    Notes
    -----
    A water gets the strictest grade among: its protection; its impairments (high if vault water
    adds to one, else elevated; elevated if blank); its uses; sensitive areas that touch it, unless
    it is a bay or a sea, where a shore miles away says nothing; all waters below it; and sensitive
    areas near one of its outfalls. Unless something known makes it
    high or protected, it is ``unknown`` when its protection is blank, its place is not on the map,
    the water below it is missing, or no sensitive areas are loaded. A creek or river that names no
    water below it counts as one whose water below is missing. Blank uses raise nothing, since a
    blank is how the table says that there are none. All of these gradings are assumed, and meant
    to be cautious.
    """
    waters = receiving_waters.reset_index(drop=True)
    _check_crs(waters, sensitive_areas, outfalls)
    _check_areas(sensitive_areas)
    own = _own_marks(waters, sensitive_areas, as_of, settings)
    by_outfall = _near_marks(outfalls, sensitive_areas, as_of, settings)
    at = pd.Index(waters["water_id"]).get_indexer(pd.Index(outfalls["water_id"].astype("str")))
    by_outfall["row"] = at[by_outfall["row"].to_numpy(dtype=np.int64)]
    below, heir_of = _with_waters_below(waters, own)
    marks = pd.concat([own, _heir_marks(waters, below, heir_of), by_outfall], ignore_index=True)
    graded = _strictest(marks, len(waters))
    graded.insert(0, "water_id", waters["water_id"])
    graded["reason"] += _stale_listing(waters, as_of, settings)
    graded["reason"] += _stale_layer(sensitive_areas, as_of, settings)
    return table("sensitivities").conform(graded)


def grade_outfalls(
    receiving_waters: gpd.GeoDataFrame,
    sensitive_areas: gpd.GeoDataFrame,
    outfalls: gpd.GeoDataFrame,
    *,
    as_of: date,
    settings: DischargeSettings,
) -> pd.DataFrame:
    """Return how sensitive the place is that each outfall discharges to.

    As :func:`grade_waters`, but of the sensitive areas near outfalls only those near this outfall
    count: a beach by one outfall of a long bay says little about another, miles away.

    Returns
    -------
    pandas.DataFrame
        outfall_id, sensitivity, reason; ``unknown`` where the outfall names no listed water.
    """
    waters = receiving_waters.reset_index(drop=True)
    _check_crs(waters, sensitive_areas, outfalls)
    _check_areas(sensitive_areas)
    own = _own_marks(waters, sensitive_areas, as_of, settings)
    below, heir_of = _with_waters_below(waters, own)
    marks = pd.concat([own, _heir_marks(waters, below, heir_of)], ignore_index=True)
    of_water = _strictest(marks, len(waters))
    at = pd.Index(waters["water_id"]).get_indexer(pd.Index(outfalls["water_id"].astype("str")))
    listed = np.flatnonzero(at >= 0)
    names = _names(waters)[at[listed]]
    grades = of_water["sensitivity"].map(STRICTNESS.index).to_numpy(dtype=np.int64)[at[listed]]
    through_water = _marks(listed, grades, names + ": " + of_water["reason"].to_numpy()[at[listed]])
    astray = _marks(np.flatnonzero(at < 0), _UNKNOWN, "the water it runs into is not known")
    near = _near_marks(outfalls, sensitive_areas, as_of, settings)
    graded = _strictest(pd.concat([near, through_water, astray], ignore_index=True), len(outfalls))
    graded.insert(0, "outfall_id", outfalls["outfall_id"].to_numpy())
    said = np.append(_stale_listing(waters, as_of, settings), "")
    graded["reason"] += said[np.where(at >= 0, at, len(waters))]
    graded["reason"] += _stale_layer(sensitive_areas, as_of, settings)
    return graded


def careful_waters(
    receiving_waters: gpd.GeoDataFrame,
    sensitive_areas: gpd.GeoDataFrame,
    *,
    as_of: date,
    settings: DischargeSettings,
) -> frozenset[str]:
    """Return the waters that are high or protected by themselves, whatever lies below them."""
    waters = receiving_waters.reset_index(drop=True)
    own = _own_marks(waters, sensitive_areas, as_of, settings)
    strict = own.loc[own["grade"] >= _HIGH, "row"].unique()
    return frozenset(waters["water_id"].iloc[strict])


def _check_crs(*frames: gpd.GeoDataFrame) -> None:
    named = dict(zip(("receiving_waters", "sensitive_areas", "outfalls"), frames, strict=True))
    filled = {name: frame for name, frame in named.items() if len(frame)}
    if filled:
        require_same_crs(**filled)


def _check_areas(areas: gpd.GeoDataFrame) -> None:
    unplaced = ~_is_placed(areas)
    if unplaced.any():
        ids = ", ".join(areas.loc[unplaced, "area_id"].head(20))
        raise SchemaError(
            f"sensitive_areas without a place: {ids}; no water is known to be clear of them: "
            "place them, or delete them"
        )


def _marks(rows: object, grade: object, words: object) -> Marks:
    """Return reasons for care: the row they hold for, the grade they ask for, and words."""
    row = np.asarray(rows, dtype=np.int64)
    return pd.DataFrame(
        {
            "row": row,
            "grade": np.broadcast_to(np.asarray(grade, dtype=np.int64), row.shape),
            "words": np.broadcast_to(np.asarray(words, dtype=object), row.shape),
        },
        columns=list(_MARK_COLUMNS),
    )


def _strictest(marks: Marks, count: int) -> pd.DataFrame:
    """Return sensitivity and reason of each row, the strictest reasons first."""
    known = marks[(marks["row"] >= 0) & (marks["grade"] > _ORDINARY)]
    ordered = known.sort_values(["row", "grade", "words"], ascending=[True, False, True])
    ordered = ordered.drop_duplicates(["row", "words"])
    grouped = ordered.groupby("row", sort=True)
    top = grouped["grade"].max().reindex(range(count), fill_value=_ORDINARY)
    words = grouped["words"].agg("; ".join).reindex(range(count))
    calm = "not protected, not impaired, and no sensitive place is known near it"
    return pd.DataFrame(
        {
            "sensitivity": np.asarray(STRICTNESS, dtype=object)[top.to_numpy(dtype=np.int64)],
            "reason": words.where(words.notna(), calm).to_numpy(dtype=object),
        }
    )


def _own_marks(
    waters: gpd.GeoDataFrame,
    areas: gpd.GeoDataFrame,
    as_of: date,
    settings: DischargeSettings,
) -> Marks:
    everything = np.arange(len(waters))
    protection = waters["protection"]
    found = [
        _marks(everything[protection == "protected"], _PROTECTED, "it is protected"),
        _marks(everything[protection == "outstanding"], _PROTECTED, "it is an outstanding water"),
        _marks(everything[protection.isna()], _UNKNOWN, "its protection is not known"),
        _word_marks(
            waters["impairments"],
            [(settings.vault_pollutants, _HIGH)],
            _ELEVATED,
            "it is impaired by ",
        ),
        _marks(
            everything[waters["impairments"].isna()],
            _ELEVATED,
            "whether it is impaired is not known",
        ),
        _word_marks(
            waters["uses"],
            [(settings.high_uses, _HIGH), (settings.elevated_uses, _ELEVATED)],
            _ORDINARY,
            "it is used for ",
        ),
    ]
    placed = _is_placed(waters)
    found.append(_marks(everything[~placed], _UNKNOWN, "its place on the map is not known"))
    if len(areas) == 0:
        found.append(_marks(everything, _UNKNOWN, "no sensitive areas are loaded"))
    else:
        tree = shapely.STRtree(areas.geometry.to_numpy())
        narrow = everything[~waters["kind"].isin(settings.wide_waters)]
        water, area = tree.query(waters.geometry.to_numpy()[narrow], predicate="intersects")
        water = narrow[water]
        found.append(_area_marks(water, area, areas, " touches it", as_of, settings))
    return pd.concat(found, ignore_index=True)


def _word_marks(
    column: pd.Series[Any],
    graded_words: Iterable[tuple[tuple[str, ...], int]],
    otherwise: int,
    intro: str,
) -> Marks:
    words = column.fillna("").str.split(";").explode().str.strip()
    words = words[(words != "") & (words.str.lower() != "none")]
    grade = pd.Series(otherwise, index=range(len(words)))
    for stems, level in graded_words:
        lowered = words.str.lower().reset_index(drop=True)
        hit = pd.Series(False, index=lowered.index)
        for stem in stems:
            hit |= lowered.str.contains(stem, regex=False)
        grade = grade.where(~hit | (grade > level), level)
    return _marks(words.index.to_numpy(), grade.to_numpy(), (intro + words).to_numpy(dtype=object))


def _near_marks(
    outfalls: gpd.GeoDataFrame,
    areas: gpd.GeoDataFrame,
    as_of: date,
    settings: DischargeSettings,
) -> Marks:
    if len(outfalls) == 0 or len(areas) == 0:
        return _marks([], [], [])
    tree = shapely.STRtree(areas.geometry.to_numpy())
    reach = settings.near_sensitive_ft / feet_per_unit(outfalls)
    spots = outfalls.geometry.to_numpy()
    outfall, area = tree.query(spots, predicate="dwithin", distance=reach)
    close = f" is within {settings.near_sensitive_ft:g} ft of its outfall"
    lost = np.flatnonzero(~_is_placed(outfalls))
    return pd.concat(
        [
            _area_marks(outfall, area, areas, close, as_of, settings),
            _marks(lost, _UNKNOWN, "an outfall is not placed on the map"),
        ],
        ignore_index=True,
    )


def _area_marks(
    rows: npt.NDArray[np.int64],
    area: npt.NDArray[np.int64],
    areas: gpd.GeoDataFrame,
    where: str,
    as_of: date,
    settings: DischargeSettings,
) -> Marks:
    kind = areas["kind"].str.replace("_", " ").to_numpy(dtype=object)
    name = areas["name"].where(areas["name"].notna(), areas["area_id"]).to_numpy(dtype=object)
    stale = np.where(
        _is_stale(areas, as_of, settings).to_numpy(), " (entry not confirmed lately)", ""
    ).astype(object)
    grade = areas["kind"].map(_AREA_GRADE).fillna(_HIGH).to_numpy(dtype=np.int64)
    words = name[area] + " (" + kind[area] + ")" + where + stale[area]
    return _marks(rows, grade[area], words)


def _with_waters_below(
    waters: pd.DataFrame, own: Marks
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Return the strictest grade from each water down, and the row of the water that has it."""
    count = len(waters)
    grade = np.zeros(count, dtype=np.int64)
    np.maximum.at(grade, own["row"].to_numpy(), own["grade"].to_numpy(dtype=np.int64))
    named = waters["downstream_water_id"]
    down = pd.Index(waters["water_id"]).get_indexer(pd.Index(named.astype("str")))
    lost = _lost_below(waters, down)
    grade[lost] = np.maximum(grade[lost], _UNKNOWN)
    source = np.arange(count)
    linked = np.flatnonzero(down >= 0)
    while len(linked):
        stricter = linked[grade[down[linked]] > grade[linked]]
        if len(stricter) == 0:
            break
        source[stricter] = source[down[stricter]]
        grade[stricter] = grade[down[stricter]]
    return grade, source


def _lost_below(waters: pd.DataFrame, down: npt.NDArray[Any]) -> npt.NDArray[np.bool_]:
    """Return where the water below is not known: named and not listed, or a creek's left blank."""
    named = waters["downstream_water_id"].notna()
    must_run_on = waters["kind"].isin(_RUNNING) | waters["kind"].isna()
    return np.asarray((down < 0) & (named | must_run_on))


def _heir_marks(
    waters: pd.DataFrame, grade: npt.NDArray[np.int64], source: npt.NDArray[np.int64]
) -> Marks:
    rows = np.arange(len(waters))
    heirs = rows[source != rows]
    levels = np.asarray(STRICTNESS, dtype=object)[grade[heirs]]
    said = _names(waters)[source[heirs]] + " below it is " + levels
    down = pd.Index(waters["water_id"]).get_indexer(
        pd.Index(waters["downstream_water_id"].astype("str"))
    )
    lost = rows[_lost_below(waters, down)]
    return pd.concat(
        [
            _marks(heirs, grade[heirs], said),
            _marks(lost, _UNKNOWN, "the water below it is not known"),
        ],
        ignore_index=True,
    )


def _names(waters: pd.DataFrame) -> npt.NDArray[Any]:
    return waters["name"].where(waters["name"].notna(), waters["water_id"]).to_numpy(dtype=object)


def _is_placed(frame: gpd.GeoDataFrame) -> npt.NDArray[np.bool_]:
    shapes = frame.geometry.to_numpy()
    return np.asarray(~(shapely.is_missing(shapes) | shapely.is_empty(shapes)), dtype=bool)


def _is_stale(areas: pd.DataFrame, as_of: date, settings: DischargeSettings) -> pd.Series[bool]:
    oldest = pd.Timestamp(as_of).normalize() - pd.Timedelta(days=settings.stale_layer_days)
    return areas["reviewed_on"].isna() | (areas["reviewed_on"] < oldest)


def _stale_listing(
    waters: pd.DataFrame, as_of: date, settings: DischargeSettings
) -> npt.NDArray[Any]:
    """Return a warning for each water whose listing nobody confirmed lately.

    Where no listing at all has a day, the table has no such column, and nothing is said.
    """
    said = np.full(len(waters), "", dtype=object)
    on = waters["reviewed_on"]
    if on.notna().any():
        stale = _is_stale(waters, as_of, settings).to_numpy(bool)
        day = on.dt.strftime("%Y-%m-%d").fillna("nobody knows when").to_numpy(dtype=object)
        said[stale] = " (warning: its listing was last confirmed: " + day[stale] + ")"
    return said


def _stale_layer(areas: pd.DataFrame, as_of: date, settings: DischargeSettings) -> str:
    """Return a warning for every water when no entry at all was confirmed lately."""
    if len(areas) == 0 or not _is_stale(areas, as_of, settings).all():
        return ""
    newest = areas["reviewed_on"].max()
    since = "ever" if pd.isna(newest) else f"since {newest.date()}"
    return f" (warning: no sensitive area was confirmed {since}; check that layer)"
