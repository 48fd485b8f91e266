from __future__ import annotations

from pathlib import Path

from vaultplan import loading
from vaultplan.store.database import open_database
from vaultplan.store.read import read_table


def test_a_file_with_fewer_columns_leaves_the_others_as_they_were(
    town_file: str, tmp_path: Path
) -> None:
    path = tmp_path / "trucks.csv"
    path.write_text(
        "truck_id,kind,depot_id,shift_from,shift_to\nC01,crew,SM-D2,08:00,16:00\n", encoding="utf-8"
    )
    with open_database(town_file) as database:
        before = read_table(database, "trucks").set_index("truck_id").loc["C01"]
    counts = loading.load(town_file, "trucks", path)
    assert counts[["new", "changed", "same"]].iloc[0].tolist() == [0, 1, 0]
    with open_database(town_file) as database:
        after = read_table(database, "trucks").set_index("truck_id").loc["C01"]
    told = ["depot_id", "shift_from", "shift_to"]
    assert after[told].tolist() == ["SM-D2", "08:00", "16:00"]
    untold = [name for name in before.index if name not in told]
    assert after[untold].equals(before[untold])
