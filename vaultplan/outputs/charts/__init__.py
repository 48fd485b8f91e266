"""Charts: a vault over time, the week of crews and trucks."""
