"""The page on hot spots of dirty water."""
