"""README's figures of fleet scale are those that were measured."""

import importlib.util
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def bench():
    spec = importlib.util.spec_from_file_location("bench_table", ROOT / "scripts/bench_table.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_readme_holds_the_table_of_what_was_measured(bench):
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    lines = bench.table(*(bench.measured(name) for name in bench.KINDS))
    assert lines.count("\n") > 2
    assert bench.written_into(readme, lines) == readme, "run: scripts/bench readme"


def test_a_readme_without_marks_is_refused(bench):
    with pytest.raises(SystemExit, match="lacks the marks"):
        bench.written_into("nothing here", "| |\n")


def test_figures_stand_beside_what_is_asked_for(bench):
    store = {
        "steps": {
            name: {"seconds": 12.0, "peak_mb": 1500, "rows": 7000, "median_ms": 3.0, "p95_ms": 4.0}
            for name in ("file: load", "server: load", "file: windows", "server: windows")
        },
        "ratios": {"file: load over bare read and insert": 2.345},
    }
    kill = {"tried": 20, "inside": 9, "survived": 20, "rows_lost": 0}
    told = bench.table(store, {}, {}, {"machine": {"cores": 2}, "embedded": {"load": kill}}, {})
    assert "| file, load over bare read and insert | 2.35 times | 3 times |" in told
    assert "20 times, 9 of them while it wrote | 20 survived, 0 rows lost | 0 lost |" in told


def test_the_plot_is_drawn(bench, tmp_path):
    runs = {name: {"seconds_besides": 30.0} for name in bench.RUNS}
    fleets = [{"vaults": size, "runs": runs} for size in (50_000, 400_000)]
    bench.plot({"fleets": fleets}, tmp_path / "growth.png")
    assert (tmp_path / "growth.png").read_bytes().startswith(b"\x89PNG")
