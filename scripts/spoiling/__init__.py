"""Damage to a clean fleet folder, done on purpose at known rows, and how much of it is found."""
