"""One step of the program killed again and again, and what is there afterwards."""

from __future__ import annotations

import random
import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from .forge import Forge, Kill, Trial
from .places import Place
from .state import State, differences, fingerprint, rows_lost, state_of

#: A trial counts as killed inside the writing when this was the last it told.
INSIDE = ("writing", "keeping")
Span = tuple[str, str]
#: From its start to its end and, twice as densely, its writing and what comes after.
EVERYWHERE: tuple[Span, ...] = (
    *(("start", "done"), ("writing", "keeping")),
    *(("start", "done"), ("keeping", "done")),
)


@dataclass
class Figures:
    """How many kills there were, where they fell, and what was lost by them."""

    tried: int = 0
    killed: int = 0
    inside: int = 0
    survived: int = 0
    before: int = 0
    after: int = 0
    rows_lost: int = 0
    most_spilled: int = 0
    seconds: list[float] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)

    def told(self) -> dict[str, Any]:
        """Return the figures as a mapping."""
        return asdict(self)


@dataclass(frozen=True)
class Step:
    """A step on trial: the job, the database it begins with, and the folder it writes to.

    ``there`` holds what files of that folder hold at first.
    """

    job: dict[str, Any]
    base: str
    out: Path | None = None
    held: bool = False
    there: Mapping[str, str] = field(default_factory=dict)


def spread(whole: Trial, count: int, seed: int, spans: Sequence[Span] = EVERYWHERE) -> list[Kill]:
    """Return random moments of a step that took as long as ``whole`` did.

    The spans take turns: they are counted from marks of the trial itself, so that a machine that
    is busier or idler than before does not move them out of the writing.
    """
    draw = random.Random(seed)
    kills = []
    for number in range(count):
        begin, end = spans[number % len(spans)]
        kills.append(Kill(begin, draw.random() * whole.seconds(begin, end)))
    return kills


def survive(
    forge: Forge, place: Place, step: Step, kills: Callable[[Trial], list[Kill]], *, inside: int
) -> Figures:
    """Kill a step at the moments that are drawn from its undisturbed run; return the figures.

    Where fewer than ``inside`` fall into the writing, more are tried there.
    """
    figures = Figures()
    location = place.set_back(step.base)
    job = {**step.job, "location": location, "out": str(step.out)}
    _clear(step)
    before, files_before = state_of(location), _files(step)
    if step.held:
        forge.hold(job)
    whole = _try(forge, job, step, None)
    assert whole.status == 0, (whole.kind, whole.error)
    after, files_after = state_of(location), _files(step)
    figures.seconds.append(whole.seconds("start", "done"))
    drawn, extra = kills(whole), random.Random(7)
    try:
        found = after
        while drawn:
            kill = drawn.pop(0)
            if found != before or place.is_embedded:
                place.set_back(step.base)
            _clear(step)
            trial = _try(forge, job, step, kill)
            assert trial.killed or trial.status == 0, (trial.kind, trial.error)
            figures.tried += 1
            figures.killed += trial.killed
            figures.inside += trial.killed and trial.last in INSIDE
            if trial.killed and trial.last == "writing":
                figures.most_spilled = max(figures.most_spilled, place.spilled())
            if place.is_embedded:
                place.check()
            found = state_of(location)
            fault = _fault(found, before, after) or _half_written(step, files_before, files_after)
            figures.before += found == before
            figures.after += found == after and before != after
            figures.survived += not fault
            if fault:
                figures.rows_lost += min(rows_lost(before, found), rows_lost(after, found))
                figures.faults.append(f"{kill}: after {trial.last}: {fault}")
            if not drawn and figures.inside < inside and figures.tried < 60:
                begin = extra.choice([mark for mark in INSIDE if mark in whole.marks])
                drawn.append(Kill(begin, extra.random() * 0.5 * whole.seconds(begin, "kept")))
    finally:
        if step.held:
            forge.let_go()
    place.check()
    return figures


def _try(forge: Forge, job: dict[str, Any], step: Step, kill: Kill | None) -> Trial:
    return forge.go(kill) if step.held else forge.run(job, kill)


def _fault(found: State, before: State, after: State) -> str:
    if found in (before, after):
        return ""
    return f"neither before ({differences(before, found)}) nor after ({differences(after, found)})"


def _files(step: Step) -> dict[str, str]:
    """Hash of every file of the folder that has its final name."""
    if step.out is None or not step.out.exists():
        return {}
    return {
        str(path.relative_to(step.out)): fingerprint(path)
        for path in sorted(step.out.rglob("*"))
        if path.is_file() and not path.name.startswith(".")
    }


def _half_written(step: Step, before: dict[str, str], after: dict[str, str]) -> str:
    half = [
        name
        for name, found in _files(step).items()
        if found not in (before.get(name), after.get(name))
    ]
    return f"half written: {', '.join(half)}" if half else ""


def _clear(step: Step) -> None:
    """Let the folder hold what it held at first, and nothing else."""
    if step.out is not None:
        shutil.rmtree(step.out, ignore_errors=True)
        step.out.mkdir()
        for name, text in step.there.items():
            (step.out / name).write_text(text, encoding="utf-8")
