"""Map layers in open formats."""
