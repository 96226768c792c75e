"""Where a place is, and what a URL may not carry."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver.custody.transport.address import Kind, address_of, refuse_password
from archiver.errors import MisuseError


@pytest.mark.parametrize(
    ("location", "kind", "host", "port", "user", "path"),
    [
        (
            "sftp://eva@archive.example/in/2026/",
            Kind.SFTP,
            "archive.example",
            None,
            "eva",
            "/in/2026",
        ),
        ("sftp://archive.example:2222", Kind.SFTP, "archive.example", 2222, "", ""),
        ("sftp://eva@archive.example/~/in", Kind.SFTP, "archive.example", None, "eva", "/~/in"),
        ("SFTP://[2001:db8::1]/in", Kind.SFTP, "2001:db8::1", None, "", "/in"),
        ("s3://Vault.2026/a%20b/", Kind.S3, "Vault.2026", None, "", "a b"),
        ("s3://vault", Kind.S3, "vault", None, "", ""),
        (
            "webdavs://eva@example.org:8443/dav/in",
            Kind.WEBDAV,
            "example.org",
            8443,
            "eva",
            "dav/in",
        ),
        ("/vault/in", Kind.LOCAL, "", None, "", "/vault/in"),
        ("C:\\vault\\in", Kind.LOCAL, "", None, "", "C:\\vault\\in"),
    ],
)
def test_a_location_is_taken_apart(
    location: str, kind: Kind, host: str, port: int | None, user: str, path: str
) -> None:
    found = address_of(location)
    assert (found.kind, found.host, found.port, found.user, found.path) == (
        kind,
        host,
        port,
        user,
        path,
    )


def test_only_webdav_without_s_can_be_read_on_the_way() -> None:
    insecure = [
        kind
        for kind in ("sftp", "s3", "webdav", "webdavs")
        if not address_of(f"{kind}://h/x").secure
    ]
    assert insecure == ["webdav"]


def test_names_below_a_place_are_quoted_in_what_is_shown() -> None:
    place = address_of("webdavs://example.org/in/")
    assert place.of("2026/a b", "50%.tar") == "webdavs://example.org/in/2026/a%20b/50%25.tar"
    assert address_of(Path("/vault")).of("2026", "a b.tar") == str(Path("/vault/2026/a b.tar"))


@given(
    scheme=st.sampled_from(["sftp", "ssh", "s3", "webdav", "webdavs", "ftp", "https"]),
    user=st.sampled_from(["", "eva", "e%20va", "eva@home"]),
    password=st.text(alphabet="abcXYZ0123456789-_~%@/?#[]", min_size=8, max_size=20),
)
def test_a_password_is_refused_and_never_repeated(scheme: str, user: str, password: str) -> None:
    url = f"{scheme}://{user}:SECRET{password}@archive.example/in"
    for refuse in (address_of, refuse_password):
        with pytest.raises(MisuseError) as caught:
            refuse(url)
        assert "SECRET" not in str(caught.value)
        assert password not in str(caught.value)


@given(
    host=st.sampled_from(
        ["archive.example", "archive.example:22", "[2001:db8::1]", "[::1]:22", ""]
    ),
    user=st.sampled_from(["", "eva@"]),
    path=st.sampled_from(["", "/", "/a:b@c", "/in?x=a:b@c"]),
)
def test_what_is_no_password_is_not_taken_for_one(host: str, user: str, path: str) -> None:
    refuse_password(f"sftp://{user}{host}{path}")


def test_a_password_hidden_in_the_user_is_refused() -> None:
    with pytest.raises(MisuseError, match="carries a password") as caught:
        address_of("sftp://eva%3Asecretword@archive.example/in")
    assert "secretword" not in str(caught.value)
    assert "keyring" in str(caught.value)


@pytest.mark.parametrize(
    ("location", "found"),
    [
        ("s3://vault/in?X-Amz-Signature=abcdef", "after [?] or #"),
        ("webdavs://example.org/in#token", "after [?] or #"),
        ("https://example.org/in", "nothing can be sent"),
        ("sftp:///in", "names no host"),
        ("s3://eva@vault/in", "names no bucket"),
        ("s3://vault:9000/in", "names no bucket"),
        ("sftp://archive.example:many/in", "not a URL"),
        ("sftp://archive.example/a/../b", "goes through"),
        ("webdavs://example.org/a/%2e%2e/b", "goes through"),
        ("sftp://archive..example/in", "a host that cannot be"),
        (f"webdavs://{'a' * 64}.example/in", "a host that cannot be"),
        ("file://[vault/in", "not a URL"),
        ("file://vault/in", "another machine"),
        ("file:///vault/in?abcdef", "after [?] or #"),
    ],
)
def test_what_cannot_be_used_is_refused_with_what_can(location: str, found: str) -> None:
    with pytest.raises(MisuseError, match=found) as caught:
        address_of(location)
    assert "Accepted" in str(caught.value)
    assert "abcdef" not in str(caught.value)


def test_a_file_url_is_decoded_once(tmp_path: Path) -> None:
    """RFC 8089; a percent sign is itself written as %25."""
    folder = tmp_path / "50%25 a b"
    assert address_of(folder.as_uri()).path == str(folder)
    assert address_of(folder.as_uri().replace("file://", "FILE://localhost")).path == str(folder)


@given(st.sampled_from(["", "sftp://", "s3://", "webdavs://", "file://"]), st.text(max_size=40))
def test_any_text_is_a_place_or_refused(scheme: str, text: str) -> None:
    try:
        found = address_of(scheme + text)
    except MisuseError:
        return
    assert found.shown
