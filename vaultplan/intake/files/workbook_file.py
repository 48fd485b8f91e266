"""A workbook's file, opened only if its parts are fair."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import openpyxl

from vaultplan.errors import SchemaError, VaultplanError
from vaultplan.intake.files.unpacking import Unpacker, open_zip

_OLD_OR_LOCKED = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
#: Blocks of a part within which one row or text must end, and most bytes of all the shared
#: texts, since both are held in memory; assumed.
_MOST_BLOCKS_OF_ROW = 64
_MOST_SHARED_BYTES = 1 << 29
_XML_STARTS = (b"<", b"\xef\xbb\xbf<", b"\xff\xfe<", b"\xfe\xff\0<", b"\0<")


@contextmanager
def open_workbook(path: Path) -> Iterator[Any]:
    """Open a workbook to be read in a stream, formulas by their stored values.

    Raises
    ------
    SchemaError
        If the file is no workbook, is locked, broken, or unpacks to too much.
    """
    with path.open("rb") as file:
        if file.read(len(_OLD_OR_LOCKED)) == _OLD_OR_LOCKED:
            raise SchemaError(
                f"{path} is an old .xls workbook or locked with a password; open it, take the "
                "password off, and save it as .xlsx"
            )
    with open_zip(path) as unpacker:
        _check_parts(unpacker)
    try:
        with warnings.catch_warnings():
            # It warns of drop-down lists, styles and the like, none of which are data.
            warnings.simplefilter("ignore")
            book = openpyxl.load_workbook(path, read_only=True, data_only=True, keep_links=False)
        try:
            yield book
        finally:
            book.close()
    except VaultplanError:
        raise
    except Exception as error:  # openpyxl meets broken files with whatever its code runs into
        raise SchemaError(
            f"{path} cannot be read as a workbook ({type(error).__name__}: {error}); open it in "
            "a spreadsheet and save it again as .xlsx"
        ) from error


def _check_parts(unpacker: Unpacker) -> None:
    """Unpack every part once, keeping nothing, before a parser sees any of it."""
    path = unpacker.path
    for entry in unpacker.entries:
        shared = entry.filename.lower().endswith("sharedstrings.xml")
        if shared and entry.file_size > _MOST_SHARED_BYTES:
            raise SchemaError(
                f"{path} holds more than {_MOST_SHARED_BYTES >> 20} MB of text; save it as CSV"
            )
        is_xml, tail, blocks_of_row = None, b"", 0
        for block in unpacker.blocks(entry):
            if is_xml is None:
                is_xml = block.lstrip().startswith(_XML_STARTS)
            if not is_xml:
                continue
            seen = tail + (block.replace(b"\0", b"") if b"\0" in block else block)
            if b"<!DOCTYPE" in seen or b"<!ENTITY" in seen:
                raise SchemaError(
                    f"{path}: {entry.filename!r} defines words of its own, as no spreadsheet "
                    "does; open it in one and save it again as .xlsx"
                )
            ends = b"row>" in seen or b"si>" in seen
            blocks_of_row = 0 if ends else blocks_of_row + 1
            if blocks_of_row > _MOST_BLOCKS_OF_ROW:
                raise SchemaError(
                    f"{path}: {entry.filename!r} holds one row or text of more than "
                    f"{_MOST_BLOCKS_OF_ROW} MB; save it as CSV"
                )
            tail = seen[-16:]
