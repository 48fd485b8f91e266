"""The page on the quality of loaded data."""
