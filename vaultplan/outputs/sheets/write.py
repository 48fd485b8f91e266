"""Route sheets: one printable PDF per truck and day."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from datetime import datetime
from itertools import count
from pathlib import Path
from typing import Any, Final, TypeAlias

import pandas as pd

from vaultplan import schema, styles
from vaultplan.beside import Tell, beside, processes
from vaultplan.outputs.files import remove_stale, truck_day_names
from vaultplan.outputs.labels import date_in_words, printable
from vaultplan.outputs.plan_view import of_week
from vaultplan.outputs.sheets.cover import cover
from vaultplan.outputs.sheets.stop import stop_card
from vaultplan.outputs.sheets.typeset import check_paper, typesetter
from vaultplan.outputs.sheets.week import TABLES, Row, Week, gather_week
from vaultplan.settings import Settings

#: A day, and a truck or yard.
Pair: TypeAlias = tuple[pd.Timestamp, str]

#: Stands in the name of a file that holds all sheets of a yard's day.
OF_YARD = "_yard-"
MANY_SHEETS: Final = 40


def write_sheets(
    frames: schema.Frames,
    folder: Path,
    *,
    settings: Settings,
    paper: str | None = None,
    on_progress: Callable[[int, int], None] | None = None,
) -> list[Path]:
    """Return the route sheets written to ``folder/sheets``, as :func:`setting_sheets` does."""
    with setting_sheets(
        frames, folder, settings=settings, paper=paper, on_progress=on_progress
    ) as written:
        return written


@contextmanager
def setting_sheets(
    frames: schema.Frames,
    folder: Path,
    *,
    settings: Settings,
    paper: str | None = None,
    on_progress: Callable[[int, int], None] | None = None,
) -> Iterator[list[Path]]:
    """Yield the route sheets of ``folder/sheets``, one PDF per truck and day.

    Many are set by other processes while the block goes on; all are there when it ends.

    A yard that sends several trucks on a day has all their sheets in one more file, to be printed
    at one go.

    The first page tells the day; then follows a card per stop with what to expect, what to do, when
    to stop and call, and fields to write in. Sheets of the same week that this plan no longer has
    are removed, so that nobody prints them. The same frames give the same bytes.

    Parameters
    ----------
    frames
        Tables of one plan. ``plans`` and ``plan_stops`` are needed; ``vaults``, ``plan_jobs``,
        ``work_orders``, ``trucks``, ``depots``, ``disposal_sites``, ``forecasts``, ``decisions``,
        ``traces``, ``visits``, ``routes``, ``receiving_waters``, ``sensitivities``,
        ``rain_outlook``, ``inlets``, ``roads`` and ``backdrop`` are used as far as they are there.
    folder
        Output folder of the plan.
    settings
        ``time_zone`` and ``outputs`` (paper, language, utility, contact, spare socks).
    paper
        ``us-letter`` or ``a4``, in place of the one in the settings.
    on_progress
        Called with the number of files written, and the number of all; by a thread, where other
        processes write them.

    Raises
    ------
    OutputError
        If the stops belong to several plans, the paper is not known, or a sheet cannot be written.
    CRSError
        If the tables are not all in one CRS.
    """
    paper = paper or settings.outputs.paper
    check_paper(paper)
    target = folder / "sheets"
    if "plan_stops" not in frames or frames["plan_stops"].empty:
        yield []
        return
    frames = of_week({name: frames[name] for name in (*TABLES, "notices") if name in frames})
    week = gather_week(frames, settings)
    yards = _yards(week)
    with_all = [(day, f"yard {yard}") for (day, yard), trucks in yards.items() if len(trucks) > 1]
    pairs = [*_days(week), *with_all]
    names = truck_day_names(pairs, ".pdf")
    paths = {pair: target / name for pair, name in zip(pairs, names, strict=True)}
    target.mkdir(parents=True, exist_ok=True)
    files = list(paths.values())
    # A process takes some seconds to start: few sheets are set sooner here.
    others = processes() - 1 if len(names) > MANY_SHEETS else 0
    told = count(1)

    def on_told(_word: object) -> None:
        if on_progress:
            on_progress(next(told), len(files))

    with ExitStack() as stack:
        shares = [list(yards)[number::others] for number in range(others)]
        works = [
            stack.enter_context(
                beside(set_apart, frames, settings, paper, paths, share, on_told=on_told)
            )
            for share in shares
        ]
        if not works:
            _set_sheets(week, list(yards), paths, paper, on_told)
        yield files
        for work in works:
            work.result()
    remove_stale(target, week.plan["week_of"], ".pdf", files)


def set_apart(
    frames: schema.Frames,
    settings: Settings,
    paper: str,
    paths: Mapping[Pair, Path],
    yards: Sequence[Pair],
    tell: Tell,
) -> None:
    """Set the sheets of some yards' days; the work of another process."""
    _set_sheets(gather_week(frames, settings), yards, paths, paper, tell)


