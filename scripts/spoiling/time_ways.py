"""Ways to spoil the moments and keys of visits."""

from __future__ import annotations

import re
from typing import Any

import pandas as pd

from spoiling.bench import Bench, way
from spoiling.folder import TODAY_ENDS
from vaultplan.settings import IntakeSettings

_STAMP = "%Y-%m-%dT%H:%M:%SZ"


def _local(bench: Bench) -> pd.Series[Any]:
    """Return the moments of visits on the clock of the fleet's town, without a zone."""
    return bench.times("visited_at").dt.tz_convert(bench.folder.zone).dt.tz_localize(None)


@way("future", "visits", "refused")
def visit_year_mistyped(bench: Bench) -> None:
    """The ten of the year is one too high. Which year was meant cannot be known for sure."""
    moments = bench.times("visited_at")
    later = moments + pd.DateOffset(years=10)
    rows = bench.pick(later > TODAY_ENDS)
    bench.put("visited_at", later[rows].dt.strftime(_STAMP))


@way("future", "visits", "value")
def visit_day_month_swapped(bench: Bench) -> None:
    """Day and month changed places.

    It can only be known where that makes a day yet to come; all others are left out.
    """
    local = _local(bench)
    form = "%Y-%m-%d %H:%M:%S"
    text = local.dt.strftime("%Y-%d-%m %H:%M:%S")
    swapped = pd.to_datetime(text, format=form, errors="coerce")
    moments = swapped.dt.tz_localize(bench.folder.zone).dt.tz_convert("UTC")
    rows = bench.pick(moments > TODAY_ENDS)
    bench.put("visited_at", moments[rows].dt.strftime(_STAMP))


@way("not_a_time", "visits", "value")
def visit_us_time(bench: Bench) -> None:
    """The moment is in US form and local time, on a day after the 12th."""
    local = _local(bench)
    rows = bench.pick(local.dt.day > 12)
    forms = bench.choose(rows, ["%m/%d/%Y %H:%M", "%m/%d/%Y %I:%M %p", "%m/%d/%y %H:%M"])
    bench.put("visited_at", _formatted(local[rows], forms))


@way("not_a_time", "visits", "refused")
def visit_unclear_time(bench: Bench) -> None:
    """The moment is in US form on a day up to the 12th: day and month cannot be told apart."""
    local = _local(bench)
    rows = bench.pick((local.dt.day <= 12) & (local.dt.day != local.dt.month))
    bench.put("visited_at", _formatted(local[rows], bench.choose(rows, ["%m/%d/%Y %H:%M"])))


@way("not_a_time", "visits", "value")
def visit_excel_serial(bench: Bench) -> None:
    """The moment is a spreadsheet's serial number, in local time."""
    local = _local(bench)
    rows = bench.pick(local.notna())
    days = (local[rows] - pd.Timestamp("1899-12-30")) / pd.Timedelta(days=1)
    bench.put("visited_at", days.map(lambda day: f"{day:.10f}".rstrip("0")).astype("str"))


@way("clock_shifted", "visits", "value")
def visit_local_stamped_utc(bench: Bench) -> None:
    """Local time has a Z behind it.

    It can only be known where it makes a visit by night of one by day, by the hours that the
    settings say crews are home; all others are left out.
    """
    settings, zone, local = IntakeSettings(), bench.folder.zone, _local(bench)
    hour = local.dt.tz_localize("UTC").dt.tz_convert(zone).dt.hour
    rows = bench.pick(((hour >= settings.night_from) | (hour < settings.night_to)) & local.notna())
    bench.put("visited_at", local[rows].dt.strftime(_STAMP))


@way("no_time_zone", "visits", "value")
def visit_no_zone(bench: Bench) -> None:
    """The moment is in local time and does not say so."""
    local = _local(bench)
    rows = bench.pick(local.notna())
    forms = bench.choose(rows, ["%Y-%m-%dT%H:%M:%S", "%Y-%m-%d %H:%M:%S"])
    bench.put("visited_at", _formatted(local[rows], forms))


