"""Forecasts and paths brought up to date by what changed since they were made, not all anew."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import Final, cast

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.beside import Tell, Work, beside, processes
from vaultplan.drainage.network import DrainNetwork, build_network
from vaultplan.drainage.retrace import retrace
from vaultplan.errors import TraceError
from vaultplan.forecast.fitting import Progress, refit
from vaultplan.forecast.grade import GradeModel, regrade
from vaultplan.forecast.volume import WaterModel
from vaultplan.keeping import Change, Kept
from vaultplan.schema import Frames, table
from vaultplan.settings import Settings
from vaultplan.spread import current, fit_models, forecast_with, trace_vaults

Rows = npt.NDArray[np.int64]

WATER_TABLES: Final = ("vaults", "visits", "gauges", "rainfall", "rain_outlook")
DRAIN_TABLES: Final = ("vaults", "inlets", "drain_pipes", "outfalls", "receiving_waters")
#: What helps to place an inlet where pipes and places alone do not tell.
STREET_TABLES: Final = ("roads", "curbs", "drainage_areas", "inlet_choices")
#: With new visits to more of the fleet's vaults than this, it is learned from as a whole again.
MOST_NEW_FRAC: Final = 0.01
#: Traces of more vaults than this are made all anew.
_MOST_RETRACED: Final = 20_000
#: A process takes a second to start: of fewer vaults paths are traced here.
_MANY_VAULTS: Final = 50_000


@dataclass(frozen=True, slots=True)
class _Forecast:
    water: WaterModel
    grades: GradeModel
    rows: pd.DataFrame


@dataclass(frozen=True, slots=True)
class _Traced:
    """Table ``traces``, and the vaults whose path was asked to be drawn."""

    rows: gpd.GeoDataFrame
    drawn: frozenset[str]


def renewed_forecasts(
    frames: Frames,
    points: pd.DataFrame,
    *,
    as_of: pd.Timestamp,
    settings: Settings,
    kept: Kept,
    on_progress: Progress | None = None,
) -> tuple[pd.DataFrame, WaterModel]:
    """Return table ``forecasts`` for the points, and the model of the water.

    Where vaults, gauges, rain and settings are those of the forecasts made last for the same as-of
    day, only vaults with new visits are forecast again: their own readings and gradings are new,
    what the fleet teaches (priors, what classes and places say) is that of the last full fit. Rows
    of all other vaults are those made last, bit for bit. With new visits to more than one in a
    hundred vaults, all is learned anew.
    """
    version = f"{as_of:%Y-%m-%d} {settings.time_zone} {settings.forecast.model_dump_json()}"
    earlier: _Forecast | None = kept.result("forecasts", version)
    new = None if earlier is None else _vaults_visited(kept, len(earlier.water.vault_ids))
    if earlier is None or new is None:
        water, grades = fit_models(frames, as_of=as_of, settings=settings, on_progress=on_progress)
        made = forecast_with(
            water, grades, points, vaults=frames["vaults"], on_progress=on_progress
        )
        kept.keep("forecasts", version, _Forecast(water, grades, made))
        return made, water
    water = replace(earlier.water, settings=settings)
    grades, rows = earlier.grades, earlier.rows
    new = [vault for vault in new if vault in water.vault_ids]
    if new:
        mine = {**frames, "visits": frames["visits"][frames["visits"]["vault_id"].isin(new)]}
        water = refit(water, mine, vault_ids=new, as_of=as_of)
        grades = regrade(grades, mine, vault_ids=new, as_of=as_of, settings=settings)
        rows = rows[~rows["vault_id"].isin(new)].reset_index(drop=True)
    place = _places(rows, points, water)
    missing = points[place < 0]
    if len(missing):
        made = forecast_with(
            water, grades, missing, vaults=frames["vaults"], on_progress=on_progress
        )
        place[place < 0] = len(rows) + np.arange(len(missing))
        rows = pd.concat([rows, made], ignore_index=True)
    told = table("forecasts").conform(rows.iloc[place].set_axis(points.index))
    if new or len(missing):
        kept.keep("forecasts", version, _Forecast(water, grades, rows))
    lines = f"{len(points) - len(missing):,} of {len(points):,} forecasts kept"
    kept.reused.append(lines + (f", {len(new):,} vaults have new visits" if new else ""))
    return told, water


def _vaults_visited(kept: Kept, vaults: int) -> list[str] | None:
    """Return the vaults with other visits than before; ``None`` if all must be learned anew."""
    changed = kept.changed(WATER_TABLES)
    visits = changed.pop("visits", Change(pd.DataFrame(), pd.DataFrame()))
    if changed or visits is None:
        return None
    if visits.before.empty and visits.after.empty:
        return []
    touched = visits.values("vault_id")
    return touched if len(touched) <= max(MOST_NEW_FRAC * vaults, 1.0) else None


def _places(rows: pd.DataFrame, points: pd.DataFrame, model: WaterModel) -> Rows:
    """Return the row of each point among forecasts; -1 where there is none."""

    def numbers(frame: pd.DataFrame) -> Rows:
        vault = model.vault_ids.get_indexer(pd.Index(frame["vault_id"])).astype(np.int64)
        day = frame["on"].to_numpy("datetime64[D]").astype(np.int64)
        return np.where(vault >= 0, vault * 1_000_000 + day, -1)

    model.locate(points)
    return pd.Index(numbers(rows)).get_indexer(pd.Index(numbers(points))).astype(np.int64)


@contextmanager
def tracing_beside(
    frames: Frames, *, settings: Settings, kept: Kept, with_geometry: Sequence[str] | bool
) -> Iterator[Work | None]:
    """Yield the tracing of a large fleet of which no paths are kept, begun by another process.

    Paths and water have nothing to do with each other, and forecasts begin on one core.
    """
    is_large = len(frames["vaults"]) >= _MANY_VAULTS
    if not is_large or kept.has("traces") or processes() == 1 or current() is not None:
        yield None
        return
    mine = {name: frames[name] for name in DRAIN_TABLES + STREET_TABLES}
    with beside(trace_apart, mine, settings, with_geometry) as work:
        yield work


def trace_apart(
    frames: Frames, settings: Settings, with_geometry: Sequence[str] | bool, tell: Tell
) -> gpd.GeoDataFrame:
    """Return :func:`traced`; the work of another process."""
    return traced(
        frames,
        settings=settings,
        with_geometry=with_geometry,
        on_progress=lambda *done: tell(done),
    )


def renewed_traces(
    frames: Frames,
    *,
    settings: Settings,
    kept: Kept,
    with_geometry: Sequence[str] | bool,
    begun: Work | None = None,
    on_progress: Progress | None = None,
) -> gpd.GeoDataFrame:
    """Return table ``traces``, with lines for the vaults asked for.

    ``begun`` is what :func:`tracing_beside` began with the same frames. Only vaults that changed,
    whose water passes a pipe that changed, or whose path has to be drawn now are traced again; the
    rows are those that tracing all would give.
    """
    trace = _Tracer(frames, settings, on_progress)
    version = settings.drainage.model_dump_json()
    every = frames["vaults"]["vault_id"]
    drawn = frozenset(every if with_geometry is True else with_geometry or ())
    earlier: _Traced | None = kept.result("traces", version)
    changed = kept.changed((*DRAIN_TABLES, *STREET_TABLES))
    rows = None if earlier is None else _up_to_date(earlier, changed, frames, settings, trace)
    if earlier is None or rows is None:
        made = trace.vaults(None, with_geometry) if begun is None else begun.result()
        kept.keep("traces", version, _Traced(made, drawn))
        return made
    has_line = rows.geometry.notna() | ~rows["vault_id"].isin(drawn)
    undrawn = rows.loc[~has_line & rows["inlet_id"].notna(), "vault_id"]
    again = set(undrawn) - (earlier.drawn if not changed else frozenset())
    if len(again) > _MOST_RETRACED:
        rows = trace.vaults(None, with_geometry)
    elif again:
        rows = _with(rows, trace.vaults(again, with_geometry=True), every)
    if changed or again:
        kept.keep("traces", version, _Traced(rows, earlier.drawn | drawn))
    redone = len((again | trace.done) & set(every))
    pipes = kept.changes.get("drain_pipes")
    passing = f", but for those through {len(pipes.after):,} changed pipes" if pipes else ""
    kept.reused.append(f"{len(rows) - redone:,} of {len(rows):,} paths kept{passing}")
    asked = rows["vault_id"].isin(drawn)
    if not asked.all():
        rows = rows.set_geometry(rows.geometry.where(asked.to_numpy()))
    return rows


def traced(
    frames: Frames,
    *,
    settings: Settings,
    with_geometry: Sequence[str] | bool,
    network: DrainNetwork | None = None,
    on_progress: Progress | None = None,
) -> gpd.GeoDataFrame:
    """Return table ``traces`` of all vaults in the frames, with lines for those asked for."""
    places = {name: cast(gpd.GeoDataFrame, frames[name]) for name in DRAIN_TABLES + STREET_TABLES}
    return trace_vaults(
        *(places[name] for name in DRAIN_TABLES),
        settings=settings.drainage,
        roads=places["roads"],
        curbs=places["curbs"],
        drainage_areas=places["drainage_areas"],
        inlet_choices=frames["inlet_choices"],
        network=network,
        with_geometry=with_geometry,
        on_progress=on_progress,
    )


@dataclass(slots=True)
class _Tracer:
    """Traces some of the vaults by the tables as they are."""

    frames: Frames
    settings: Settings
    on_progress: Progress | None
    network: DrainNetwork | None = None
    done: set[str] = field(default_factory=set)

    def vaults(
        self, some: set[str] | None, with_geometry: Sequence[str] | bool
    ) -> gpd.GeoDataFrame:
        """Return table ``traces`` of some vaults, or of all."""
        frames = self.frames
        if some is not None:
            self.done |= some
            frames = {**frames, "vaults": frames["vaults"][frames["vaults"]["vault_id"].isin(some)]}
            if self.network is None:
                drains = (frames[name].reset_index(drop=True) for name in DRAIN_TABLES[1:4])
                self.network = build_network(*drains, settings=self.settings.drainage)
        return traced(
            frames,
            settings=self.settings,
            with_geometry=with_geometry,
            network=self.network,
            on_progress=self.on_progress,
        )


def _up_to_date(
    earlier: _Traced,
    changed: dict[str, Change | None],
    frames: Frames,
    settings: Settings,
    trace: _Tracer,
) -> gpd.GeoDataFrame | None:
    """Return the traces as they are now; ``None`` if all have to be made anew."""
    rows = earlier.rows
    pipes, vaults = changed.get("drain_pipes"), changed.get("vaults")
    if None in changed.values() or set(changed) - {"drain_pipes", "vaults"}:
        return None
    if pipes is not None:
        old = _as_before(frames["drain_pipes"], pipes)
        if old is None:
            return None
        inlets, outfalls = frames["inlets"], frames["outfalls"]
        before = build_network(inlets, old, outfalls, settings=settings.drainage)
        still = frames["vaults"]["vault_id"].isin(rows["vault_id"]).to_numpy()
        known = {**frames, "vaults": frames["vaults"][still]}
        rows = rows[rows["vault_id"].isin(frames["vaults"]["vault_id"])].reset_index(drop=True)
        try:
            now, trace.network = retrace(
                rows, before, pipes.after, known, settings=settings.drainage
            )
        except TraceError:
            return None
        # A pipe may be drawn elsewhere and nothing else: no line is sure to be as it was.
        rows = now.set_geometry(gpd.GeoSeries([None] * len(now), index=now.index, crs=now.crs))
    if vaults is not None:
        again = set(vaults.values("vault_id"))
        if len(again) > _MOST_RETRACED:
            return None
        rows = _with(rows, trace.vaults(again, False), frames["vaults"]["vault_id"])
    return rows


def _as_before(pipes: pd.DataFrame, change: Change) -> gpd.GeoDataFrame | None:
    """Return the pipes as they were; ``None`` where some came or went."""
    if set(change.before["pipe_id"]) != set(change.after["pipe_id"]):
        return None
    same = pipes[~pipes["pipe_id"].isin(change.after["pipe_id"])]
    joined = pd.concat([same, change.before], ignore_index=True)
    old = joined.set_index("pipe_id").loc[pipes["pipe_id"]].reset_index()
    return cast(gpd.GeoDataFrame, gpd.GeoDataFrame(old, geometry="geometry", crs=pipes.crs))


def _with(rows: gpd.GeoDataFrame, own: gpd.GeoDataFrame, every: pd.Series[str]) -> gpd.GeoDataFrame:
    """Return the rows with those of some vaults replaced, a row per vault in their order."""
    others = rows[~rows["vault_id"].isin(own["vault_id"])]
    joined = pd.concat([others, own], ignore_index=True)
    at = pd.Index(joined["vault_id"]).get_indexer(pd.Index(every))
    return table("traces").conform(joined.iloc[at].reset_index(drop=True))
