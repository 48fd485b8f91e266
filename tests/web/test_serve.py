"""Where the board may listen, and accounts from the command line."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from vaultplan.cli import app
from vaultplan.errors import SettingsError
from vaultplan.store.accounts import Accounts
from vaultplan.web.serve import Listening, serve


@pytest.mark.parametrize("host", ["127.0.0.1", "127.0.0.53", "localhost", "::1"])
def test_this_machine_alone_needs_no_account(host):
    Listening(host, 8765).check(has_accounts=False)


@pytest.mark.parametrize("host", ["0.0.0.0", "192.168.1.4", "board.example", "::"])
def test_others_need_accounts_tls_and_a_name(host):
    pem = Path("x.pem")
    with pytest.raises(SettingsError, match="make accounts first"):
        Listening(host, 8765).check(has_accounts=False)
    with pytest.raises(SettingsError, match="--behind-proxy"):
        Listening(host, 8765).check(has_accounts=True)
    with pytest.raises(SettingsError, match="--name"):
        Listening(host, 8765, certificate=pem, key=pem).check(has_accounts=True)
    named = ("board.example",)
    Listening(host, 8765, named, pem, pem).check(has_accounts=True)
    Listening(host, 8765, named, is_behind_proxy=True).check(has_accounts=True)


def test_certificate_and_key_belong_together():
    with pytest.raises(SettingsError, match="or neither"):
        Listening("127.0.0.1", 8765, certificate=Path("x.pem")).check(has_accounts=False)


def test_names_are_those_that_browsers_send():
    assert "localhost:8765" in Listening("127.0.0.1", 8765).hosts
    away = Listening("0.0.0.0", 443, ("board.example",))
    assert away.hosts == {"board.example"}


def test_without_accounts_a_code_is_shown_and_with_them_none(town_file, quick, tmp_path):
    path = tmp_path / "accounts.sqlite"
    with serve(town_file, path, Listening("127.0.0.1", 8765), quick) as served:
        assert len(served.code) == 19
        assert served.address == "http://127.0.0.1:8765"
    Accounts(path).put("ito", "planner", "a long password")
    with serve(town_file, path, Listening("127.0.0.1", 8765), quick) as served:
        assert served.code == ""


def test_accounts_are_made_changed_and_closed(tmp_path, monkeypatch):
    path = tmp_path / "accounts.sqlite"
    monkeypatch.setattr("getpass.getpass", lambda _prompt: "a long password")

    def run(*words: str):
        return CliRunner().invoke(app, ["board-account", "ito", "--accounts", str(path), *words])

    assert run("--role", "planner").exit_code == 0
    held = Accounts(path)
    assert held.names() == {"ito": "planner"}
    token, session = held.begin("ito", "planner")
    assert held.session(token) == session
    assert run("--role", "reader").exit_code == 0
    assert held.role_of("ito", "a long password") == "reader"
    assert held.session(token) is None
    assert run("--close").exit_code == 0
    assert held.role_of("ito", "a long password") is None
    assert "there is no account" in str(run("--close").exception)
    assert "say --role" in str(run().exception)
