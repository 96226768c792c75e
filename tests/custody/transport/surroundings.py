"""An environment in which nothing of this machine's user is found."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

import pytest

from archiver.custody.places import Retries
from tests.custody.transport import s3_server, sftp_server, webdav_server

AT_ONCE = Retries(sleep=lambda _: None)


def bare(monkeypatch: pytest.MonkeyPatch, home: Path) -> None:
    """Hide the keys, settings and keyring of whoever runs the tests."""
    for name in list(os.environ):
        if name.startswith(("AWS_", "ARCHIVER_SFTP", "ARCHIVER_WEBDAV", "SSH_AUTH")):
            monkeypatch.delenv(name)
    for name in ("home", "temporary"):
        (home / name).mkdir(exist_ok=True)
    monkeypatch.setattr(tempfile, "tempdir", str(home / "temporary"))
    for name, value in {
        "HOME": str(home / "home"),
        "USERPROFILE": str(home / "home"),
        "AWS_CONFIG_FILE": os.devnull,
        "AWS_SHARED_CREDENTIALS_FILE": os.devnull,
        "AWS_DEFAULT_REGION": "us-east-1",
        "PYTHON_KEYRING_BACKEND": "keyring.backends.null.Keyring",
    }.items():
        monkeypatch.setenv(name, value)


def let_into_sftp(monkeypatch: pytest.MonkeyPatch, server: sftp_server.SftpServer) -> None:
    """Know the host key and the password."""
    monkeypatch.setenv("ARCHIVER_KNOWN_HOSTS", str(server.known_hosts))
    monkeypatch.setenv("ARCHIVER_SFTP_PASSWORD", sftp_server.PASSWORD)


def let_into_s3(monkeypatch: pytest.MonkeyPatch, port: int) -> None:
    """Know the server and the access key."""
    monkeypatch.setenv("AWS_ENDPOINT_URL_S3", f"http://127.0.0.1:{port}")
    monkeypatch.setenv("AWS_ACCESS_KEY_ID", s3_server.KEY)
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", s3_server.SECRET)


def let_into_webdav(monkeypatch: pytest.MonkeyPatch) -> None:
    """Know the user and the password."""
    monkeypatch.setenv("ARCHIVER_WEBDAV_USER", webdav_server.USER)
    monkeypatch.setenv("ARCHIVER_WEBDAV_PASSWORD", webdav_server.PASSWORD)
