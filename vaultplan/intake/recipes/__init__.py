"""Recipes: which column, unit and word of a file is which of the schema's, and how to guess it."""
