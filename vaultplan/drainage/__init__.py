"""Where water pumped from a vault would run: inlet, pipes, outfall, receiving waters."""

from vaultplan.drainage.behind import everything_behind, nodes_behind
from vaultplan.drainage.network import DrainNetwork, build_network
from vaultplan.drainage.trace import trace_vaults

__all__ = [
    "DrainNetwork",
    "build_network",
    "everything_behind",
    "nodes_behind",
    "trace_vaults",
]
