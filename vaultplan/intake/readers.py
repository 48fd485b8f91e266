"""A user's file as a stream of chunks of text, each knowing which rows of the file it holds.

Only files that come from outside are read here. A vaultplan database must never be opened by these
readers while the program itself holds it open: GDAL carries its own copy of SQLite, and two
copies on one file lose each other's locks.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from vaultplan.errors import SchemaError, SettingsError
from vaultplan.intake import delimited, spatial
from vaultplan.intake.chunk import Chunk

DELIMITED = (".csv", ".tsv", ".txt")
SPATIAL = (".gpkg", ".shp", ".geojson", ".json", ".gdb")


def read_chunks(
    path: Path,
    *,
    layer: str | None = None,
    chunk_rows: int = 50_000,
    encoding: str | None = None,
    delimiter: str | None = None,
) -> Iterator[Chunk]:
    """Return the rows of a file in chunks; every value as text, so that no id loses its zeros.

    Parameters
    ----------
    path
        CSV or TSV, GeoPackage, Shapefile, GeoJSON or a File Geodatabase folder.
    layer
        Layer to read, where a file holds several.
    chunk_rows
        Most rows in one chunk.
    encoding
        Letters of a text file or Shapefile; UTF-8 (or UTF-16 with its mark) if not stated.
    delimiter
        What parts the columns of a text file; found among ``, ; tab |`` if not stated.

    Raises
    ------
    SettingsError
        If the file is not there, its ending is unknown, or the layer is missing or ambiguous.
    SchemaError
        If the file is empty or cannot be read.

    Notes
    -----
    Rows are numbered as a user sees them: in a text file the header is row 1 and, as in a
    spreadsheet, a value with line breaks in it is still one row; in the other formats the first
    feature is row 1. Measured (M) coordinates are dropped. A File Geodatabase keeps no zone with
    its times, so they come without an offset, and a column map must state their zone.
    """
    kind = _kind(path)
    if kind == "delimited":
        _refuse_layer(path, layer)
        return delimited.read(path, chunk_rows, encoding=encoding, delimiter=delimiter)
    return spatial.read(path, chunk_rows, layer=layer, encoding=encoding)


def count_rows(path: Path, *, layer: str | None = None) -> int:
    """Return how many rows the file holds, for a progress bar.

    Exact for spatial files; for text it is the lines less the header, so quoted line breaks count.
    """
    if _kind(path) == "delimited":
        return delimited.count(path)
    return spatial.count(path, layer)


def layers_of(path: Path) -> tuple[str, ...]:
    """Return the names of the layers in a spatial file; none for a text file."""
    return () if _kind(path) == "delimited" else spatial.layers(path)


def _kind(path: Path) -> str:
    if not path.exists():
        raise SettingsError(f"there is no file {path}; check the name and the folder")
    ending = path.suffix.lower()
    if ending == ".gdb" and not path.is_dir():
        raise SettingsError(f"{path} is not a folder; a File Geodatabase is a folder *.gdb")
    if ending in DELIMITED + SPATIAL and ending != ".gdb" and path.is_dir():
        raise SettingsError(f"{path} is a folder; name the file in it")
    if ending in DELIMITED:
        if path.stat().st_size == 0:
            raise SchemaError(f"{path} is empty; a header and rows are needed")
        return "delimited"
    if ending in SPATIAL:
        return "spatial"
    known = ", ".join(DELIMITED + SPATIAL)
    raise SettingsError(f"{path} cannot be read: its ending must be one of {known}")


def _refuse_layer(path: Path, layer: str | None) -> None:
    if layer is not None:
        raise SettingsError(f"{path} is a text file and has no layer {layer!r}; leave it out")
