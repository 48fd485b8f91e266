"""The page on planned discharges by receiving water."""
