"""Laboratory results of the demo, and of the storm-water database that wqio carries, in full."""

from __future__ import annotations

import csv
import importlib.metadata
from pathlib import Path

import pandas as pd
import pytest
from typer.testing import CliRunner

from vaultplan import loading, sampling
from vaultplan.cli import app
from vaultplan.errors import OutputError, SchemaError
from vaultplan.settings import Settings

RECIPE = """
[columns]
visit_id = "visit"
sample_id = "number"
stage = "station"
characteristic = "parameter"
result_value = "res"
result_unit = "units"
detection_condition = "qual"

[values.stage]
inflow = "raw"
"reference outflow" = ""
subsurface = ""
outflow = "filtered"

[values.detection_condition]
"=" = ""
ND = "Not Detected"  # codespell:ignore nd
"""


@pytest.fixture(scope="module")
def storms(tmp_path_factory) -> tuple[str, dict[str, str]]:
    """The International Stormwater BMP Database as wqio 0.7.2 carries it, through our own intake.

    3,094 results of 22 sites, of which 354 were not detected; vaults stand for its practices.
    """
    files = importlib.metadata.files("wqio") or []
    (path,) = [file.locate() for file in files if file.name == "testdata.csv"]
    with Path(str(path)).open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    folder = tmp_path_factory.mktemp("storms")
    kinds, when = {}, {}
    for number, row in enumerate(rows):
        row["number"], row["visit"] = str(number), f"{row['bmp']}/{row['storm']}"
        kinds[row["bmp"]] = row["category"]
        when.setdefault(row["visit"], (row["bmp"], row["sampledatetime"]))
    vaults = [
        (bmp, kind, 500_000 + 60 * n, 4_000_000) for n, (bmp, kind) in enumerate(kinds.items())
    ]
    _write(folder / "vaults.csv", ("vault_id", "district", "x", "y"), vaults)
    visits = [(visit, bmp, at, "wet") for visit, (bmp, at) in when.items()]
    _write(folder / "visits.csv", ("visit_id", "vault_id", "visited_at", "finding"), visits)
    _write(folder / "results.csv", tuple(rows[0]), [tuple(row.values()) for row in rows])
    (folder / "results.toml").write_text(RECIPE, encoding="utf-8")
    (folder / "vaults.toml").write_text('crs = "EPSG:32617"\nx = "x"\ny = "y"\n', encoding="utf-8")
    location = str(folder / "storms.gpkg")
    loading.new(location, "EPSG:32617")
    for name in ("vaults", "visits"):
        loading.load(location, name, folder / f"{name}.csv")
    told = loading.load(
        location,
        "samples",
        folder / "results.csv",
        column_map=folder / "results.toml",
        apply=["limit_as_value"],
    ).outcome.iloc[0]
    assert (told["loaded"] + told["repaired"], told["repaired"], told["quarantined"]) == (
        3094,
        354,
        0,
    )
    return location, kinds


def _write(path: Path, names, rows) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([names, *rows])


# Medians of total suspended solids in and out (mg/L) and how many results they are of, as computed
# from the file itself; a strip's median falls while its mean rises from 92.2 to 104.5. Of an even
# count ours is the lower of the two in the middle: 34 of 34 and 35, whose mean is 34.5.
PUBLISHED = {
    ("Biofilter - Grass Swale", "raw"): (55, 36.0),
    ("Biofilter - Grass Swale", "filtered"): (249, 6.1),
    ("Biofilter - Grass Strip", "raw"): (189, 63.0),
    ("Biofilter - Grass Strip", "filtered"): (152, 34.0),
    ("Bioretention", "raw"): (175, 68.0),
    ("Bioretention", "filtered"): (187, 11.0),
}


def test_real_results_in_and_out_with_non_detects(storms) -> None:
    location, kinds = storms
    found = sampling.sampled(location, settings=Settings())
    assert found.left_out.empty
    assert int(found.results["is_below"].sum()) == 354
    solids = found.results[found.results["characteristic"] == "Total suspended solids"]
    kind = solids["vault_id"].map(kinds)
    for (name, stage), (count, median) in PUBLISHED.items():
        mine = solids[kind.eq(name) & solids["stage"].eq(stage)]
        row = sampling.characteristics(mine).iloc[0]
        assert (row["count"], row["median"]) == (count, pytest.approx(median))
    strip = solids[kind.eq("Biofilter - Grass Strip")]
    means = sampling.characteristics(strip).set_index("stage")
    assert means.loc["filtered", "mean_low"] > means.loc["raw", "mean_high"]
    assert means.loc["raw", "mean_high"] == pytest.approx(92.2, abs=0.3)
    assert means.loc["filtered", "mean_high"] == pytest.approx(104.5, abs=0.3)


def test_pairs_of_real_results_are_told_with_their_bounds(storms) -> None:
    location, _ = storms
    found = sampling.sampled(location, settings=Settings())
    pairs = found.pairs
    assert set(pairs["tells"]) == {"exact", "at least", "at most", "cannot tell"}
    assert (pairs["least_frac"] <= pairs["most_frac"]).all()
    removed = found.removals.set_index("characteristic")
    assert removed["pair_count"].sum() == len(pairs)
    for row in removed.to_dict("records"):
        assert row["median_least_frac"] <= row["median_most_frac"]
        assert not row["low_frac"] > row["median_least_frac"]
        assert not row["high_frac"] < row["median_most_frac"]
    only = sampling.sampled(location, only="copper, dissolved", settings=Settings())
    assert only.removals["characteristic"].tolist() == ["Copper, Dissolved"]
    assert only.removals["median_least_frac"].iloc[0] == pytest.approx(
        removed.loc["Copper, Dissolved", "median_least_frac"]
    )


def test_the_demo_sums_up_and_writes_wqx(demo_file, tmp_path) -> None:
    told = CliRunner().invoke(
        app,
        [
            "samples",
            "--db",
            str(demo_file),
            "--wqx",
            str(tmp_path / "wqx.csv"),
            "--since",
            "2022-01-01",
        ],
    )
    assert told.exit_code == 0, told.output
    assert "cannot tell" in told.output
    assert "No figure here is a permit limit" in " ".join(told.output.split())
    rows = pd.read_csv(tmp_path / "wqx.csv", dtype="str", keep_default_na=False)
    has_value = rows["Result Value"].ne("")
    assert (has_value != rows["Result Detection Condition"].ne("")).all()
    assert rows["Activity Start Date"].min() >= "2022-01-01"


def test_what_is_not_there_is_told(demo_file) -> None:
    with pytest.raises(SchemaError, match="known: Copper, Lead"):
        sampling.sampled(str(demo_file), only="Mercury", settings=Settings())
    with pytest.raises(OutputError, match="is the database"):
        sampling.sampled(str(demo_file), wqx=Path(demo_file), settings=Settings())