def _set_sheets(
    week: Week, yards: Sequence[Pair], paths: Mapping[Pair, Path], paper: str, tell: Tell
) -> None:
    """Set the sheets of the trucks of some yards' days, and those of each yard in one."""
    days, every = _days(week), _yards(week)
    with typesetter("sheets/sheet.typ") as typeset:
        for day, yard in yards:
            trucks = every[day, yard]
            sheets = [_sheet(week, truck, day, _rows(days[day, truck])) for truck in trucks]
            for truck, sheet in zip(trucks, sheets, strict=True):
                typeset(_payload(week, [sheet], sheet["title"], paper), paths[day, truck])
                tell(truck)
            if len(trucks) > 1:
                payload = _payload(week, sheets, _yard_title(week, yard, day), paper)
                typeset(payload, paths[day, f"yard {yard}"])
                tell(yard)


def _days(week: Week) -> dict[Pair, pd.DataFrame]:
    """Return the stops of each day and truck."""
    groups = week.stops.groupby(["on", "truck_id"], sort=True)
    return {(pd.Timestamp(day), str(truck)): stops for (day, truck), stops in groups}


def _yards(week: Week) -> dict[Pair, list[str]]:
    """Return the trucks of each day and yard."""
    found: dict[Pair, list[str]] = {}
    for day, truck in _days(week):
        yard = str(week.row("trucks", truck).get("depot_id") or "")
        found.setdefault((day, yard), []).append(truck)
    return found


def _yard_title(week: Week, yard: str, day: pd.Timestamp) -> str:
    depot = week.row("depots", yard)
    return week.labels["yard_title"].format(
        date=date_in_words(day, week.labels),
        yard=printable(depot.get("name") or yard, 60) or week.labels["not_stated"],
    )


def _sheet(week: Week, truck_id: str, day: pd.Timestamp, stops: list[Row]) -> dict[str, Any]:
    t = week.labels
    words = date_in_words(day.date(), t)
    return {
        "title": t["document_title"].format(truck=printable(truck_id, 40), date=words),
        "truck_short": printable(truck_id, 24),
        "on": f"{day:%Y-%m-%d}",
        **cover(week, truck_id, day, stops),
        "cards": [stop_card(week, stop) for stop in stops],
    }


def _payload(week: Week, sheets: list[dict[str, Any]], title: str, paper: str) -> dict[str, Any]:
    t, plan = week.labels, week.plan
    made: datetime = plan["made_at"].to_pydatetime()
    as_of = f"{plan['as_of_on']:%Y-%m-%d}"
    footer = [
        f"{t['plan']} {printable(plan['plan_id'], 40)}",
        f"{t['data_to']} {as_of}",
        f"{t['version']} {_short(plan['content_version']) or t['not_stated']}",
        f"{t['rules']} {_short(plan['rules_version']) or t['not_stated']}",
    ]
    return {
        "t": dict(t),
        "lang": week.settings.outputs.language,
        "paper": paper,
        "title": title,
        "author": printable(week.settings.outputs.utility, 60) or "vaultplan",
        "made": [made.year, made.month, made.day, made.hour, made.minute],
        "footer": " · ".join(footer),
        "utility": printable(week.settings.outputs.utility, 34),
        "colours": dict(styles.GRADE_COLOURS),
        "deep": styles.SEQUENTIAL[5],
        "sheets": sheets,
    }


def _short(version: object) -> str:
    return printable(version, 100, may_break=False)[:8]


def _rows(stops: pd.DataFrame) -> list[Row]:
    records = stops.to_dict("records")
    return [{str(k): None if pd.isna(v) else v for k, v in row.items()} for row in records]
