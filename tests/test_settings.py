"""Settings: frozen, checked, read from TOML, and told apart by their hash."""

from __future__ import annotations

from pathlib import Path

import pytest
from pydantic import ValidationError

from vaultplan.errors import SettingsError
from vaultplan.settings import Settings, load_settings


def write(folder: Path, text: str) -> Path:
    path = folder / "settings.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_no_file_means_defaults():
    assert load_settings(None) == Settings()


def test_what_is_set_is_taken_and_the_rest_stays(tmp_path):
    path = write(tmp_path, 'time_zone = "Pacific/Honolulu"\n[schedule]\nspeed_mph = 25.0\n')
    settings = load_settings(path)
    assert settings.time_zone == "Pacific/Honolulu"
    assert settings.schedule.speed_mph == 25.0
    assert settings.schedule.detour == Settings().schedule.detour


def test_settings_cannot_be_changed_in_place():
    with pytest.raises(ValidationError, match="frozen"):
        Settings().schedule.speed_mph = 99.0


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[schedule]\nspeed = 20", r"schedule\.speed: Extra inputs"),
        ("[schedule]\nspeed_mph = -1", r"schedule\.speed_mph: .*greater than 0"),
        ("[forecast]\ngear_frac = 1.5", r"forecast\.gear_frac: .*less than or equal to 1"),
        ("[outputs]\npaper = 'A0'", r"outputs\.paper"),
        ("[schedule", "not a TOML file"),
        ("[schedule]\nload_percentile = 75\n", "load_percentile"),
        ("[schedule]\nsock_gpm = inf\n", "sock_gpm"),
        ('[forecast]\nirrigation_from = "4-15"\n', "irrigation_from"),
        ('[forecast]\nirrigation_to = "13-01"\n', "irrigation_to"),
    ],
)
def test_impossible_settings_are_named(tmp_path, text, told):
    with pytest.raises(SettingsError, match=told):
        load_settings(write(tmp_path, text))


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(SettingsError, match="no settings file"):
        load_settings(tmp_path / "none.toml")


def test_version_changes_with_any_setting(tmp_path):
    changed = load_settings(write(tmp_path, "[drainage]\nmax_gutter_ft = 1501.0\n"))
    assert Settings().version == Settings().version
    assert changed.version != Settings().version


def test_version_does_not_hang_on_where_the_rules_lie(tmp_path):
    versions = set()
    for name in ("here", "there"):
        (tmp_path / name).mkdir()
        path = write(tmp_path / name, '[discharge]\nrules_file = "ours.toml"\n')
        versions.add(load_settings(path).version)
    assert len(versions) == 1


def test_every_number_says_what_it_is():
    for part in Settings.model_fields.values():
        for name, field in getattr(type(part.default), "model_fields", {}).items():
            if isinstance(field.default, float) and not name.startswith("weight_"):
                assert field.description, name


def test_a_rules_file_is_looked_for_beside_the_settings(tmp_path):
    path = tmp_path / "vaultplan.toml"
    path.write_text('[discharge]\nrules_file = "ours.toml"\n')
    assert load_settings(path).discharge.rules_file == tmp_path / "ours.toml"
