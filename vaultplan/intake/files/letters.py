"""Which letters a text file is written in, and whether all of it can be read in them."""

from __future__ import annotations

import codecs
from collections.abc import Iterator
from pathlib import Path

from vaultplan.errors import SchemaError, SettingsError

UTF8 = "utf8"
#: Files that are no text but are often given a text file's name, by their first bytes.
_NO_TEXT = {
    b"PK\x03\x04": "a workbook or an archive; name it .xlsx or .zip",
    b"\xd0\xcf\x11\xe0": "an old workbook; open it and save it as .xlsx",
    b"SQLite format 3\0": "a GeoPackage or database; name it .gpkg",
    b"PAR1": "a Parquet file; name it .parquet",
}
_MARKS = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
_BLOCK_BYTES = 1 << 23
_SAMPLE_BYTES = 1 << 16
#: Bytes that stand for nothing in cp1252.
_NOT_CP1252 = b"\x81\x8d\x8f\x90\x9d"
#: Least share of zero bytes, among every second byte, that tells UTF-16 without a mark; assumed.
_ZEROS_OF_UTF16_FRAC = 0.3


def guess_letters(path: Path) -> str:
    """Return the letters a text file is most likely written in, from all of its bytes.

    ``utf8`` if the whole file can be read so; ``utf-16`` by its mark, ``utf-16-le`` or
    ``utf-16-be`` without one by its zero bytes; else ``cp1252``, or ``latin-1`` if a byte occurs
    that cp1252 does not have.
    """
    with path.open("rb") as file:
        start = file.read(_SAMPLE_BYTES)
    if start.startswith(_MARKS):
        return "utf-16"
    if (unmarked := _unmarked_utf16(start)) is not None:
        return unmarked
    decoder = codecs.getincrementaldecoder(UTF8)()
    is_utf8, is_cp1252 = True, True
    for block in _blocks(path):
        if is_utf8:
            try:
                decoder.decode(block, final=not block)
            except UnicodeDecodeError:
                is_utf8 = False
        is_cp1252 = is_cp1252 and not any(byte in block for byte in _NOT_CP1252)
    if is_utf8:
        return UTF8
    return "cp1252" if is_cp1252 else "latin-1"


def stated_or_marked(path: Path, stated: str | None) -> str:
    """Return the letters to read a file in: those stated, UTF-16 by its mark, or UTF-8.

    Raises
    ------
    SettingsError
        If there are no letters of that name.
    """
    if stated is not None:
        return check_name(stated)
    with path.open("rb") as file:
        return "utf-16" if file.read(2) in _MARKS else UTF8


def check_name(letters: str) -> str:
    """Return the name of an encoding, ``utf8`` for all of UTF-8's; refuse one there is not."""
    try:
        "a,\n".encode(letters).decode(letters, errors="replace")
        name = codecs.lookup(letters).name
    except (LookupError, ValueError) as error:
        raise SettingsError(
            f"there is no encoding {letters!r}; try utf-8, cp1252 or utf-16"
        ) from error
    return UTF8 if name in ("utf-8", "utf-8-sig") else letters


def check_text(path: Path, letters: str) -> None:
    """Refuse a file that is not text in these letters, before any row of it is read.

    A row that Arrow cannot decode may be lost in silence, so all is decoded here first.
    """
    with path.open("rb") as file:
        start = file.read(16)
    for mark, what in _NO_TEXT.items():
        if start.startswith(mark):
            raise SchemaError(f"{path} is not text but looks like {what}")
    decoder = codecs.getincrementaldecoder(letters)()
    line = 1
    for block in _blocks(path):
        try:
            text = decoder.decode(block, final=not block)
        except UnicodeDecodeError as error:
            line += error.object.count(b"\n", 0, error.start)
            raise SchemaError(_not_these(path, letters, line, error.reason)) from error
        if "\0" in text:
            line += text.count("\n", 0, text.index("\0"))
            raise SchemaError(
                f"{path} holds zero bytes (first at line {line}), which text never does; "
                'export it again, or state encoding = "utf-16" in the column map if it is'
            )
        line += text.count("\n")


def _not_these(path: Path, letters: str, line: int, why: str) -> str:
    if letters == UTF8:
        return (
            f"{path} is not UTF-8 (first at line {line}); save it as UTF-8, or state its "
            'letters in the column map, e.g. encoding = "cp1252"'
        )
    return (
        f"{path} cannot be read in the letters {letters} (first at line {line}: {why}); "
        "state the right encoding in the column map"
    )


def _unmarked_utf16(start: bytes) -> str | None:
    pairs = len(start) // 2
    if not pairs:
        return None
    even, odd = start[0 : 2 * pairs : 2].count(0), start[1 : 2 * pairs : 2].count(0)
    if max(even, odd) < _ZEROS_OF_UTF16_FRAC * pairs or 10 * min(even, odd) > max(even, odd):
        return None
    return "utf-16-le" if odd > even else "utf-16-be"


def _blocks(path: Path) -> Iterator[bytes]:
    """Hand out a file's bytes, and an empty block at its end."""
    with path.open("rb") as file:
        while block := file.read(_BLOCK_BYTES):
            yield block
    yield b""
