"""What visits say of how dirty the water was: by vault, by hex and quarter of the year.

References
----------
Kleinman, J. C. (1973), Proportions with extraneous variance: single and independent samples.
Journal of the American Statistical Association 68, 46-54.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import geopandas as gpd
import h3
import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan import schema
from vaultplan.geometry import LONLAT
from vaultplan.outputs.maps.fleet import hex_ring
from vaultplan.outputs.maps.lines import Grid

#: A map of so many hexes is still drawn in a blink, and each still holds several vaults.
MOST_HEXES: Final = 3_000
_RESOLUTIONS: Final = (9, 8, 7, 6)
#: Codes of a visit that found no water, and of one at which nobody graded it.
DRY, NOT_GRADED = len(schema.GRADES), len(schema.GRADES) + 1
#: Day and grade share a number: ``CODES * day + code``.
CODES: Final = len(schema.GRADES) + 2
#: So few of the places are tried first: they alone may lie in too many hexes.
_ONE_IN: Final = 20
_LEAST_SPREAD, _MOST_SPREAD = 1e-3, 0.9


def prior_looks(dirty: npt.NDArray[np.float64], looks: npt.NDArray[np.float64]) -> float:
    """Return with how many looks' weight a share is drawn toward that of the whole fleet.

    The shares of the places are taken to scatter about the fleet's as a beta distribution; its
    weight is estimated by moments, each place weighted by its looks (Kleinman 1973).

    Parameters
    ----------
    dirty, looks
        Looks that were dirty, and all graded ones, of each place.

    Examples
    --------
    Places that differ by no more than chance are drawn in almost whole, others hardly:

    >>> looks = np.full(50, 20.0)
    >>> prior_looks(np.full(50, 5.0), looks) > 500
    True
    >>> prior_looks(np.repeat([0.0, 20.0], 25), looks) < 1
    True
    """
    is_seen = looks > 0
    x, n = dirty[is_seen], looks[is_seen]
    total, places = float(n.sum()), len(n)
    share = float(x.sum()) / total if total else 0.0
    room = total - float((n**2).sum()) / total - (places - 1) if total else 0.0
    if places < 2 or not 0.0 < share < 1.0 or room <= 0.0:
        return 1.0 / _LEAST_SPREAD - 1.0
    spread = float((n * (x / n - share) ** 2).sum()) / (share * (1.0 - share))
    correlation = min(max((spread - (places - 1)) / room, _LEAST_SPREAD), _MOST_SPREAD)
    return 1.0 / correlation - 1.0


def visit_codes(visits: pd.DataFrame, time_zone: Any) -> pd.DataFrame:
    """Return vault_id, day (local days since 1970), grade code, year and quarter of each visit.

    Millions of visits are of some hundred thousand vaults: their ids are a categorical.
    """
    local = visits["visited_at"].dt.tz_convert(time_zone).dt.tz_localize(None)
    grade, seen = pd.factorize(visits["grade"])
    numbers = np.append(pd.Index(schema.GRADES).get_indexer(pd.Index(seen, dtype="str")), -1)
    code = numbers[grade]
    without = np.where(visits["finding"].eq("dry"), DRY, NOT_GRADED)
    place, vault_ids = pd.factorize(visits["vault_id"])
    return pd.DataFrame(
        {
            "vault_id": pd.Categorical.from_codes(place, pd.Index(vault_ids, dtype="str")),
            "day": (local.dt.normalize() - pd.Timestamp("1970-01-01")).dt.days.to_numpy(),
            "code": np.where(code < 0, without, code),
            "year": local.dt.year.to_numpy(),
            "quarter": local.dt.quarter.to_numpy() - 1,
        }
    )


def looks_of(codes: pd.DataFrame, vault_ids: Sequence[str], most: int | None) -> list[list[int]]:
    """Return each vault's visits, latest first, at most so many: days back and grade in one number.

    The first number is ``5 * day + code``, every next one ``5 * days before the last + code``.
    """
    kept = codes[codes["vault_id"].isin(set(vault_ids))]
    kept = kept.assign(vault=kept["vault_id"].cat.codes)
    kept = kept.sort_values(["vault", "day"], ascending=[True, False], kind="stable")
    if most is not None:
        kept = kept.groupby("vault", sort=False).head(most)
    day, vault = kept["day"].to_numpy(), kept["vault"].to_numpy()
    starts = np.flatnonzero(np.diff(vault, prepend=-1))
    back = -np.diff(day, prepend=0)
    back[starts] = day[starts]
    told = (CODES * back + kept["code"].to_numpy()).tolist()
    names = kept["vault_id"].iloc[starts].astype(str)
    ends = [*starts[1:].tolist(), len(told)][: len(starts)]
    found = {
        name: told[first:end] for name, first, end in zip(names, starts.tolist(), ends, strict=True)
    }
    return [found.get(str(vault_id), []) for vault_id in vault_ids]


def dirtiest(codes: pd.DataFrame, vaults: pd.DataFrame, limit: int) -> pd.Series[Any]:
    """Return which vaults become points: of a large fleet those seen dirty most often."""
    if len(vaults) <= limit:
        return pd.Series(True, index=vaults.index)
    graded = codes[codes["code"] < DRY]
    weight = graded["code"].groupby(graded["vault_id"], observed=True).sum()
    score = vaults["vault_id"].map(weight).fillna(-1.0).to_numpy(float)
    shown = np.zeros(len(vaults), bool)
    shown[np.argsort(-score, kind="stable")[:limit]] = True
    return pd.Series(shown, index=vaults.index)


def records_of(codes: pd.DataFrame, vaults: gpd.GeoDataFrame, grid: Grid) -> dict[str, Any]:
    """Return the looks of every hex by year and quarter, and how far shares are drawn in.

    ``hexes``: ``ring``, ``vaults`` (how many lie in it), ``rows``: lists of ``4 * year + quarter``,
    clear, light, heavy, one after the other, and ``never``: its vaults that nobody ever graded.
    ``prior``: looks by which a share is drawn in, for light or heavy and for heavy only, of hexes
    and of vaults. ``first_year`` is what years are counted from.
    """
    placed = vaults[vaults.geometry.notna()]
    degrees = placed.geometry.to_crs(LONLAT)
    lat, lon = degrees.y.to_numpy(float), degrees.x.to_numpy(float)
    cells = _cells(lat, lon)
    cell_of = pd.Series(cells, index=placed["vault_id"].to_numpy())
    names = sorted(set(cells))
    years = codes["year"]
    first = int(years.min()) if len(years) else 0
    number = pd.Series(np.arange(len(names)), index=names)
    # What a vault has is looked up once for each vault, not for each of its visits.
    hex_of = cell_of.reindex(codes["vault_id"].cat.categories).map(number).fillna(-1).to_numpy(int)
    graded = codes[codes["code"] < DRY]
    graded = graded.assign(
        cell=np.append(hex_of, -1)[graded["vault_id"].cat.codes],
        when=4 * (graded["year"] - first) + graded["quarter"],
    )
    graded = graded[graded["cell"] >= 0]
    by = pd.DataFrame({code: graded["code"].eq(code) for code in range(len(schema.GRADES))})
    by = by.groupby([graded["cell"], graded["when"]]).sum()
    rows: dict[str, list[int]] = {name: [] for name in names}
    for (cell, when), counts in zip(by.index, by.to_numpy().tolist(), strict=True):
        rows[names[cell]] += [int(when), *counts]
    seen = graded["vault_id"].cat.categories[graded["vault_id"].cat.codes.unique()]
    in_cell = pd.DataFrame({"cell": cells, "never": ~placed["vault_id"].isin(seen).to_numpy()})
    counted = in_cell.groupby("cell", sort=True)["never"].agg(["size", "sum"])
    return {
        "first_year": first,
        "last_year": int(years.max()) if len(years) else 0,
        "hexes": {
            "ring": [hex_ring(name, grid) for name in names],
            "vaults": counted["size"].tolist(),
            "never": counted["sum"].astype(int).tolist(),
            "rows": [rows[name] for name in names],
        },
        "prior": {"hex": _priors(graded, "cell"), "vault": _priors(graded, "vault_id")},
    }


def _priors(graded: pd.DataFrame, key: str) -> dict[str, float]:
    place = graded[key].cat.codes if key == "vault_id" else graded[key]
    looks = np.bincount(place).astype(np.float64)
    told = {}
    for name, least in (("dirty", 1), ("heavy", 2)):
        dirty = np.bincount(place, weights=graded["code"].ge(least)).astype(np.float64)
        told[name] = round(prior_looks(dirty, looks), 1)
    return told


def _cells(lat: npt.NDArray[np.float64], lon: npt.NDArray[np.float64]) -> list[str]:
    cells: list[str] = []
    for resolution in _RESOLUTIONS:
        few = {
            h3.latlng_to_cell(y, x, resolution)
            for y, x in zip(lat[::_ONE_IN], lon[::_ONE_IN], strict=True)
        }
        if len(few) > MOST_HEXES:
            continue
        cells = [h3.latlng_to_cell(y, x, resolution) for y, x in zip(lat, lon, strict=True)]
        if len(set(cells)) <= MOST_HEXES:
            return cells
    return cells or [
        h3.latlng_to_cell(y, x, _RESOLUTIONS[-1]) for y, x in zip(lat, lon, strict=True)
    ]
