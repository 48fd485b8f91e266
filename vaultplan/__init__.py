"""Plans the dewatering of underground utility vaults.

The walk is in :mod:`vaultplan.pipeline`; its tables are declared in :mod:`vaultplan.schema`.
"""

from importlib.metadata import PackageNotFoundError, version

from vaultplan.errors import VaultplanError
from vaultplan.settings import Settings, load_settings

try:
    __version__ = version("vaultplan")
except PackageNotFoundError:  # run from a checkout that is not installed
    __version__ = "0+unknown"

__all__ = ["Settings", "VaultplanError", "__version__", "load_settings"]
