"""When a truck may stand at a vault: between hours that are barred, by daylight, in an outage."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, Final

import astral
import pandas as pd
from astral.sun import sunrise, sunset

from vaultplan.errors import ScheduleError
from vaultplan.schedule.clock import WeekClock

#: From one second to another.
Window = tuple[int, int]
#: A stay that nothing bounds.
WHOLE: Final[Window] = (-(10**9), 10**9)


def stays(
    clock: WeekClock,
    day: int,
    *,
    barred: Sequence[tuple[str, str]] = (),
    light: Window | None = None,
    outage: Window | None = None,
) -> tuple[Window, ...]:
    """Return the spans of a day in which a truck may stand at a vault, from coming to leaving.

    Parameters
    ----------
    clock, day
        The week, and the number of the day in it.
    barred
        Times of day when no truck may stand there.
    light, outage
        Seconds of the week that a stay must keep within.

    Examples
    --------
    >>> from datetime import date
    >>> week = WeekClock.of(date(2026, 11, 2), "Etc/GMT+10")
    >>> stays(week, 0, barred=[("07:00", "09:00")], light=(6 * 3600, 18 * 3600))
    ((21600, 25200), (32400, 64800))
    """
    spans = [WHOLE]
    for first, last in barred:
        start, end = clock.second(day, first), clock.second(day, last)
        spans = [part for span in spans for part in _without(span, start, end)]
    for bound in (light, outage):
        if bound is not None:
            spans = [(max(a, bound[0]), min(b, bound[1])) for a, b in spans]
    return tuple((a, b) for a, b in spans if a < b)


def _without(span: Window, start: int, end: int) -> Iterable[Window]:
    if end <= span[0] or start >= span[1]:
        yield span
        return
    if span[0] < start:
        yield span[0], start
    if end < span[1]:
        yield end, span[1]


def daylight(clock: WeekClock, day: int, lon: float, lat: float) -> Window:
    """Return sunrise and sunset in seconds of the week; nothing where the sun does not rise.

    Raises
    ------
    ScheduleError
        If the sun does not rise or set there on that day.
    """
    place, on = astral.Observer(lat, lon), clock.day(day)
    try:
        rise = sunrise(place, date=on, tzinfo=clock.zone)
        down = sunset(place, date=on, tzinfo=clock.zone)
    except ValueError as error:
        raise ScheduleError(
            f"the sun does not both rise and set on {on}: {error}; leave daylight_only blank there"
        ) from error
    return (
        round((rise - clock.origin).total_seconds()),
        round((down - clock.origin).total_seconds()),
    )


def spans_of_day(value: Any) -> tuple[tuple[str, str], ...]:
    """Return times of day written as ``HH:MM-HH:MM``, several with ``;`` between.

    Raises
    ------
    ScheduleError
        If a span is not written so.
    """
    spans = []
    for word in "" if pd.isna(value) else str(value).split(";"):
        if word.strip():
            first, dash, last = word.strip().partition("-")
            if not dash or first.strip() >= last.strip():
                raise ScheduleError(f"{word!r} is no span of a day; write it as 07:00-09:00")
            spans.append((first.strip(), last.strip()))
    return tuple(spans)
