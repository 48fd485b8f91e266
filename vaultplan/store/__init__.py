"""The database: one GeoPackage file, or PostGIS, with the same tables and queries."""
