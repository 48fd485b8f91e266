"""Zip files opened with care: archives and workbooks may unpack to far more than they seem.

Declared sizes are judged before anything is unpacked, and what really comes out is counted, as
declared sizes lie.
"""

from __future__ import annotations

import io
import lzma
import stat
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from vaultplan.errors import SchemaError, VaultplanError

#: Most bytes that one file may unpack to; assumed.
MOST_BYTES = 4 << 30
#: An entry may unpack to so many times its size, above so many bytes; assumed. Tables of text
#: shrink to a twentieth or so; deflate can do a thousandth only with what is all alike.
MOST_TIMES = 200
FREE_BYTES = 50 << 20
#: Most entries, and most bytes of the directory that lists them; assumed.
MOST_ENTRIES = 10_000
MOST_DIRECTORY_BYTES = 16 << 20
_BLOCK_BYTES = 1 << 20
_UNREADABLE = (
    zipfile.BadZipFile,
    zlib.error,
    lzma.LZMAError,
    EOFError,
    OSError,
    RuntimeError,  # NotImplementedError too: a way of packing that is not known here
    ValueError,
)


class Unpacker:
    """An open zip file that hands out its entries' bytes until they are too many."""

    def __init__(self, path: Path, opened: zipfile.ZipFile) -> None:
        self.path, self._opened, self._gone = path, opened, 0
        self.entries = tuple(opened.infolist())

    def blocks(self, entry: zipfile.ZipInfo) -> Iterator[bytes]:
        """Hand out the bytes of one entry."""
        of_entry = 0
        with self._opened.open(entry) as source:
            while block := source.read(_BLOCK_BYTES):
                of_entry += len(block)
                self._gone += len(block)
                self._check_size(entry, of_entry, self._gone)
                yield block

    def check(self) -> None:
        """Refuse what is too large by its own account, or locked."""
        if len(self.entries) > MOST_ENTRIES:
            raise SchemaError(
                f"{self.path} holds {len(self.entries):,} entries, more than {MOST_ENTRIES:,}; "
                "keep only the files to load in it"
            )
        total = 0
        for entry in self.entries:
            if entry.flag_bits & 0x41:
                raise SchemaError(
                    f"{self.path}: {entry.filename!r} is locked with a password; save it without"
                )
            total += entry.file_size
            self._check_size(entry, entry.file_size, total)

    def _check_size(self, entry: zipfile.ZipInfo, of_entry: int, total: int) -> None:
        if total > MOST_BYTES:
            raise SchemaError(
                f"{self.path} unpacks to more than {MOST_BYTES >> 30} GB (at {entry.filename!r}); "
                "unpack it yourself if you trust it, and load the file in it"
            )
        packed = min(entry.compress_size, self.path.stat().st_size)
        if of_entry > FREE_BYTES and of_entry > MOST_TIMES * packed:
            raise SchemaError(
                f"{self.path}: {entry.filename!r} unpacks to more than {MOST_TIMES} times its "
                "size, as only harmful files do; if you trust it, save it anew as CSV"
            )


@contextmanager
def open_zip(path: Path) -> Iterator[Unpacker]:
    """Open a zip file whose declared sizes are fair.

    Raises
    ------
    SchemaError
        If it is no zip file, is broken, locked, or unpacks to too much.
    """
    try:
        with (
            path.open("rb", buffering=0) as raw,
            _CarefulReader(raw) as careful,
            zipfile.ZipFile(careful) as opened,
        ):
            unpacker = Unpacker(path, opened)
            unpacker.check()
            yield unpacker
    except VaultplanError:
        raise
    except _UNREADABLE as error:
        raise SchemaError(
            f"{path} cannot be unpacked: {error}; open it where it was made and save it again"
        ) from error


def is_link_or_device(entry: zipfile.ZipInfo) -> bool:
    """Return whether an entry is neither a plain file nor a folder."""
    kind = stat.S_IFMT(entry.external_attr >> 16)
    return kind not in (0, stat.S_IFREG, stat.S_IFDIR)


class _CarefulReader(io.BufferedReader):
    """A file that refuses to be read at one go further than any directory reaches."""

    def read(self, size: int | None = -1, /) -> bytes:
        if size is not None and size > MOST_DIRECTORY_BYTES:
            raise zipfile.BadZipFile("the list of its entries is too long")
        return super().read(size)
