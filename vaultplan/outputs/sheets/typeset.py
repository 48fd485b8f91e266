"""Data set into PDF by Typst: tagged, small, the same bytes for the same data."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack, contextmanager, suppress
from datetime import UTC, datetime
from importlib.resources import as_file, files
from io import BytesIO
from pathlib import Path
from queue import Queue
from typing import Any, TypeAlias, cast

import pikepdf
import typst

from vaultplan.errors import OutputError
from vaultplan.outputs.files import whole_file
from vaultplan.outputs.sheets.codes import code_svg

PAPERS = ("us-letter", "a4")

Typeset: TypeAlias = Callable[[Mapping[str, Any], Path], None]
#: Data and the PDF to set it into, several that have much in common.
Batch: TypeAlias = Sequence[tuple[Mapping[str, Any], Path]]


@contextmanager
def typesetters(template: str, count: int) -> Iterator[Callable[[Batch], None]]:
    """Yield what sets PDFs as :func:`typesetter` does, by several processes at once.

    Typst holds a process to one core. Those of a batch are set by one process, which remembers what
    it drew and laid out. A PDF may be written only when the block ends; so may the error come that
    one could not be. With a ``count`` of 0 all is set here and at once.
    """
    if count == 0:
        with typesetter(template) as typeset_one:

            def typeset_here(batch: Batch) -> None:
                for data, path in batch:
                    typeset_one(data, path)

            yield typeset_here
        return
    free: Queue[subprocess.Popen[str]] = Queue()
    command = [sys.executable, "-m", "vaultplan.outputs.sheets.typeset", template]
    with ExitStack() as stack:
        for _ in range(count):
            process = subprocess.Popen(
                command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
            )
            free.put(stack.enter_context(process))
        pool = ThreadPoolExecutor(count)
        # Where the block fails, nobody waits for what is not begun.
        stack.callback(pool.shutdown, cancel_futures=True)
        waiting: list[Future[None]] = []

        def set_there(lines: list[str]) -> None:
            process = free.get()
            try:
                for line in lines:
                    _asked(process, line)
            finally:
                free.put(process)

        def typeset(batch: Batch) -> None:
            for data, _ in batch:
                check_paper(data["paper"])
            asked = [{"path": str(path), "data": data} for data, path in batch]
            lines = [json.dumps(one, allow_nan=False) for one in asked]
            waiting.append(pool.submit(set_there, lines))

        yield typeset
        for one in waiting:
            one.result()


def _asked(process: subprocess.Popen[str], line: str) -> None:
    """Have a process set one PDF, a line of JSON there and one back."""
    if process.stdin is None or process.stdout is None:
        raise OutputError("a process that sets sheets has no way in or out")
    with suppress(BrokenPipeError):
        process.stdin.write(line + "\n")
        process.stdin.flush()
    answer = process.stdout.readline()
    if not answer:
        raise OutputError("a process that sets sheets has died; is there memory enough?")
    error = json.loads(answer)
    if error:
        raise OutputError(error)


def _serve(template: str) -> None:
    """Set what is asked for on standard input until it ends; the work of a process."""
    with typesetter(template) as typeset:
        for line in sys.stdin:
            asked, error = json.loads(line), ""
            try:
                typeset(asked["data"], Path(asked["path"]))
            except (OutputError, OSError) as fault:
                error = str(fault)
            sys.stdout.write(json.dumps(error) + "\n")
            sys.stdout.flush()


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
    """Return the data as JSON, with the square codes of sheets' cards drawn.

    Drawing them takes long enough to leave it to the processes that set.
    """
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


if __name__ == "__main__":
    _serve(sys.argv[1])
