"""Accounts and sessions in their file: nothing that opens a door lies in it as it is."""

from __future__ import annotations

import stat
import time

import pytest

from vaultplan.errors import SettingsError, StoreError
from vaultplan.store import accounts
from vaultplan.store.accounts import Accounts

WORD = "a long password"


@pytest.fixture
def held(tmp_path) -> Accounts:
    made = Accounts(tmp_path / "accounts.sqlite")
    made.put("ito", "planner", WORD)
    return made


def test_only_the_right_password_opens(held):
    assert held.role_of("ito", WORD) == "planner"
    assert held.role_of("ito", "a wrong password") is None
    assert held.role_of("nobody", WORD) is None


def test_neither_password_nor_session_can_be_read_from_the_file(held):
    token, session = held.begin("ito", "planner")
    content = held.path.read_bytes()
    assert WORD.encode() not in content and token.encode() not in content
    assert held.session(token) == session
    assert stat.S_IMODE(held.path.stat().st_mode) == 0o600


def test_sessions_end(held, monkeypatch):
    token, _ = held.begin("ito", "planner")
    assert held.session("something else") is None
    now = time.time()
    monkeypatch.setattr(accounts.time, "time", lambda: now + 3600 * accounts.SESSION_HOURS + 1)
    assert held.session(token) is None
    other, _ = held.begin("ito", "planner")
    held.end(other)
    assert held.session(other) is None


def test_vain_attempts_are_counted_for_a_while(held, monkeypatch):
    for _ in range(accounts.MOST_TRIES):
        assert not held.must_wait("name ito")
        held.note_try("name ito", "address here")
    assert held.must_wait("name ito") and held.must_wait("somebody", "address here")
    assert not held.must_wait("name other")
    now = time.time()
    monkeypatch.setattr(accounts.time, "time", lambda: now + 60 * accounts.TRY_MINUTES + 1)
    assert not held.must_wait("name ito")


@pytest.mark.parametrize(
    ("name", "role", "word", "words"),
    [
        ("ito", "owner", WORD, "no role"),
        ("ito", "planner", "short", "at least"),
        ("", "planner", WORD, "a name"),
        (" ito", "planner", WORD, "a name"),
        ("i\nto", "planner", WORD, "a name"),
    ],
)
def test_accounts_that_cannot_be_are_refused(held, name, role, word, words):
    with pytest.raises(SettingsError, match=words):
        held.put(name, role, word)
    assert held.role_of("ito", WORD) == "planner"


def test_a_file_that_is_none_of_accounts_is_refused(tmp_path):
    path = tmp_path / "notes.txt"
    path.write_text("these are notes, and no database at all\n" * 50, encoding="utf-8")
    with pytest.raises(StoreError, match="cannot be used for accounts"):
        Accounts(path)
    assert path.read_text(encoding="utf-8").startswith("these are notes")
