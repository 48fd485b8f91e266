"""Every notebook runs from its first cell to its last, and is kept without outputs."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

NOTEBOOKS = sorted((Path(__file__).parents[1] / "notebooks").glob("*.ipynb"))


def test_there_are_notebooks() -> None:
    assert NOTEBOOKS


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_runs(path: Path) -> None:
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    names: dict[str, object] = {}
    for cell in cells:
        if cell["cell_type"] == "code":
            exec(compile("".join(cell["source"]), path.name, "exec"), names)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_is_kept_without_outputs(path: Path) -> None:
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    assert not any(cell.get("outputs") or cell.get("execution_count") for cell in cells)
