"""The week as a map page with no network."""
