"""How much water stands in each vault, of what grade, and when it comes back."""

from vaultplan.forecast.forecasts import forecast_vaults
from vaultplan.forecast.volume import WaterModel, fit_water

__all__ = ["WaterModel", "fit_water", "forecast_vaults"]
