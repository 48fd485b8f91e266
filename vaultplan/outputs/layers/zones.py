"""A time zone's rules as a calendar file states them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, tzinfo

from icalendar import Timezone, TimezoneDaylight, TimezoneStandard


def zone_rules(zone: tzinfo, name: str, years: range) -> Timezone:
    """Return the VTIMEZONE of a zone for some years: a component for each change of its clocks.

    Parameters
    ----------
    zone
        The zone.
    name
        Its ``TZID``.
    years
        Years for which the rules are stated.

    Notes
    -----
    RFC 5545, section 3.6.5: a component begins at the local time that the clocks show before they
    change. No ``RDATE`` is used: readers are known that take only its first moment, or that
    forget ``DTSTART`` beside it.
    """
    rules = Timezone()
    rules.add("tzid", name)
    at = datetime(years.start, 1, 1, tzinfo=UTC)
    rules.add_component(_observance(zone, at, _offset(zone, at)))
    while at.year < years.stop:
        later = at + timedelta(days=1)
        if _offset(zone, at) != _offset(zone, later):
            change = _change_between(zone, at, later)
            rules.add_component(_observance(zone, change, _offset(zone, at)))
        at = later
    return rules


def _offset(zone: tzinfo, at: datetime) -> timedelta:
    return at.astimezone(zone).utcoffset() or timedelta(0)


def _change_between(zone: tzinfo, before: datetime, after: datetime) -> datetime:
    """Return the first minute with the later offset."""
    old = _offset(zone, before)
    minutes = (after - before) // timedelta(minutes=1)
    same, other = 0, minutes
    while other - same > 1:
        middle = (same + other) // 2
        if _offset(zone, before + timedelta(minutes=middle)) == old:
            same = middle
        else:
            other = middle
    return before + timedelta(minutes=other)


def _observance(
    zone: tzinfo, at: datetime, offset_before: timedelta
) -> TimezoneStandard | TimezoneDaylight:
    local = at.astimezone(zone)
    told = TimezoneDaylight() if local.dst() else TimezoneStandard()
    told.add("dtstart", (at + offset_before).replace(tzinfo=None))
    told.add("tzoffsetfrom", offset_before)
    told.add("tzoffsetto", _offset(zone, at))
    told.add("tzname", local.tzname())
    return told
