"""How the numbers, days, times and words of one file are to be read."""

from __future__ import annotations

from dataclasses import dataclass, field

from vaultplan.intake.words import WordList


@dataclass(frozen=True, slots=True)
class Reading:
    """How text of a file becomes values.

    ``file_zone`` is the zone of times without an offset (``None``: such times are findings),
    ``local_zone`` the zone whose days the database reckons in. ``excel_days`` reads numbers in
    columns of days and times as a spreadsheet's days since 1899-12-30.
    """

    local_zone: str = "UTC"
    file_zone: str | None = None
    date_format: str | None = None
    time_format: str | None = None
    thousands: str | None = None
    decimal: str = "."
    excel_days: bool = False
    words: WordList = field(default_factory=WordList)
