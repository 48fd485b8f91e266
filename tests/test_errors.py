"""Errors: each is also the fitting builtin, and bad rows are told one by one."""

from __future__ import annotations

import inspect

import pytest

from vaultplan import errors
from vaultplan.errors import BadRow, BadRowsError, MissingExtraError, VaultplanError

CLASSES = [
    value
    for _, value in inspect.getmembers(errors, inspect.isclass)
    if issubclass(value, VaultplanError)
]


@pytest.mark.parametrize("error", CLASSES, ids=lambda error: error.__name__)
def test_every_error_is_drawn_in_the_tree_and_is_a_builtin_too(error):
    assert error.__name__ in errors.__doc__
    builtin = (ValueError, RuntimeError, ImportError)
    assert error is VaultplanError or issubclass(error, builtin)


def test_a_bad_row_reads_as_one_line():
    fault = BadRow(17, "depth_ft", "6 ft", "is not a number", "write 6")
    assert str(fault) == "row 17, column depth_ft: is not a number ('6 ft'); write 6"
    whole = BadRow(0, "", "", "no CRS", "state one")
    assert str(whole) == "whole file: no CRS; state one"


def test_bad_rows_keep_all_faults_and_show_the_first():
    faults = [BadRow(row, "kind", "x", "is unknown", "mend it") for row in range(2, 32)]
    error = BadRowsError("vaults.csv", "vaults", faults)
    assert error.faults == tuple(faults)
    told = str(error).splitlines()
    assert told[0] == "vaults.csv was not loaded into vaults: 30 fault(s), nothing written"
    assert told[1].strip().startswith("row 2, column kind")
    assert told[-1].strip() == "... and 10 more"
    assert len(told) == BadRowsError.shown + 2


def test_a_missing_extra_names_the_install():
    assert "pip install 'vaultplan[postgis]'" in str(MissingExtraError("psycopg", "postgis"))
