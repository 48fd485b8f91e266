"""The page on how good past forecasts were."""
