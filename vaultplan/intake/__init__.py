"""Intake: a utility's own files, checked row by row, as frames of the schema's tables."""

from vaultplan.intake.column_map import ColumnMap, load_column_map
from vaultplan.intake.load import preview, read_table
from vaultplan.intake.quality import check_frames
from vaultplan.intake.readers import count_rows, layers_of, read_chunks

__all__ = [
    "ColumnMap",
    "check_frames",
    "count_rows",
    "layers_of",
    "load_column_map",
    "preview",
    "read_chunks",
    "read_table",
]
