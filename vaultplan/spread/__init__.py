"""The walk's heavy steps cut into parts, for the workers of a dask.distributed cluster."""

from vaultplan.spread.alternatives import Offer, Replanning, solve_each
from vaultplan.spread.cluster import Cluster, cluster_at, current
from vaultplan.spread.steps import (
    decide_discharges,
    fit_and_forecast,
    fit_models,
    forecast_with,
    trace_vaults,
)

__all__ = [
    "Cluster",
    "Offer",
    "Replanning",
    "cluster_at",
    "current",
    "decide_discharges",
    "fit_and_forecast",
    "fit_models",
    "forecast_with",
    "solve_each",
    "trace_vaults",
]
