"""Small maps drawn as SVG text."""
