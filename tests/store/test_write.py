"""Writing by key: new, changed, same; nothing half done."""

from geopandas.testing import assert_geodataframe_equal
from pandas.testing import assert_frame_equal

from vaultplan.store.read import read_table
from vaultplan.store.write import Counts, upsert


def put(database, name, frame):
    with database.writing() as connection:
        return upsert(connection, name, frame)


def test_what_is_written_is_read_back(database, vaults, visits):
    assert put(database, "vaults", vaults) == Counts(new=3)
    assert put(database, "visits", visits) == Counts(new=4)
    assert_geodataframe_equal(read_table(database, "vaults"), vaults)
    assert_frame_equal(read_table(database, "visits"), visits)
