"""What can go wrong, and what the user can do about it.

VaultplanError
├── SettingsError (ValueError)      a settings or recipe file says something impossible
├── SchemaError (ValueError)        a table lacks a column or holds a value it may not hold
│   └── BadRowsError                rows of a user's file are refused, each with its reason
├── CRSError (ValueError)           a coordinate system is missing, unequal or not projected
├── StoreError (RuntimeError)       the database cannot be opened, written or understood
│   └── ConflictError               somebody else changed meanwhile what is to be written
├── TraceError (ValueError)         the drain tables contradict themselves
├── ScheduleError (RuntimeError)    a week cannot be built, or a plan breaks one of its limits
├── OutputError (RuntimeError)      a map, layer or sheet cannot be written
├── ClusterError (RuntimeError)     a cluster is not there, does not fit or went away
├── ProcessError (RuntimeError)     a process that worked beside this one died
└── MissingExtraError (ImportError) an optional package is needed; the message names the install
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


class VaultplanError(Exception):
    """Base of every error this package raises on purpose."""


class SettingsError(VaultplanError, ValueError):
    """A settings file or column map says something impossible."""


class SchemaError(VaultplanError, ValueError):
    """A table lacks a column or holds a value that the schema forbids."""


class CRSError(VaultplanError, ValueError):
    """A coordinate reference system is missing, unequal or not projected."""


class StoreError(VaultplanError, RuntimeError):
    """The database cannot be opened, written or understood."""


class ConflictError(StoreError):
    """Somebody else changed meanwhile what is to be written; nothing was."""


class TraceError(VaultplanError, ValueError):
    """The drain tables contradict themselves."""


class ScheduleError(VaultplanError, RuntimeError):
    """A week cannot be built, or a plan breaks one of its limits."""


class OutputError(VaultplanError, RuntimeError):
    """A map, layer or sheet cannot be written."""


class ClusterError(VaultplanError, RuntimeError):
    """A cluster is not there, its workers do not fit, or it went away."""


class ProcessError(VaultplanError, RuntimeError):
    """A process that worked beside this one died."""


class MissingExtraError(VaultplanError, ImportError):
    """An optional package is needed for this call."""

    def __init__(self, package: str, extra: str) -> None:
        super().__init__(f"this needs {package}: pip install 'vaultplan[{extra}]'")


@dataclass(frozen=True, slots=True)
class BadRow:
    """One fault in one row of a user's file.

    ``row`` counts as the user sees it (line 2 is the first row of a CSV); 0 means the whole file.
    """

    row: int
    column: str
    value: str
    fault: str
    remedy: str

    def __str__(self) -> str:
        """Return the fault as one readable line."""
        where = f"row {self.row}" if self.row else "whole file"
        what = f", column {self.column}" if self.column else ""
        value = f" ({self.value!r})" if self.value else ""
        return f"{where}{what}: {self.fault}{value}; {self.remedy}"


class BadRowsError(SchemaError):
    """Rows of a user's file are refused; ``faults`` lists every one of them."""

    shown = 20

    def __init__(self, file: str, table: str, faults: Sequence[BadRow]) -> None:
        self.file, self.table, self.faults = file, table, tuple(faults)
        lines = [f"  {fault}" for fault in self.faults[: self.shown]]
        if len(self.faults) > self.shown:
            lines.append(f"  ... and {len(self.faults) - self.shown:,} more")
        head = f"{file} was not loaded into {table}: {len(self.faults):,} fault(s), nothing written"
        super().__init__("\n".join([head, *lines]))
