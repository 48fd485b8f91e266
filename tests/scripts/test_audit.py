"""What the check of installed packages makes of pip-audit's report."""

from __future__ import annotations

import importlib.machinery
import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

SCRIPT = Path(__file__).parents[2] / "scripts" / "audit"


@pytest.fixture(scope="module")
def audit() -> ModuleType:
    loader = importlib.machinery.SourceFileLoader("audit_script", str(SCRIPT))
    spec = importlib.util.spec_from_loader(loader.name, loader)
    assert spec
    module = importlib.util.module_from_spec(spec)
    loader.exec_module(module)
    return module


#: In the shape that pip-audit 2.9 writes with ``--format json`` (its README, "JSON").
CLEAN = {"name": "a", "version": "1.0", "vulns": []}
WEAK = {
    "name": "b",
    "version": "0.9",
    "vulns": [{"id": "X-2026-1", "fix_versions": ["1.1"], "aliases": [], "description": ""}],
}
UNKNOWN = {"name": "c", "skip_reason": "Dependency not found and could not be audited"}


@pytest.mark.parametrize(
    ("packages", "code", "words"),
    [
        ([CLEAN, UNKNOWN], 0, "1 of 2 packages could be looked up, 0 weaknesses known"),
        ([CLEAN, WEAK], 1, "b 0.9: X-2026-1, mended in 1.1"),
        ([UNKNOWN], 2, "nothing was checked"),
    ],
)
def test_what_is_known_is_told_and_what_is_not_is_not_called_clean(audit, packages, code, words):
    found, lines = audit.verdict({"dependencies": packages, "fixes": []})
    assert found == code
    assert any(words in line for line in lines)


def test_all_that_is_installed_is_asked_for_but_the_project_itself(audit):
    names = {line.partition("==")[0].lower() for line in audit.installed(Path(sys.executable))}
    assert {"geopandas", "fastapi"} <= names
    assert "vaultplan" not in names
