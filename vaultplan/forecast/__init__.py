"""How much water stands in each vault, of what grade, and when it comes back."""

from vaultplan.forecast.fitting import fit_water, refit
from vaultplan.forecast.forecasts import forecast_vaults
from vaultplan.forecast.volume import WaterModel

__all__ = ["WaterModel", "fit_water", "forecast_vaults", "refit"]
