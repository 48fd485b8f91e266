"""An invented fleet of vaults in invented towns on an invented coast, at any size."""
