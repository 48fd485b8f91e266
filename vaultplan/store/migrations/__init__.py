"""Steps that bring a database's tables from one version to the next, on both stores."""
