"""Where passwords come from, and where they never appear."""
# ruff: noqa: S106 - all of them are made up

from __future__ import annotations

import sys
from collections.abc import Iterator

import keyring
import pytest
from keyring.backend import KeyringBackend
from keyring.errors import NoKeyringError

from archiver.custody.transport.credentials import Login, keyring_entry, login_for


class InMemory(KeyringBackend):
    """A keyring of one entry."""

    priority = 1

    def __init__(self, service: str = "", user: str = "", password: str = "") -> None:
        super().__init__()  # type: ignore[no-untyped-call]
        self.entry = (service, user, password)

    def get_password(self, service: str, username: str) -> str | None:
        if not self.entry[0]:
            raise NoKeyringError
        return self.entry[2] if (service, username) == self.entry[:2] else None

    def set_password(self, service: str, username: str, password: str) -> None:
        """Keep nothing."""

    def delete_password(self, service: str, username: str) -> None:
        """Forget nothing."""


@pytest.fixture
def kept() -> Iterator[None]:
    before = keyring.get_keyring()
    keyring.set_keyring(InMemory("webdavs://example.org", "eva", "from-the-keyring"))
    yield
    keyring.set_keyring(before)


def login(user: str = "eva") -> Login:
    return login_for(
        "webdavs://example.org", user, user_variable="TEST_USER", secret_variable="TEST_SECRET"
    )


@pytest.mark.usefixtures("kept")
def test_the_environment_comes_before_the_keyring(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TEST_SECRET", "from-the-environment")
    assert login() == Login(user="eva", secret="from-the-environment")


@pytest.mark.usefixtures("kept")
def test_the_keyring_is_asked_for_the_place_and_the_user(monkeypatch: pytest.MonkeyPatch) -> None:
    assert login() == Login(user="eva", secret="from-the-keyring")
    assert login("adam") == Login(user="adam")
    monkeypatch.setenv("TEST_USER", "eva")
    assert login("") == Login(user="eva", secret="from-the-keyring")


def test_without_a_keyring_nothing_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    before = keyring.get_keyring()
    keyring.set_keyring(InMemory())
    try:
        assert keyring_entry("webdavs://example.org", "eva") is None
    finally:
        keyring.set_keyring(before)
    monkeypatch.setitem(sys.modules, "keyring", None)
    assert keyring_entry("webdavs://example.org", "eva") is None


def test_a_login_does_not_show_its_secret() -> None:
    assert "sesame" not in repr(Login(user="eva", secret="sesame"))
