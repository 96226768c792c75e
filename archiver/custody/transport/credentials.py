"""Passwords and keys of places: from the environment, or from the keyring of this machine.

They are never read from a URL or from a file of this program, and never written anywhere.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field

__all__ = ["Login", "keyring_entry", "login_for", "variable"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Login:
    """A user and what proves it; the secret is left out of every ``repr``.

    Parameters
    ----------
    user : str
        Empty if none is known.
    secret : str
        Empty if none is known.
    """

    user: str = ""
    secret: str = field(default="", repr=False)


def variable(name: str, environment: Mapping[str, str] | None = None) -> str:
    """Return a variable of the environment; empty if it is not set."""
    return (os.environ if environment is None else environment).get(name, "")


def keyring_entry(service: str, user: str) -> Login | None:
    """Look into the keyring, where the ``keyring`` extra is installed and a keyring is there.

    Parameters
    ----------
    service : str
        Under which it was stored: the place without user and folder, as ``webdavs://host``.
    user : str
        May be empty where the keyring can tell.
    """
    try:
        import keyring  # noqa: PLC0415 - an extra, and loaded only when asked
        import keyring.errors  # noqa: PLC0415
    except ImportError:
        return None
    try:
        found = keyring.get_credential(service, user or None)
    except (keyring.errors.KeyringError, RuntimeError):
        # No keyring on this machine, or its owner did not open it: as if nothing was there.
        return None
    if found is None or not found.password:
        return None
    return Login(user=user or found.username or "", secret=found.password)


def login_for(service: str, user: str, *, user_variable: str, secret_variable: str) -> Login:
    """Return a login from the environment, or else from the keyring.

    Parameters
    ----------
    service : str
        The place without user and folder.
    user : str
        As the URL says; empty if it does not.
    user_variable, secret_variable : str
        Variables of the environment.
    """
    user = user or variable(user_variable)
    secret = variable(secret_variable)
    if secret:
        return Login(user=user, secret=secret)
    return keyring_entry(service, user) or Login(user=user)
