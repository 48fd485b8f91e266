"""Steps of the walk as they are called here, done by the cluster where one is open.

Each has the arguments and the result of the function of the same name in its own room, and its
bits: without a cluster it is that function.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import replace
from datetime import date
from typing import Any, Final, cast

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.discharge import facts
from vaultplan.discharge.rules import Rules, load_rules
from vaultplan.drainage import trace as tracing
from vaultplan.drainage.network import DrainNetwork, build_network
from vaultplan.forecast import forecasts
from vaultplan.forecast.drivers import Drivers
from vaultplan.forecast.features import Site
from vaultplan.forecast.fitting import Learned, Progress, learn_taus
from vaultplan.forecast.grade import GradeModel
from vaultplan.forecast.readings import Readings
from vaultplan.forecast.volume import WaterModel
from vaultplan.forecast.weather import TAUS_DAYS
from vaultplan.schema import Frames, table
from vaultplan.settings import DrainageSettings, Settings
from vaultplan.spread import work
from vaultplan.spread.cluster import Cluster, current
from vaultplan.spread.drains import NONE, Around, network_of
from vaultplan.spread.parts import (
    grades_of,
    groups_of,
    in_groups,
    most_rows,
    put_together,
    readings_of,
    site_of,
    water_of,
)

Ints = npt.NDArray[np.int64]
#: Tables that decisions rest on as a whole; the others are cut by vault.
_RULED: Final = (
    *("inlets", "outfalls", "receiving_waters", "sensitive_areas", "concern_sites", "incidents"),
    *("gauges", "rain_outlook", "overrides"),
)


def fit_and_forecast(
    frames: Frames,
    points: pd.DataFrame,
    *,
    as_of: pd.Timestamp,
    settings: Settings,
    on_progress: Progress | None = None,
) -> tuple[pd.DataFrame, WaterModel]:
    """Return :func:`vaultplan.forecast.forecasts.fit_and_forecast`: table ``forecasts``, the model.

    :func:`fit_models`, then :func:`forecast_with`.
    """
    if current() is None:
        return forecasts.fit_and_forecast(
            frames, points, as_of=as_of, settings=settings, on_progress=on_progress
        )
    model, grade_model = fit_models(frames, as_of=as_of, settings=settings, on_progress=on_progress)
    told = forecast_with(
        model, grade_model, points, vaults=frames["vaults"], on_progress=on_progress
    )
    return told, model


def fit_models(
    frames: Frames,
    *,
    as_of: pd.Timestamp,
    settings: Settings,
    on_progress: Progress | None = None,
) -> tuple[WaterModel, GradeModel]:
    """Return what is known about the fleet's water, and about its grades, on the as-of day.

    The cluster learns a residence time per part, meanwhile grades are learned here.
    """
    learner = learn_taus if current() is None else _learn_there
    return forecasts.fit_models(
        frames, as_of=as_of, settings=settings, on_progress=on_progress, learner=learner
    )


def _learn_there(
    drivers: Drivers,
    site: Site,
    readings: Readings,
    static: npt.NDArray[np.float64],
    sample: Ints,
    tell: Callable[[int], None],
) -> Learned:
    """Return :func:`vaultplan.forecast.fitting.learn_taus`, each residence time on a worker."""
    cluster = current()
    if cluster is None:
        return learn_taus(drivers, site, readings, static, sample, tell)
    own = np.ascontiguousarray(static[:, sample])
    shared = work.Sample(drivers, site_of(site, sample), readings_of(readings, sample), own)
    heard = _Counter(tell)
    return cluster.run(work.learn, shared, lambda k: k, len(TAUS_DAYS), lambda _: heard.add(1))


def forecast_with(
    model: WaterModel,
    grade_model: GradeModel,
    points: pd.DataFrame,
    *,
    vaults: pd.DataFrame | None = None,
    on_progress: Progress | None = None,
) -> pd.DataFrame:
    """Return table ``forecasts``, as :func:`vaultplan.forecast.forecasts.forecast_with` does.

    ``vaults`` tells districts; without it parts follow the vault ids alone.
    """
    cluster = current()
    vault, _ = model.locate(points)
    if cluster is None or not len(points):
        return forecasts.forecast_with(model, grade_model, points, on_progress=on_progress)
    asked, place = np.unique(vault, return_inverse=True)
    named = pd.DataFrame({"vault_id": model.vault_ids[asked]})
    if vaults is not None and "district" in vaults:
        named["district"] = named["vault_id"].map(vaults.set_index("vault_id")["district"])
    groups = groups_of(named, np.bincount(place), most_rows(len(points), cluster.threads))
    places = in_groups(_group_of(groups, len(asked))[place], len(groups))
    bare = points[["vault_id", "on"]]
    shared = work.Models(
        replace(
            model,
            vault_ids=model.vault_ids[:0],
            rooms=model.rooms.iloc[:0],
            classes=model.classes.iloc[:0],
            site=site_of(model.site, NONE),
            readings=readings_of(model.readings, NONE),
            traits=model.traits[:, :0],
        ),
        _bare_grades(grade_model),
    )

    def make(number: int) -> work.Asked:
        mine = asked[np.sort(groups[number])]
        part = bare.iloc[places[number]].reset_index(drop=True)
        return work.Asked(water_of(model, mine), grades_of(grade_model, mine), part)

    def tell(done: int) -> None:
        if on_progress is not None:
            steps = len(TAUS_DAYS) * done // len(points)
            on_progress(len(TAUS_DAYS) + steps, 2 * len(TAUS_DAYS))

    told = _run(cluster, work.forecast, shared, make, places, tell)
    told.index = points.index
    return told


def trace_vaults(
    vaults: gpd.GeoDataFrame,
    inlets: gpd.GeoDataFrame,
    drain_pipes: gpd.GeoDataFrame,
    outfalls: gpd.GeoDataFrame,
    receiving_waters: gpd.GeoDataFrame,
    *,
    settings: DrainageSettings,
    roads: gpd.GeoDataFrame | None = None,
    curbs: gpd.GeoDataFrame | None = None,
    drainage_areas: gpd.GeoDataFrame | None = None,
    inlet_choices: pd.DataFrame | None = None,
    network: DrainNetwork | None = None,
    with_geometry: Collection[str] | bool = False,
    on_progress: Progress | None = None,
) -> gpd.GeoDataFrame:
    """Return table ``traces``, as :func:`vaultplan.drainage.trace.trace_vaults` does.

    The network is built here; a part gets the drains below its own vaults. ``on_progress`` is
    called with vaults traced and all vaults, if a cluster traces them.
    """
    cluster = current()
    more: dict[str, Any] = {
        "roads": roads,
        "curbs": curbs,
        "drainage_areas": drainage_areas,
        "inlet_choices": inlet_choices,
    }
    if cluster is None or not len(vaults):
        return tracing.trace_vaults(
            *(vaults, inlets, drain_pipes, outfalls, receiving_waters),
            settings=settings,
            **more,
            network=network,
            with_geometry=with_geometry,
        )
    vaults, inlets, outfalls, drain_pipes = (
        frame.reset_index(drop=True) for frame in (vaults, inlets, outfalls, drain_pipes)
    )
    net = network or build_network(inlets, drain_pipes, outfalls, settings=settings)
    # Tracing no vaults at all holds the whole tables to what a part could not see.
    tracing.trace_vaults(
        *(vaults.iloc[:0], inlets, drain_pipes, outfalls, receiving_waters),
        settings=settings,
        **more,
        network=net,
    )
    groups = groups_of(
        vaults, np.ones(len(vaults), np.int64), most_rows(len(vaults), cluster.threads)
    )
    places = [np.sort(group) for group in groups]
    around = Around(vaults, inlets, roads, inlet_choices)
    starts = net.find(inlets["node_id"])
    drawn = frozenset(() if isinstance(with_geometry, bool) else with_geometry)

    def make(number: int) -> work.Reach:
        mine = vaults.iloc[places[number]]
        at, near = around.of(places[number])
        cut, pipes = network_of(net, starts[near][starts[near] >= 0])
        asked: bool | tuple[str, ...] = with_geometry is True
        if not isinstance(with_geometry, bool):
            asked = tuple(mine.loc[mine["vault_id"].isin(drawn), "vault_id"])
        return work.Reach(
            mine,
            drain_pipes.iloc[pipes if asked else NONE],
            cut,
            roads if roads is None else roads.iloc[at],
            asked,
        )

    def tell(done: int) -> None:
        if on_progress is not None:
            on_progress(done, len(vaults))

    town = work.Town(
        *(settings, inlets, outfalls, receiving_waters, curbs, drainage_areas, inlet_choices)
    )
    return cast(gpd.GeoDataFrame, _run(cluster, work.trace, town, make, places, tell))


def decide_discharges(
    frames: Frames,
    *,
    as_of: date,
    settings: Settings,
    rules: Rules | None = None,
    on_progress: Progress | None = None,
) -> pd.DataFrame:
    """Return table ``decisions``, as :func:`vaultplan.discharge.facts.decide_discharges` does.

    ``on_progress`` is called with forecasts judged and all forecasts, if a cluster judges them.
    """
    cluster = current()
    asked = frames["forecasts"] if "forecasts" in frames else table("forecasts").empty()
    if cluster is None or not len(asked):
        return facts.decide_discharges(frames, as_of=as_of, settings=settings, rules=rules)
    place, ids = pd.factorize(asked["vault_id"])
    of_vault = pd.Index(ids)
    row = of_vault.get_indexer(pd.Index(frames["vaults"]["vault_id"])).astype(np.int64)
    named = pd.DataFrame({"vault_id": of_vault})
    if "district" in frames["vaults"]:
        district = frames["vaults"].set_index("vault_id")["district"]
        named["district"] = named["vault_id"].map(district)
    groups = groups_of(named, np.bincount(place), most_rows(len(asked), cluster.threads))
    group = _group_of(groups, len(of_vault))
    places = in_groups(group[place], len(groups))
    cuts = {"vaults": in_groups(np.append(group, -1)[row], len(groups))}
    for name in ("visits", "traces"):
        if name in frames:
            owner = of_vault.get_indexer(pd.Index(frames[name]["vault_id"])).astype(np.int64)
            cuts[name] = in_groups(np.append(group, -1)[owner], len(groups))
    common = {name: frames[name] for name in _RULED if name in frames}
    if "inlets" in common and "traces" in frames:
        mine = frames["traces"].iloc[np.concatenate(cuts["traces"])]
        named_inlets = {*mine["inlet_id"].dropna(), *mine["second_inlet_id"].dropna()}
        common["inlets"] = common["inlets"][common["inlets"]["inlet_id"].isin(named_inlets)]
    shared = work.Judged(
        common,
        *(as_of, settings, load_rules(None) if rules is None else rules),
    )

    def make(number: int) -> dict[str, pd.DataFrame]:
        own = {name: frames[name].iloc[rows[number]] for name, rows in cuts.items()}
        own = {name: frame.reset_index(drop=True) for name, frame in own.items()}
        return {**own, "forecasts": asked.iloc[places[number]].reset_index(drop=True)}

    def tell(done: int) -> None:
        if on_progress is not None:
            on_progress(done, len(asked))

    return _run(cluster, work.decide, shared, make, places, tell)


class _Counter:
    """Counts what is done, and tells."""

    def __init__(self, tell: Callable[[int], None]) -> None:
        self._tell, self._done = tell, 0

    def add(self, more: int) -> None:
        self._done += more
        self._tell(self._done)


def _group_of(groups: list[Ints], count: int) -> Ints:
    group = np.empty(count, np.int64)
    for number, rows in enumerate(groups):
        group[rows] = number
    return group


def _bare_grades(model: GradeModel) -> GradeModel:
    """Return the model without what it knows of single vaults."""
    own = grades_of(model, NONE)
    return replace(
        model,
        vault_ids=own.vault_ids,
        backdrop=replace(model.backdrop, level=own.level),
        standing=own.standing,
        now=own.now,
        graded_count=own.graded_count,
        wet_count=own.wet_count,
    )


def _run(
    cluster: Cluster,
    do: Callable[[Any, Any], Any],
    shared: Any,
    make: Callable[[int], Any],
    places: list[Ints],
    tell: Callable[[int], None],
) -> pd.DataFrame:
    """Return the parts' tables as one, each row at its place."""
    heard = _Counter(tell)
    parts = cluster.run(do, shared, make, len(places), lambda n: heard.add(len(places[n])))
    return put_together(parts, places)
