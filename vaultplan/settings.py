"""Settings: frozen, self-checking, read from one TOML file and passed as arguments.

Every number here that has no published source says so; a utility edits them in its own file.
"""

from __future__ import annotations

import hashlib
import tomllib
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Literal, Self, TypeVar

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    model_validator,
)

from vaultplan.errors import SettingsError

Share = Annotated[float, Field(ge=0, le=1)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
MonthDay = Annotated[str, Field(pattern="^(0[1-9]|1[0-2])-(0[1-9]|[12][0-9]|3[01])$")]


def _rising(numbers: tuple[float, ...]) -> tuple[float, ...]:
    if any(high <= low for low, high in pairwise(numbers)):
        raise ValueError("each number must be greater than the one before")
    return numbers


#: Ends of the ranges of clear, light and heavy water, which adjoin.
Rising = Annotated[tuple[Positive, Positive, Positive, Positive], AfterValidator(_rising)]


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class IntakeSettings(_Part):
    """What a user's rows are held to."""

    words_file: Path | None = Field(None, description="own list of words; beside this file")
    max_quarantine_frac: Share = Field(
        0.5, description="a load that would set aside more of its rows is refused; assumed"
    )
    service_margin_mi: Positive = Field(
        10.0, description="a place this far beyond all others is told; assumed"
    )
    twin_ft: NotNegative = Field(3.0, description="like vaults this close may be one; assumed")
    capacity_slack: float = Field(
        1.25, ge=1, description="gallons above capacity by this are told, as water runs in; assumed"
    )
    night_from: int = Field(20, ge=0, le=23, description="hour that crews have gone home; assumed")
    night_to: int = Field(6, ge=0, le=23, description="hour before which no crew is out; assumed")


class ForecastSettings(_Part):
    """How water and grade are forecast."""

    irrigation_from: MonthDay = Field(
        "04-15", description="first day of irrigation, MM-DD; assumed"
    )
    irrigation_to: MonthDay = Field("10-15", description="last day of irrigation, MM-DD; assumed")
    working_depth_in: Positive = Field(6.0, description="depth at which a crew must pump; assumed")
    gear_frac: Share = Field(0.15, description="share taken by gear where not stated; assumed")
    grade_half_life_days: Positive = Field(
        1095.0,
        description="half-life of what passes in a vault's dirt; the fleet's own gradings correct "
        "it; assumed",
    )
    solids_mg_l: Rising = Field(
        (5.0, 50.0, 500.0, 5000.0),
        description="solids in clear water lie between the first two, in light water between the "
        "next, in heavy water between the last; assumed",
    )
    oil_mg_l: Rising = Field(
        (0.5, 5.0, 50.0, 500.0), description="the same of oil and grease; assumed"
    )
    oil_lb_per_gal: Positive = Field(7.4, description="weight of oil; common practice, no source")
    sock_held_frac: Share = Field(
        0.9,
        description="share of solids, and of oil, that a sock holds back at least; common "
        "practice, no source",
    )
    rain_years: int = Field(10, ge=1, description="past years that stand for unknown rain")
    gauges_used: int = Field(
        1, ge=1, description="nearest gauges whose rain a vault with none of its own gets"
    )
    second_trip_usd: NotNegative = Field(450.0, description="coming back with more; assumed")
    wasted_vacuum_usd: NotNegative = Field(600.0, description="vacuum truck for nothing; assumed")
    wasted_crew_usd: NotNegative = Field(120.0, description="crew at a dry vault; assumed")
    look_usd: NotNegative = Field(90.0, description="one look under a lid; assumed")


class DrainageSettings(_Part):
    """How a vault's water is followed to the sea."""

    max_gutter_ft: Positive = Field(1500.0, description="no inlet beyond this counts; assumed")
    second_inlet_ratio: float = Field(
        1.25, ge=1, description="another inlet within this ratio is kept; assumed"
    )
    max_gap_ft: NotNegative = Field(
        25.0, description="gap in the drawn network that is bridged, and told; assumed"
    )
    other_side_factor: float = Field(
        3.0, ge=1, description="an inlet across the street counts as so much farther; assumed"
    )
    curb_reach_ft: Positive = Field(
        40.0, description="vault and inlet this close to one curb line share a gutter; assumed"
    )


class DischargeSettings(_Part):
    """How sensitivity is graded; the rules themselves are in a table of their own."""

    rules_file: Path | None = Field(None, description="own table of rules; beside this file")
    near_sensitive_ft: Positive = Field(
        1000.0, description="outfall this close to a sensitive area counts as in it; assumed"
    )
    stale_layer_days: Positive = Field(730.0, description="older sensitive areas warn; assumed")
    wet_day_in: Positive = Field(0.10, description="rain that makes a day wet; assumed")
    wet_day_prob: Share = Field(0.5, description="chance of a wet day that holds; assumed")
    heavy_prob: Share = Field(0.35, description="chance of heavy the rules reckon with; assumed")
    light_prob: Share = Field(0.35, description="chance of light or worse; assumed")
    vault_pollutants: tuple[str, ...] = Field(
        (
            "sediment", "silt", "turbid", "solids", "oil", "grease", "petroleum", "hydrocarbon",
            "pcb", "polychlorinated", "metal", "copper", "lead", "zinc", "cadmium", "trash",
        ),
        description="an impairment holding one of these words is one vault water adds to; assumed",
    )  # fmt: skip
    high_uses: tuple[str, ...] = Field(
        ("drink", "potable", "shellfish", "oyster", "mussel", "clam"),
        description="uses that make a water highly sensitive; assumed",
    )
    wide_waters: tuple[str, ...] = Field(
        ("bay", "sea"),
        description="waters too wide for a sensitive area that touches them somewhere to count "
        "everywhere; near an outfall it counts; assumed",
    )
    elevated_uses: tuple[str, ...] = Field(
        ("swim", "bath", "beach", "surf", "wad", "fish", "habitat", "spawn", "wildlife"),
        description="uses that raise a water's sensitivity; assumed",
    )
    tide_reach_factor: float = Field(
        2.0, ge=1, description="near counts so much farther where the tide reaches; assumed"
    )
    incident_days: NotNegative = Field(
        30.0, description="an incident counts so long after it was declared over; assumed"
    )
    pump_most_gpm: Positive = Field(
        150.0, description="the most a pump gives, top of 100-150; common practice, no source"
    )
    gutter_n: Positive = Field(
        0.016, description="Manning's n of a gutter, as in HEC-22's examples"
    )
    flat_gutter_frac: Positive = Field(
        0.003, description="fall along a gutter where none was measured; assumed"
    )
    flat_cross_frac: Positive = Field(
        0.015, description="fall across the street where none was measured; assumed"
    )
    most_spread_ft: Positive = Field(
        8.0, description="water may spread so far from the curb, a parking lane; assumed"
    )
    specialists: tuple[str, ...] = Field(
        (), description="who may lower a decision; anyone who signs it if none is named"
    )


class RankingSettings(_Part):
    """Weights of the four values; they are shown beside every ranking."""

    weight_volume: NotNegative = 0.20
    weight_contamination: NotNegative = 0.30
    weight_sensitivity: NotNegative = 0.25
    weight_urgency: NotNegative = 0.25
    comparisons: dict[str, float] = Field(
        {},
        description='weights from judgements instead, every pair once: "urgency over volume" = 2',
    )
    weight_trust: Positive = Field(
        60.0, description="how tight draws lie about the weights, as of so many votes; assumed"
    )
    tie_share: float = Field(
        0.8, gt=0.5, le=1, description="who leads in fewer draws is not told apart; assumed"
    )
    top: int = Field(20, ge=1, description="orders that make the top of a ranking")
    volume_gal_half: Positive = Field(500.0, description="gallons worth half the value; assumed")
    urgency_halving_days: Positive = Field(7.0, description="due day's worth halves in; assumed")


class ScheduleSettings(_Part):
    """How a week is built."""

    setup_minutes: NotNegative = Field(10.0, description="cones, air test, hose; assumed")
    pump_gpm: Positive = Field(125.0, description="middle of 100-150; common practice, no source")
    sock_gpm: Positive = Field(125.0, description="through a sock; common practice, no source")
    speed_mph: Positive = Field(20.0, description="street speed where not stated; assumed")
    detour: float = Field(1.35, ge=1, description="road over straight distance; assumed")
    busy_hours: str = Field(
        "07:00-09:00;15:30-18:00", description="times of day with slow streets, Mon-Fri; assumed"
    )
    busy_factor: float = Field(
        1.0, ge=1, le=5, description="a drive takes so many times as long in busy hours; assumed"
    )
    leg_minutes: NotNegative = Field(1.5, description="parking and turning per leg; assumed")
    max_refill_hours: Positive = Field(4.0, description="crew follows vacuum truck within; assumed")
    load_percentile: Literal[50, 90] = Field(
        90, description="volume the plan reckons with: 50 or 90"
    )
    max_jobs: int = Field(1500, ge=1, description="best-ranked orders offered to the schedule")
    seconds: Positive = Field(40.0, description="solver's time budget for the week")
    iterations: int = Field(0, ge=0, description="stop by iterations instead; 0 uses seconds")
    task_minutes: NotNegative = Field(30.0, description="work where an order states none; assumed")
    dump_minutes: NotNegative = Field(20.0, description="emptying where not stated; assumed")
    min_refill_minutes: Positive = Field(
        30.0, description="a crew always has this long to follow a vacuum truck; assumed"
    )
    socks_per_job: int = Field(1, ge=0, description="filter socks a sock job uses up; assumed")
    job_worth_minutes: Positive = Field(
        300.0, description="driving that an ordinary job is worth; assumed"
    )
    overtime_weight: int = Field(
        2, ge=0, description="a minute of overtime weighs as much as this many driven; assumed"
    )
    travel_cache: Path | None = Field(
        None, description="folder that keeps driving times searched before; beside this file"
    )
    move_minutes: NotNegative = Field(
        60.0, description="driving that it is worth not to move a promised job; assumed"
    )
    churn_frac: Share = Field(
        0.05, description="share of a plan's other jobs that a change may move; assumed"
    )
    call_minutes: NotNegative = Field(
        60.0, description="a crew is told so long before it sets out; assumed"
    )
    junction_ft: Positive = Field(
        1.0, description="street ends closer than this meet where no junction is named; assumed"
    )
    sock_capacity_lb: Positive = Field(
        5.0, description="solids that a sock holds before it is changed; assumed"
    )
    sock_least_gpm: Positive = Field(
        100.0,
        description="through a sock about to be changed, low end of 100-150; common practice, no "
        "source",
    )
    sock_change_minutes: NotNegative = Field(5.0, description="changing a full sock; assumed")
    run_out_prob: Share = Field(
        0.05, description="chance that a day's load may fall short, over all its stops; assumed"
    )
    hose_spare_ft: NotNegative = Field(
        50.0, description="hose carried beyond the way to the inlet, one length more; assumed"
    )
    next_stop_minutes: NotNegative = Field(
        6.0, description="driving that one more stop adds to a truck's day; assumed"
    )
    drum_socks: int = Field(
        4, ge=1, description="used socks of water that may be oily that fill a drum; assumed"
    )
    crew_usd_per_hour: NotNegative = Field(
        200.0, description="crew and truck where the truck states no price; assumed"
    )
    vacuum_usd_per_hour: NotNegative = Field(
        250.0, description="vacuum truck and crew where the truck states no price; assumed"
    )
    repeat_minutes: NotNegative = Field(
        90.0, description="second roll and standing by when a vacuum truck is missed; assumed"
    )
    disposal_usd_per_gal: NotNegative = Field(
        0.25, description="disposal where no site states a price; assumed"
    )


class OutputSettings(_Part):
    """How maps and sheets look."""

    paper: str = Field("us-letter", pattern="^(us-letter|a4)$")
    language: str = Field("en", pattern="^(en|es)$", description="language of the sheets")
    spare_sock_frac: Share = Field(0.25, description="socks carried beyond the plan; assumed")
    utility: str = Field("", description="name printed on sheets")
    contact: str = Field("", description="whom a crew calls")
    notice_days: int = Field(
        2,
        ge=0,
        description="notice is due so many days before a discharge to a protected or outstanding "
        "water or a drinking intake; assumed, your permit says",
    )
    basemap_url: str = Field(
        "",
        pattern=r"^(https://[^\s\"'<>;,]+\{z\}[^\s\"'<>;,]*)?$",
        description="tiles under the maps, with {z}, {x} and {y}; none unless named, for maps then "
        "need the network to show them",
    )
    basemap_attribution: str = Field("", description="what the owner of the tiles asks to be named")


class HotspotSettings(_Part):
    """How places with dirty water are found."""

    reach_ft: Positive = Field(1500.0, description="vaults this near are neighbours; assumed")
    rate: Share = Field(
        0.05, description="share of the hot spots told that may be so by chance; assumed"
    )
    ridge: Positive = Field(5.0, description="how far causes' weights are drawn to 0; assumed")


class SampleSettings(_Part):
    """How laboratory results are read."""

    holding_days: dict[str, float] = Field(
        {
            "Total suspended solids": 7.0,
            "Oil and Grease": 28.0,
            "pH": 0.0,
            "Copper": 180.0,
            "Lead": 180.0,
            "Zinc": 180.0,
            "Cadmium": 180.0,
        },
        description="days within which each characteristic is to be analyzed; 40 CFR 136.3 table "
        "II, from memory: see the current table",
    )
    project_id: str = Field(
        "vault-water", min_length=1, description="project under which results are exported"
    )
    draw_confidence: float = Field(
        0.95, gt=0.5, lt=1, description="confidence of claims from samples; usual, no source"
    )
    draw_share: float = Field(
        0.05,
        gt=0,
        lt=1,
        description="share that a draw is to rule out if nothing is found; assumed",
    )
    draw_least: int = Field(
        2,
        ge=1,
        description="samples of each stratum at least: from one alone no spread can be told",
    )
    draw_reserve_frac: NotNegative = Field(1.0, description="replacements per sample; assumed")
    draw_dry_looks: int = Field(
        3, ge=1, description="a vault found dry at every one of so many looks is not drawn; assumed"
    )


class ReportSettings(_Part):
    """What the yearly report states and compares with."""

    baseline_years: tuple[int, ...] = Field(
        (), description="years before the change, whose way of working costs are compared with"
    )
    draws: int = Field(
        2000, ge=200, le=20_000, description="bootstrap draws behind the interval of costs; assumed"
    )
    seed: int = Field(1, ge=0, description="seed of those draws")
    interval: float = Field(
        0.9, gt=0.5, lt=1, description="share of the draws that the interval holds; assumed"
    )
    crew_minutes: tuple[Positive, Positive] = Field(
        (20.0, 40.0),
        description="time of a crew at a pump-out, without pumping, least and most; assumed",
    )
    vacuum_minutes: tuple[Positive, Positive] = Field(
        (60.0, 120.0),
        description="time of a vacuum truck for a pump-out, with its share of the drive and of "
        "emptying, least and most; assumed",
    )
    sock_usd: tuple[NotNegative, NotNegative] = Field(
        (60.0, 140.0),
        description="price of a filter sock and its disposal, least and most; assumed",
    )
    price_spread_frac: Share = Field(
        0.15, description="hourly and disposal prices may be off by this either way; assumed"
    )
    signer: str = Field("", description="who signs the report; a line is left if nobody is named")
    preparer: str = Field("", description="who ran the program; a line is left if nobody is named")
    listed_outfalls: int = Field(
        15,
        ge=1,
        description="outfalls with most gallons that the PDF lists; the others in one line",
    )
    workbook_visits: int = Field(
        100_000,
        ge=0,
        le=1_000_000,
        description="most visits that the workbook lists; the drill-down file always has all",
    )

    @model_validator(mode="after")
    def _least_first(self) -> Self:
        for name in ("crew_minutes", "vacuum_minutes", "sock_usd"):
            least, most = getattr(self, name)
            if most < least:
                raise ValueError(f"{name}: the first number is the least, the second the most")
        return self


class Settings(_Part):
    """All settings of one utility.

    >>> Settings().schedule.speed_mph
    20.0
    """

    time_zone: str = "UTC"
    intake: IntakeSettings = IntakeSettings()
    forecast: ForecastSettings = ForecastSettings()
    drainage: DrainageSettings = DrainageSettings()
    discharge: DischargeSettings = DischargeSettings()
    ranking: RankingSettings = RankingSettings()
    schedule: ScheduleSettings = ScheduleSettings()
    outputs: OutputSettings = OutputSettings()
    hotspots: HotspotSettings = HotspotSettings()
    samples: SampleSettings = SampleSettings()
    report: ReportSettings = ReportSettings()

    @property
    def version(self) -> str:
        """Short hash of everything set, printed on every plan.

        Where the rules file lies does not count, as the rules have a hash of their own; nor does
        what files are held to on their way in, nor what no plan hangs on.
        """
        said = self.model_dump_json(
            exclude={
                "discharge": {"rules_file"},
                "schedule": {"travel_cache"},
                "intake": True,
                "hotspots": True,
                "samples": True,
                "report": True,
            }
        )
        return hashlib.sha256(said.encode()).hexdigest()[:12]


Part = TypeVar("Part", bound=BaseModel)


def load_toml(path: Path, part: type[Part], what: str) -> Part:
    """Return what a TOML file says, checked as ``part``; ``what`` names it in messages.

    Raises
    ------
    SettingsError
        If the file is missing, is not TOML, names an unknown entry or gives an impossible value;
        the message names the file and every fault.
    """
    try:
        return part.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except FileNotFoundError as error:
        raise SettingsError(f"there is no {what} {path}") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingsError(f"{path} is not a TOML file: {error}") from error
    except ValidationError as error:
        faults = "; ".join(
            f"{'.'.join(str(part) for part in fault['loc'])}: {fault['msg']}"
            for fault in error.errors()
        )
        raise SettingsError(f"{path}: {faults}") from error


def load_settings(path: Path | None) -> Settings:
    """Return the settings in a TOML file, or the defaults if there is none.

    A rules file or word list named in it is looked for beside it. Raises as :func:`load_toml`.
    """
    if path is None:
        return Settings()
    found = load_toml(path, Settings, "settings file")
    for name, part, field in (
        ("discharge", found.discharge, "rules_file"),
        ("schedule", found.schedule, "travel_cache"),
        ("intake", found.intake, "words_file"),
    ):
        own = getattr(part, field)
        if own is not None:
            beside = part.model_copy(update={field: path.parent / own})
            found = found.model_copy(update={name: beside})
    return found
