from vaultplan.store.migrate import differences


def test_new_database_has_no_difference(database):
    with database.reading() as connection:
        assert differences(connection, database.srid) == []
