"""Work done by a process of its own while this one goes on: threads would share one interpreter."""

from __future__ import annotations

import importlib
import os
import pickle
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from threading import Thread
from typing import Any, Final

from vaultplan.errors import ProcessError

#: More processes than this have never been of use.
MOST: Final = 4
_RUN: Final = "from vaultplan.beside import serve; serve()"

Tell = Callable[[object], None]


def processes() -> int:
    """Return how many processes may work at once, this one counted."""
    return min(os.cpu_count() or 1, MOST)


class Work:
    """What was asked of another process: :meth:`result` waits for it."""

    def __init__(self, process: subprocess.Popen[bytes], asked: bytes, on_told: Tell) -> None:
        self._process, self._asked, self._on_told = process, asked, on_told
        self._answer: tuple[str, Any] = ("", None)
        self._threads = [Thread(target=self._ask), Thread(target=self._listen)]
        for thread in self._threads:
            thread.start()

    def result(self) -> Any:
        """Return what the function returned there, or raise what it raised.

        Raises
        ------
        ProcessError
            If the process died.
        """
        for thread in self._threads:
            thread.join()
        self._process.wait()
        kind, answer = self._answer
        if kind == "failed":
            raise answer
        if kind != "done":
            raise ProcessError("a process that worked beside has died; is there memory enough?")
        return answer

    def stop(self) -> None:
        """End the process, whatever it does."""
        self._process.kill()
        for thread in self._threads:
            thread.join()
        self._process.wait()
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                pipe.close()

    def _ask(self) -> None:
        if self._process.stdin is not None:
            with suppress(BrokenPipeError), self._process.stdin as there:
                there.write(self._asked)
        self._asked = b""

    def _listen(self) -> None:
        if self._process.stdout is not None:
            # A stream that ends in the middle is that of a process which died.
            with suppress(EOFError, pickle.UnpicklingError):
                while self._answer[0] in ("", "told"):
                    self._answer = pickle.load(self._process.stdout)  # noqa: S301
                    if self._answer[0] == "told":
                        self._on_told(self._answer[1])


@contextmanager
def beside(
    function: Callable[..., Any], *arguments: object, on_told: Tell = lambda _word: None
) -> Iterator[Work]:
    """Yield a function's work in another process, which ends when the block does.

    Parameters
    ----------
    function
        Of a module of this package; called with the arguments and with ``tell``, by which it may
        say how far it is. All is handed over as pickles, between this program and itself only.
    on_told
        Called with each word that is told, by a thread.
    """
    asked = pickle.dumps((function.__module__, function.__qualname__, arguments), protocol=5)
    process = subprocess.Popen(
        [sys.executable, "-c", _RUN], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    work = Work(process, asked, on_told)
    try:
        yield work
    finally:
        work.stop()


def serve() -> None:
    """Do what standard input asks for and answer on standard output; the work of a process."""
    # What a library may print must not come between the answers.
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)

    def answer(kind: str, told: object) -> None:
        pickle.dump((kind, told), answers, protocol=5)
        answers.flush()

    module, name, arguments = pickle.load(sys.stdin.buffer)  # noqa: S301
    try:
        function = getattr(importlib.import_module(module), name)
        found = function(*arguments, tell=lambda word: answer("told", word))
    except Exception as error:
        answer("failed", error)
    else:
        answer("done", found)
