"""Whether a worker would come to the same bits: same program, same libraries, same arithmetic."""

from __future__ import annotations

import functools
import hashlib
import platform
from collections.abc import Mapping
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Final

import numpy as np
import shapely
from scipy.special import digamma, expit, log_ndtr, ndtri

import vaultplan

_LIBRARIES: Final = ("numpy", "pandas", "scipy", "shapely", "geopandas", "pyproj", "distributed")
_ROOMS: Final = ("forecast", "drainage", "discharge", "schedule", "spread")
_GROUND_FLOOR: Final = ("schema.py", "columns.py", "geometry.py", "units.py", "settings.py")
#: Rows and columns of the products tried, as the fit of a fleet forms them.
_SHAPES: Final = ((7, 40, 7), (12, 4_000, 24), (24, 60_000, 12))


@functools.cache
def card() -> Mapping[str, str]:
    """Return what decides the bits of a result here: versions, and a hash of tried arithmetic.

    The program is told by its version and a hash of the source files that parts of the work pass
    through, so that two checkouts of one version differ too. ``arithmetic`` is a hash of what some
    functions and matrix products give: processors of different kinds may round them differently.
    """
    told = {"vaultplan": f"{vaultplan.__version__} ({_source_hash()})"}
    told["python"] = ".".join(platform.python_version_tuple()[:2])
    for name in _LIBRARIES:
        try:
            told[name] = version(name)
        except PackageNotFoundError:
            told[name] = "none"
    told["GEOS"] = ".".join(map(str, shapely.geos_version))
    told["arithmetic"] = _arithmetic()
    return told


def difference(expected: Mapping[str, str]) -> str:
    """Return in words how this process differs from a card; nothing if it does not.

    >>> difference(card())
    ''
    >>> difference({**card(), "python": "2.7"}).startswith("python here is 3")
    True
    """
    mine = card()
    names = [name for name in expected if mine.get(name) != expected[name]]
    return "; ".join(
        f"{name} here is {mine.get(name, 'none')}, there {expected[name]}" for name in names
    )


def _source_hash() -> str:
    """Return a hash of the source files that a worker's part may pass through."""
    folder = Path(vaultplan.__file__).parent
    digest = hashlib.sha256()
    for path in sorted([*folder.glob("*.py"), *folder.rglob("*/*.py"), *folder.rglob("*/*.toml")]):
        place = path.relative_to(folder)
        if place.parts[0] in (*_ROOMS, *_GROUND_FLOOR):
            digest.update(str(place).encode() + path.read_bytes())
    return digest.hexdigest()[:8]


def _arithmetic() -> str:
    """Return a hash of what the functions and products that forecasts rest on give here."""
    digest = hashlib.sha256()
    x = np.linspace(-20.0, 20.0, 20_001)
    with np.errstate(all="ignore"):
        for function in (np.exp, np.sin, np.log1p, expit, log_ndtr):
            digest.update(np.asarray(function(x)).tobytes())
        for positive in (np.log, np.sqrt, digamma, lambda z: z**2.67, lambda z: ndtri(z / 21.0)):
            digest.update(np.asarray(positive(x[x > 0.0])).tobytes())
    for rows, inner, columns in _SHAPES:
        one = np.sin(np.arange(rows * inner, dtype=np.float64)).reshape(rows, inner)
        other = np.cos(np.arange(inner * columns, dtype=np.float64)).reshape(columns, inner)
        digest.update((one @ other.T).tobytes() + (one @ one.T).tobytes())
        digest.update(np.linalg.solve(one @ one.T + np.eye(rows), one[:, :1]).tobytes())
    return digest.hexdigest()[:12]
