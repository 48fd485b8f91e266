"""What every sealed page has in common."""
