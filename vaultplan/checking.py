"""How complete and how plausible loaded tables are, as tables and as a page."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pandas as pd

from vaultplan import schema
from vaultplan.errors import OutputError
from vaultplan.intake.quality import check_frames, field_quality, row_findings, rule_words
from vaultplan.loading import OnStep, is_same_file, read_frames, silent
from vaultplan.outputs.quality.page import write_quality_page
from vaultplan.store.database import open_database

#: What the page tells of loads, beside the tables that a user loads.
_RECORD: Final = ("project", "loads", "findings", "raw_rows", "changes")


@dataclass(frozen=True, slots=True)
class Quality:
    """``report`` a row per finding, ``fields`` per field and district, ``rows`` per faulty row."""

    report: pd.DataFrame
    fields: pd.DataFrame
    rows: pd.DataFrame


def check(location: str, *, page: Path | None = None, on_step: OnStep = silent) -> Quality:
    """Return what is missing, out of range or points nowhere in the loaded tables.

    Parameters
    ----------
    page
        File to write the report to as one HTML page.

    Raises
    ------
    OutputError
        If the page has another ending than .html, or would replace the database.
    """
    if page is not None and page.suffix.lower() not in (".html", ".htm"):
        raise OutputError(f"{page.name}: the page goes to .html, not {page.suffix!r}")
    if page is not None and is_same_file(page, location):
        raise OutputError(f"{page} is the database itself; name another file")
    with open_database(location) as database:
        frames = read_frames(database, (*schema.LOADABLE, *_RECORD), on_step, whole=True)
    on_step("Check the tables")
    quality = Quality(check_frames(frames), field_quality(frames), row_findings(frames))
    if page is not None:
        on_step("Write the page")
        write_quality_page(
            frames,
            page,
            fields=quality.fields,
            report=quality.report,
            rows=quality.rows,
            rules=rule_words(),
        )
    return quality
