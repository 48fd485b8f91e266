"""Rows of every table as JSON and back, and keys as text and back."""

from __future__ import annotations

import pandas as pd
import pytest
from geopandas.testing import assert_geodataframe_equal

from vaultplan import schema
from vaultplan.intake.outcome import row_keys
from vaultplan.ledger import keys_from, rows_from_json, rows_to_json
from vaultplan.store.database import open_database
from vaultplan.store.read import read_table


@pytest.mark.parametrize("name", schema.LOADABLE)
def test_rows_come_back_from_json_to_the_last_digit(town_file: str, name: str) -> None:
    declared = schema.table(name)
    with open_database(town_file) as database:
        rows = read_table(database, name).head(300)
        back = rows_from_json(declared, rows_to_json(declared, rows).tolist(), database.crs)
    if declared.geometry is None:
        pd.testing.assert_frame_equal(back, rows)
    else:
        assert_geodataframe_equal(back, rows)


@pytest.mark.parametrize("name", ["vaults", "rainfall", "rain_outlook", "visits"])
def test_keys_come_back_from_their_text(town_file: str, name: str) -> None:
    declared = schema.table(name)
    with open_database(town_file) as database:
        rows = read_table(database, name).head(300)
    keys = keys_from(declared, row_keys(declared, rows).tolist())
    pd.testing.assert_frame_equal(keys, pd.DataFrame(rows[list(declared.key)]))
