"""Data set into PDF by Typst: tagged, small, the same bytes for the same data."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from importlib.resources import as_file, files
from io import BytesIO
from pathlib import Path
from typing import Any, TypeAlias, cast

import pikepdf
import typst

from vaultplan.errors import OutputError
from vaultplan.outputs.files import whole_file
from vaultplan.outputs.sheets.codes import code_svg

PAPERS = ("us-letter", "a4")

Typeset: TypeAlias = Callable[[Mapping[str, Any], Path], None]


@contextmanager
def typesetter(template: str) -> Iterator[Typeset]:
    """Yield what sets data into a PDF by one of the package's templates.

    Parameters
    ----------
    template
        Path of the template below ``vaultplan/outputs``. It gets the data as JSON; ``made``, the
        date of the document, is year, month, day, hour and minute in UTC.

    Raises
    ------
    OutputError
        By what is yielded: if the data's ``paper`` is not known or a PDF cannot be written.
    """
    with as_file(files("vaultplan.outputs")) as home:
        fonts = typst.Fonts(include_system_fonts=False, font_paths=[_font_folder()])
        compiler = typst.Compiler(home / template, root=home, font_paths=fonts)

        def typeset(data: Mapping[str, Any], path: Path) -> None:
            check_paper(data["paper"])
            year, month, day, hour, minute = data["made"]
            made = datetime(year, month, day, hour, minute, tzinfo=UTC)
            try:
                pdf = compiler.compile(
                    format="pdf",
                    sys_inputs={"data": _with_codes(data)},
                    pdf_standards=["ua-1"],
                    timestamp=int(made.timestamp()),
                )
            except typst.TypstError as error:
                raise OutputError(f"{path.name} cannot be written: {error}") from error
            # Typst leaves the tags of a page unpacked: they are half of the file.
            with whole_file(path) as unfinished, pikepdf.open(BytesIO(cast(bytes, pdf))) as packed:
                packed.save(
                    unfinished,
                    object_stream_mode=pikepdf.ObjectStreamMode.generate,
                    deterministic_id=True,
                )

        yield typeset


def _with_codes(data: Mapping[str, Any]) -> str:
    """Return the data as JSON, with the square codes of sheets' cards drawn."""
    sheets = []
    for sheet in data.get("sheets", []):
        cards = [{**card, "code": code_svg(card["code"])} for card in sheet["cards"]]
        sheets.append({**sheet, "cards": cards})
    drawn = {**data, "sheets": sheets} if sheets else data
    return json.dumps(drawn, ensure_ascii=False, allow_nan=False)


def check_paper(paper: str) -> None:
    """Refuse a paper that no sheet is laid out for."""
    if paper not in PAPERS:
        raise OutputError(f"no paper {paper!r}; choose one of {PAPERS}")


def _font_folder() -> Path:
    import matplotlib

    return Path(matplotlib.get_data_path()) / "fonts" / "ttf"
