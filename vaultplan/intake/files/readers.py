"""A user's file as a stream of chunks of text, each knowing which rows of the file it holds.

Only files that come from outside are read here. A vaultplan database must never be opened by these
readers while the program itself holds it open: GDAL carries its own copy of SQLite, and two
copies on one file lose each other's locks.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path

from vaultplan.errors import SchemaError, SettingsError
from vaultplan.intake.files import archives, columnar, delimited, spatial, workbooks
from vaultplan.intake.files.chunk import Chunk

DELIMITED = (".csv", ".tsv", ".txt")
SPATIAL = (".gpkg", ".shp", ".geojson", ".json", ".gdb")
WORKBOOKS = (".xlsx", ".xlsm")
COLUMNAR = (".parquet", ".geoparquet")
ARCHIVES = (".zip",)
#: What can be read on its own, and so in an archive too.
SINGLE = DELIMITED + SPATIAL + WORKBOOKS + COLUMNAR

_OLD_SHEETS = (".xls", ".xlsb", ".ods")
_KINDS = {
    **dict.fromkeys(DELIMITED, "delimited"),
    **dict.fromkeys(SPATIAL, "spatial"),
    **dict.fromkeys(WORKBOOKS, "workbook"),
    **dict.fromkeys(COLUMNAR, "columnar"),
    **dict.fromkeys(ARCHIVES, "archive"),
}


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
        CSV or TSV, a workbook, GeoPackage, Shapefile, GeoJSON, a File Geodatabase folder, Parquet
        or GeoParquet; or a zip archive that holds one of them.
    layer
        Layer or sheet to read, where a file holds several; the file, where an archive does.
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
        If the file is empty, cannot be read, or could do harm.

    Notes
    -----
    Rows are numbered as a user sees them: in a text file the header is row 1 and, as in a
    spreadsheet, a value with line breaks in it is still one row; rows of a workbook have the
    spreadsheet's own numbers; in the other formats the first feature is row 1. Measured (M)
    coordinates are dropped. A File Geodatabase and a workbook keep no zone with their times, so
    they come without an offset, and a column map must state their zone. An archive is unpacked
    into a temporary folder that is removed when the last chunk is taken or the reading given up.
    """
    kind = _kind(path)
    with _told(path):
        if kind == "archive":
            thing, inner = _thing(path, layer)
            chunks = _from_archive(path, thing, inner, chunk_rows, encoding, delimiter)
        elif kind == "delimited":
            _refuse_layer(path, layer)
            chunks = delimited.read(path, chunk_rows, encoding=encoding, delimiter=delimiter)
        elif kind == "workbook":
            chunks = workbooks.read(path, chunk_rows, sheet=layer)
        elif kind == "columnar":
            _refuse_layer(path, layer)
            chunks = columnar.read(path, chunk_rows)
        else:
            chunks = spatial.read(path, chunk_rows, layer=layer, encoding=encoding)
    return _watched(path, chunks)


def count_rows(path: Path, *, layer: str | None = None) -> int:
    """Return how many rows the file holds, for a progress bar.

    Exact for spatial files and Parquet; for text it is the lines less the header, so quoted line
    breaks count, and for a workbook what the sheet says of its size.
    """
    kind = _kind(path)
    with _told(path):
        if kind == "archive":
            thing, inner = _thing(path, layer)
            with archives.unpacked(path, thing) as single:
                return count_rows(single, layer=_layer_in(single, thing, inner))
        if kind == "delimited":
            return delimited.count(path)
        if kind == "workbook":
            return workbooks.count(path, layer)
        if kind == "columnar":
            return columnar.count(path)
        return spatial.count(path, layer)


def layers_of(path: Path) -> tuple[str, ...]:
    """Return the names of the layers in a spatial file, or of a workbook's sheets that have rows.

    Of an archive they are those of the file in it, or the files if it holds several. A text file
    and Parquet have none.
    """
    kind = _kind(path)
    with _told(path):
        if kind == "archive":
            found = archives.things(path, SINGLE)
            if len(found) > 1:
                return tuple(thing.name for thing in found)
            with archives.unpacked(path, archives.choose(path, found, None)[0]) as single:
                return layers_of(single)
        if kind == "workbook":
            return workbooks.sheets(path)
        return spatial.layers(path) if kind == "spatial" else ()


def _from_archive(
    archive: Path,
    thing: archives.Thing,
    layer: str | None,
    chunk_rows: int,
    encoding: str | None,
    delimiter: str | None,
) -> Iterator[Chunk]:
    with archives.unpacked(archive, thing) as single:
        chunks = read_chunks(
            single,
            layer=_layer_in(single, thing, layer),
            chunk_rows=chunk_rows,
            encoding=encoding,
            delimiter=delimiter,
        )
        # Nothing may hold a file open when its folder is removed.
        with closing(chunks):  # type: ignore[type-var]
            for chunk in chunks:
                yield replace(chunk, file=archive, inner=single.suffix.lower())


def _thing(archive: Path, layer: str | None) -> tuple[archives.Thing, str | None]:
    return archives.choose(archive, archives.things(archive, SINGLE), layer)


def _layer_in(single: Path, thing: archives.Thing, layer: str | None) -> str | None:
    """Return the layer to read; a file without layers may be called by its own name."""
    has_none = _kind(single) in ("delimited", "columnar")
    return None if has_none and layer in (thing.name, thing.entry) else layer


def _kind(path: Path) -> str:
    if not path.exists():
        raise SettingsError(f"there is no file {path}; check the name and the folder")
    ending = path.suffix.lower()
    if ending == ".gdb" and not path.is_dir():
        raise SettingsError(f"{path} is not a folder; a File Geodatabase is a folder *.gdb")
    if ending in _KINDS and ending != ".gdb" and path.is_dir():
        raise SettingsError(f"{path} is a folder; name the file in it")
    if ending in _OLD_SHEETS:
        raise SchemaError(f"{path} is a workbook of another kind; open it and save it as .xlsx")
    if ending not in _KINDS:
        known = ", ".join(_KINDS)
        raise SettingsError(f"{path} cannot be read: its ending must be one of {known}")
    if ending != ".gdb" and path.stat().st_size == 0:
        raise SchemaError(f"{path} is empty; a header and rows are needed")
    return _KINDS[ending]


def _refuse_layer(path: Path, layer: str | None) -> None:
    if layer is not None:
        raise SettingsError(f"{path} is one table and has no layer {layer!r}; leave it out")


def _watched(path: Path, chunks: Iterator[Chunk]) -> Iterator[Chunk]:
    with _told(path):
        yield from chunks


@contextmanager
def _told(path: Path) -> Iterator[None]:
    """Tell a file that cannot be opened, or a disk that fails, by the file's name."""
    try:
        yield
    except OSError as error:
        why = error.strerror or str(error)
        raise SchemaError(f"{path} cannot be read: {why}; check the file and its rights") from error
