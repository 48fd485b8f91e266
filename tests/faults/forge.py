"""Trials of one step of the program, each in a process of its own that may be killed."""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
import time
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
_PATIENCE_SECONDS = 120.0


@dataclass
class Trial:
    """What a trial came to: when it passed its marks, whether it was killed, what it said."""

    marks: dict[str, float] = field(default_factory=dict)
    killed: bool = False
    status: int = -1
    error: str = ""
    kind: str = ""

    @property
    def last(self) -> str:
        """The last mark that it passed."""
        return max(self.marks, key=lambda name: self.marks[name])

    def seconds(self, since: str, until: str) -> float:
        """How long it took from a mark to another."""
        return self.marks[until] - self.marks[since]


@dataclass(frozen=True)
class Kill:
    """When a trial is killed: some seconds after a mark."""

    mark: str
    after_seconds: float


class Forge:
    """A process that has the program imported and forks trials; one at a time."""

    def __init__(self) -> None:
        one_thread = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1")
        self._process = subprocess.Popen(
            [sys.executable, Path(__file__).with_name("child.py")],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env={**os.environ, **one_thread, "PYTHONPATH": str(ROOT)},
            cwd=ROOT,
        )
        self._heard = b""
        self._held = False
        assert self._line(_PATIENCE_SECONDS) == {"ready": True}

    def close(self) -> None:
        """End the process, whatever it does."""
        self._process.kill()
        self._process.communicate()

    def run(self, job: dict[str, Any], kill: Kill | None = None) -> Trial:
        """Return what became of a job, killed at a moment if one is given."""
        self._tell(job)
        return self._watch(kill)

    def begin(self, job: dict[str, Any]) -> None:
        """Start a job without waiting for its end; :meth:`finish` does."""
        self._tell(job)

    def finish(self, kill: Kill | None = None, *, on_mark: Any = None) -> Trial:
        """Return what became of the job that was begun."""
        return self._watch(kill, on_mark)

    def hold(self, job: dict[str, Any]) -> None:
        """Do a job up to where it holds; :meth:`go` then tries the rest, any number of times."""
        self._tell({**job, "hold": True})
        while "held" not in (line := self._line(_PATIENCE_SECONDS) or {}):
            assert line, "the job did not come to where it holds"
            assert "error" not in line, line
        self._held = True

    def go(self, kill: Kill | None = None) -> Trial:
        """Return what became of the rest of the job that is held."""
        self._tell({"go": True})
        return self._watch(kill)

    def let_go(self) -> None:
        """End the job that is held."""
        if self._held:
            self._tell({"go": False})
            self._held = False
            while "ended" not in (self._line(_PATIENCE_SECONDS) or {"ended": None}):
                pass

    def _tell(self, words: dict[str, Any]) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write((json.dumps(words) + "\n").encode())
        self._process.stdin.flush()

    def _watch(self, kill: Kill | None, on_mark: Any = None) -> Trial:
        trial, handle, due = Trial(), None, None
        try:
            while True:
                left = _PATIENCE_SECONDS if due is None else max(0.0, due - time.monotonic())
                line = self._line(left)
                if line is None:
                    assert handle is not None, "the trial never began"
                    signal.pidfd_send_signal(handle, signal.SIGKILL)
                    assert due is not None, f"the trial hangs after {trial.last}"
                    trial.killed, due = True, None
                elif "pid" in line:
                    # One that nobody watched at first may have ended already.
                    with suppress(ProcessLookupError):
                        handle = os.pidfd_open(line["pid"])
                elif "mark" in line:
                    trial.marks.setdefault(line["mark"], line["at"])
                    if kill is not None and line["mark"] == kill.mark and not trial.killed:
                        due = line["at"] + kill.after_seconds
                    if on_mark is not None:
                        on_mark(line["mark"])
                elif "error" in line:
                    trial.error, trial.kind = line["error"], line["kind"]
                elif "ended" in line:
                    trial.status = line["ended"]
                    return trial
        finally:
            if handle is not None:
                os.close(handle)

    def _line(self, seconds: float) -> dict[str, Any] | None:
        """The next line, or nothing if none comes in time."""
        assert self._process.stdout is not None
        source, until = self._process.stdout.fileno(), time.monotonic() + seconds
        while b"\n" not in self._heard:
            ready, _, _ = select.select([source], [], [], max(0.0, until - time.monotonic()))
            if not ready:
                return None
            more = os.read(source, 65536)
            assert more, "the process that forks the trials has ended"
            self._heard += more
        line, self._heard = self._heard.split(b"\n", 1)
        told: dict[str, Any] = json.loads(line)
        return told
