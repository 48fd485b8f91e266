"""Local clock and calendar against seconds of the week, safe when clocks change."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from vaultplan.errors import ScheduleError

WEEK_DAYS: Final = 7
_CLOCK: Final = re.compile(r"([01]?\d|2[0-4]):([0-5]\d)")


@dataclass(frozen=True, slots=True)
class WeekClock:
    """Seconds since the week's first local midnight, for local dates and times of day.

    Every local time is turned into UTC on its own, so a day on which clocks change has its true
    23 or 25 hours.

    >>> WeekClock.of(date(2026, 10, 26), "America/Los_Angeles").second(6, "08:00") // 3600
    153
    """

    monday: date
    zone: ZoneInfo

    @classmethod
    def of(cls, week_of: date, time_zone: str) -> WeekClock:
        """Return the clock of the week that begins on a Monday.

        Raises
        ------
        ScheduleError
            If the day is no Monday or the time zone is unknown.
        """
        monday = date(week_of.year, week_of.month, week_of.day)
        if monday.weekday() != 0:
            first = monday - timedelta(days=monday.weekday())
            raise ScheduleError(f"{monday} is not a Monday; the week it lies in begins on {first}")
        try:
            return cls(monday, ZoneInfo(time_zone))
        except (ZoneInfoNotFoundError, ValueError) as error:
            raise ScheduleError(
                f"{time_zone!r} is no time zone; give a name such as America/Los_Angeles"
            ) from error

    @property
    def origin(self) -> datetime:
        """The moment from which seconds count."""
        return datetime.combine(self.monday, time(), self.zone).astimezone(UTC)

    def day(self, number: int) -> date:
        """Return the date of a day, 0 for Monday."""
        return self.monday + timedelta(days=number)

    def number(self, day: date) -> int:
        """Return how many days a date lies after the Monday."""
        return (date(day.year, day.month, day.day) - self.monday).days

    def second(self, number: int, clock: str) -> int:
        """Return the second at which a local clock shows ``HH:MM`` on a day; 24:00 ends it."""
        match = _CLOCK.fullmatch(clock.strip())
        if match is None:
            raise ScheduleError(f"{clock!r} is no time of day; write it as HH:MM")
        hours, minutes = int(match[1]), int(match[2])
        wall = datetime.combine(self.day(number), time()) + timedelta(hours=hours, minutes=minutes)
        moment = wall.replace(tzinfo=self.zone).astimezone(UTC)
        return round((moment - self.origin).total_seconds())

    def moment(self, second: int) -> datetime:
        """Return the UTC moment of a second of the week."""
        return self.origin + timedelta(seconds=second)
