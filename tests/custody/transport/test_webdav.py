"""WebDAV against a real server: who is let in, what it refuses, and when it lies."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from pathlib import Path

import pytest

from archiver.custody.places import open_place
from archiver.custody.transport.far_end import BLOCK_BYTES
from archiver.errors import IntegrityError, MisuseError, SurroundingsError
from tests.custody.tls_server import tls_server
from tests.custody.transport.cutting import CuttingProxy, cutting_proxy
from tests.custody.transport.sendables import some_bytes
from tests.custody.transport.surroundings import AT_ONCE, bare, let_into_webdav
from tests.custody.transport.webdav_server import PASSWORD, WebdavServer, webdav_server

PARCEL = some_bytes("lhm-2026-04-18.tar", 100_000)


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[WebdavServer]:
    with webdav_server(tmp_path_factory.mktemp("webdav")) as server:
        yield server


@pytest.fixture
def server(
    running: WebdavServer, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> Iterator[WebdavServer]:
    """A faultless, empty server that lets us in."""
    bare(monkeypatch, tmp_path)
    let_into_webdav(monkeypatch)
    running.clear_faults()
    yield running
    for path in running.root.iterdir():
        path.unlink()


@pytest.fixture
def proxy(server: WebdavServer) -> Iterator[CuttingProxy]:
    with cutting_proxy(server.port) as found:
        yield found


def url(server: WebdavServer | CuttingProxy) -> str:
    return f"webdav://127.0.0.1:{server.port}/"


def names(server: WebdavServer) -> list[str]:
    return sorted(path.name for path in server.root.iterdir())


def test_what_is_there_already_is_compared(server: WebdavServer) -> None:
    with open_place(url(server), retries=AT_ONCE) as place:
        assert place.send(PARCEL).verified_by == "read back"
        assert place.send(PARCEL).already_there
        with pytest.raises(MisuseError, match="is there already, with other content"):
            place.send(some_bytes(PARCEL.name, 100_000, seed=1))
    assert (server.root / PARCEL.name).read_bytes() == PARCEL.content


@pytest.mark.parametrize("announced", [True, False])
def test_a_digest_that_the_server_states_is_enough(server: WebdavServer, announced: bool) -> None:
    server.clear_faults().states_digests = True
    parcel = some_bytes("p.tar", 50_000, announced=announced)
    with open_place(url(server), retries=AT_ONCE) as place:
        assert place.send(parcel).verified_by == "server checksum"
        again = place.send(parcel)
        assert (again.already_there, again.verified_by) == (True, "server checksum")
        with pytest.raises(MisuseError, match="is there already"):
            place.send(some_bytes("p.tar", 50_000, seed=1, announced=announced))


@pytest.mark.parametrize("states_digests", [True, False])
def test_a_far_end_that_alters_bytes_is_found_out(
    server: WebdavServer, states_digests: bool
) -> None:
    faults = server.clear_faults()
    faults.flip = True
    faults.states_digests = states_digests
    with (
        open_place(url(server), retries=AT_ONCE) as place,
        pytest.raises(IntegrityError, match="does not hold the bytes that were sent"),
    ):
        place.send(PARCEL)
    assert faults.injected == 1
    assert names(server) == []


def test_what_arrived_whole_is_not_sent_again(server: WebdavServer) -> None:
    (server.root / f".{PARCEL.name}.unfinished").write_bytes(PARCEL.content)
    with open_place(url(server), retries=AT_ONCE) as place:
        sent = place.send(PARCEL)
    assert (sent.resumed_at_bytes, sent.sent_bytes) == (100_000, 0)
    assert names(server) == [PARCEL.name]


def test_a_leftover_of_other_bytes_is_replaced(server: WebdavServer) -> None:
    (server.root / f".{PARCEL.name}.unfinished").write_bytes(bytes(100_000))
    with open_place(url(server), retries=AT_ONCE) as place:
        sent = place.send(PARCEL)
    assert (sent.resumed_at_bytes, sent.sent_bytes) == (0, 100_000)
    assert (server.root / PARCEL.name).read_bytes() == PARCEL.content


@pytest.mark.parametrize(
    ("method", "status", "found"),
    [
        ("PUT", "507 Insufficient Storage", "the far end has no room"),
        ("PUT", "413 Content Too Large", "the far end has no room"),
        ("PUT", "403 Forbidden", "may not be written by this account"),
        ("PUT", "409 Conflict", "could not be written: the far end says status 409"),
        ("MKCOL", "403 Forbidden", "may not be made by this account"),
        ("MOVE", "403 Forbidden", "may not be given its name by this account"),
        ("PROPFIND", "403 Forbidden", "may not be examined by this account"),
        ("PUT", "503 Service Unavailable", "8 times in a row .the server answered with status 503"),
    ],
)
def test_what_the_server_refuses_is_told(
    server: WebdavServer, method: str, status: str, found: str
) -> None:
    with open_place(url(server), retries=AT_ONCE) as place:
        faults = server.clear_faults()
        faults.status[method] = status
        with pytest.raises(SurroundingsError, match=found):
            place.send(PARCEL, folder="a/b" if method == "MKCOL" else "")
    assert faults.injected
    assert PARCEL.name not in names(server)


def test_a_name_that_is_taken_meanwhile_is_not_overwritten(server: WebdavServer) -> None:
    def another_comes(_count: int) -> None:
        (server.root / PARCEL.name).write_bytes(b"another's")

    with (
        open_place(url(server), retries=AT_ONCE) as place,
        pytest.raises(MisuseError, match="is there already"),
    ):
        place.send(PARCEL, on_bytes=another_comes)
    assert (server.root / PARCEL.name).read_bytes() == b"another's"


@pytest.mark.parametrize("method", [b"PUT ", b"MOVE ", b"PROPFIND ", b"GET "])
def test_what_was_done_and_whose_answer_is_lost_is_not_done_again(
    server: WebdavServer, proxy: CuttingProxy, method: bytes
) -> None:
    with open_place(url(proxy), retries=AT_ONCE) as place:
        proxy.cut_after()
        proxy.lose_answer_to(method)
        sent = place.send(PARCEL)
    assert proxy.cuts_done == 1
    assert (sent.attempts, sent.sent_bytes) == (2, 100_000)
    assert proxy.to_server_bytes < 100_000 + 10_000
    assert names(server) == [PARCEL.name]


def test_names_are_quoted_once(server: WebdavServer) -> None:
    odd = some_bytes("Wälze 50%41 #2.tar", 10)
    with open_place(url(server), retries=AT_ONCE) as place:
        place.send(odd)
        assert [one.name for one in place.listing()] == [odd.name]
    assert names(server) == [odd.name]


def test_a_name_that_the_server_garbles_is_not_called_sent(server: WebdavServer) -> None:
    # This server reads the question mark in the Destination of a MOVE as the begin of a query.
    with (
        open_place(url(server), retries=AT_ONCE) as place,
        pytest.raises(SurroundingsError, match="there is no such file now"),
    ):
        place.send(some_bytes("which?.tar", 10))


@pytest.mark.parametrize("no_ranges", [True, False])
def test_what_is_fetched_goes_on_after_a_cut(
    server: WebdavServer, proxy: CuttingProxy, tmp_path: Path, no_ranges: bool
) -> None:
    large = some_bytes("large.tar", 3_000_000)
    (server.root / "large.tar").write_bytes(large.content)
    faults = server.clear_faults()
    faults.no_ranges = no_ranges
    faults.stop_after_bytes = 1_500_000
    with open_place(url(proxy), retries=AT_ONCE) as place:
        fetched = place.fetch("large.tar", tmp_path / "back.tar", sha256=large.sha256)
    assert (faults.injected, fetched.attempts) == (1, 2)
    sent_twice = 1_500_000 if no_ranges else 0
    assert proxy.to_client_bytes < 3_000_000 + sent_twice + BLOCK_BYTES + 50_000
    assert (tmp_path / "back.tar").read_bytes() == large.content


@pytest.mark.parametrize(("user", "password"), [("eva", "another-secret-word"), ("", PASSWORD)])
def test_who_is_not_let_in_is_told_what_would_let_in(
    server: WebdavServer, monkeypatch: pytest.MonkeyPatch, user: str, password: str
) -> None:
    monkeypatch.setenv("ARCHIVER_WEBDAV_USER", user)
    monkeypatch.setenv("ARCHIVER_WEBDAV_PASSWORD", password)
    with (
        pytest.raises(SurroundingsError, match="does not let this user in") as caught,
        open_place(url(server), retries=AT_ONCE),
    ):
        pass
    assert "ARCHIVER_WEBDAV_PASSWORD" in str(caught.value)
    assert password not in str(caught.value)


@pytest.mark.usefixtures("server")
def test_a_password_is_not_sent_where_others_can_read_it() -> None:
    with (
        pytest.raises(MisuseError, match="everybody on the way can read it"),
        open_place("webdav://archive.example/in", retries=AT_ONCE),
    ):
        pass


def test_a_server_that_speaks_no_tls_is_not_sent_a_password_in_clear(server: WebdavServer) -> None:
    # A greeting that is not understood looks like a line that is cut.
    with (
        pytest.raises(SurroundingsError, match="was cut off"),
        open_place(f"webdavs://127.0.0.1:{server.port}/", retries=AT_ONCE),
    ):
        pass


@pytest.mark.usefixtures("server")
def test_a_certificate_that_proves_nothing_is_refused_at_once(tmp_path: Path) -> None:
    with (
        tls_server(tmp_path) as imposter,
        pytest.raises(SurroundingsError, match="this machine does not trust") as caught,
        open_place(f"webdavs://localhost:{imposter.port}/", retries=AT_ONCE),
    ):
        pass
    assert "SSL_CERT_FILE" in str(caught.value)
    assert imposter.asked == []


@pytest.mark.usefixtures("server")
@pytest.mark.parametrize("content", [None, b"no certificate"])
def test_certificates_that_cannot_be_read_are_told(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, content: bytes | None
) -> None:
    """The variable is the one that the refusal of a certificate names."""
    certificates = tmp_path / "certificates.pem"
    if content is not None:
        certificates.write_bytes(content)
    monkeypatch.setenv("SSL_CERT_FILE", str(certificates))
    with (
        pytest.raises(SurroundingsError, match=r"SSL_CERT_FILE .* cannot be read"),
        open_place("webdavs://localhost:1/", retries=AT_ONCE),
    ):
        pass


@pytest.mark.usefixtures("server")
def test_a_host_that_no_name_server_takes_is_refused() -> None:
    with (
        pytest.raises(MisuseError, match="is not a URL that can be used"),
        open_place("webdavs://xn--a.%C3%28/in", retries=AT_ONCE),
    ):
        pass


def test_a_collection_that_is_not_there_is_refused(server: WebdavServer) -> None:
    with (
        pytest.raises(MisuseError, match="does not exist"),
        open_place(url(server) + "nowhere", retries=AT_ONCE),
    ):
        pass


def test_nothing_secret_reaches_a_log(
    server: WebdavServer, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    with open_place(url(server), retries=AT_ONCE) as place:
        sent = place.send(PARCEL)
    assert caplog.records
    assert PASSWORD not in caplog.text
    assert "ZXZhO" not in caplog.text  # base64 of the user and a colon, as Basic sends them
    assert PASSWORD not in repr(sent) + repr(place) + place.url
