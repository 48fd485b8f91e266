"""Plans the dewatering of underground utility vaults."""
