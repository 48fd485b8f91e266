"""The board: the week, the vaults and results in a browser, over the same database."""
