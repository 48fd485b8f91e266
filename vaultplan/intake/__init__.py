"""Intake: a utility's own files, checked row by row, as frames of the schema's tables."""

from vaultplan.intake.files.readers import count_rows, layers_of, read_chunks
from vaultplan.intake.load import open_intake, preview, read_table
from vaultplan.intake.quality import check_frames, field_quality, row_findings
from vaultplan.intake.recipes.column_map import ColumnMap, load_column_map
from vaultplan.intake.recipes.guess import guess_map

__all__ = [
    "ColumnMap",
    "check_frames",
    "count_rows",
    "field_quality",
    "guess_map",
    "layers_of",
    "load_column_map",
    "open_intake",
    "preview",
    "read_chunks",
    "read_table",
    "row_findings",
]