def _formatted(moments: pd.Series[Any], forms: pd.Series[Any]) -> pd.Series[Any]:
    said = [moment.strftime(form) for moment, form in zip(moments, forms, strict=True)]
    return pd.Series(said, index=moments.index, dtype="str")


@way("visit_twice", "visits")
def visit_entered_twice(bench: Bench) -> None:
    """Two of a crew enter the same visit, each under an id of its own."""
    again = bench.rows.loc[bench.pick()].copy()
    again["visit_id"] = "D" + again["visit_id"]
    again["notes"] = "Entered at the yard"
    bench.append(again)


@way("row_twice", "visits", "once")
def visit_row_repeated(bench: Bench) -> None:
    """A row was pasted twice, all of it alike."""
    bench.append(bench.rows.loc[bench.pick()].copy())


@way("key_twice", "visits")
def visit_id_twice(bench: Bench) -> None:
    """The id of a visit was given to another visit, of the same crew a week later."""
    moments = bench.times("visited_at") + pd.Timedelta(days=7)
    rows = bench.pick(moments < TODAY_ENDS)
    again = bench.rows.loc[rows].copy()
    again["visited_at"] = moments[rows].dt.strftime(_STAMP)
    bench.append(again)


@way("odd_key", "visits", "value")
def visit_key_with_break(bench: Bench) -> None:
    """A line break, tab or control sign got into the id of a visit."""
    rows = bench.pick()
    signs = bench.choose(rows, ["\n", "\t", "\x0b", "\x1f"])
    ids = bench.rows.loc[rows, "visit_id"]
    bench.put("visit_id", ids.str.slice(0, 4) + signs + ids.str.slice(4))


@way("blank", "visits")
def visit_vault_blank(bench: Bench) -> None:
    """The visit does not say to which vault."""
    bench.put("vault_id", pd.Series("", index=bench.pick(), dtype="str"))


@way("unknown_reference", "visits", "refused")
def visit_vault_unknown(bench: Bench) -> None:
    """The visit names a vault that is in no register.

    A mistyped id that is another vault's cannot be known and is left out.
    """
    strange_vaults(bench)


@way("unknown_reference", "visits", "value")
def visit_vault_misspelled(bench: Bench) -> None:
    """The vault's id is written without its dash, in small letters or without leading zeros."""
    misspelled_vaults(bench)


def strange_vaults(bench: Bench) -> None:
    """Give rows the id of no vault: one digit of their own vault's is mistyped or doubled."""
    known = set(bench["vaults"]["vault_id"].map(_plain))
    rows = bench.pick()
    said = []
    for own in bench.rows.loc[rows, "vault_id"]:
        head, digits = re.fullmatch(r"(.*?)(\d+)", own).groups()  # type: ignore[union-attr]
        strange = own
        while _plain(strange) in known:
            at = int(bench.rng.integers(0, len(digits)))
            digit = str(bench.rng.integers(0, 10))
            twice = bench.rng.random() < 0.3
            strange = head + digits[:at] + digit + digits[at + (0 if twice else 1) :]
        said.append(strange)
    bench.put("vault_id", pd.Series(said, index=rows, dtype="str"))


def misspelled_vaults(bench: Bench) -> None:
    """Spell vaults' ids as people do who type them from a plate."""
    rows = bench.pick()
    said = []
    for number, own in enumerate(bench.rows.loc[rows, "vault_id"]):
        head, digits = own.rsplit("-", 1)
        short = digits.lstrip("0")
        forms = (own.lower(), head + digits, f"{head} {digits}", f"{head}_{digits}")
        more = (
            f"{head}-{short}",
            f"{head.lower()}{short}",
            f"{head}-0{digits}",
            f"{head} - {short}",
        )
        choices = [form for form in (*forms, *more) if form != own]
        said.append(choices[number % len(choices)])
    bench.put("vault_id", pd.Series(said, index=rows, dtype="str"))


def _plain(vault_id: str) -> str:
    """Return an id as somebody reads it who does not look at signs and leading zeros."""
    return re.sub(r"(?<!\d)0+(?=\d)", "", re.sub(r"[^a-z0-9]", "-", vault_id.lower()))
