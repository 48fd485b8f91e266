"""Where water pumped from a vault would run: inlet, pipes, outfall, receiving waters."""

from vaultplan.drainage.behind import nodes_behind, vaults_behind
from vaultplan.drainage.network import DrainNetwork, build_network
from vaultplan.drainage.trace import trace_vaults

__all__ = [
    "DrainNetwork",
    "build_network",
    "nodes_behind",
    "trace_vaults",
    "vaults_behind",
]
