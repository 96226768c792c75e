"""Fetching a file that a bag names: only https, only named hosts, only what was promised.

Against a TLS server on loopback. Sources: RFC 8493 sections 5.2 and 5.3; RFC 9110 section
15.4 (redirects).
"""

from __future__ import annotations

import contextlib
import hashlib
import http.server
import itertools
import ssl
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from archiver.custody.fetching import FetchLimits, FetchRefusedError, fetch, fetch_small
from archiver.errors import SurroundingsError
from tests.custody.tls_server import Answer, TlsServer, redirect, tls_server

CONTENT = bytes(range(256)) * 4000
SHA256 = hashlib.sha256(CONTENT).hexdigest()
_OF_LIMITS = ("hosts", "most_bytes", "timeout_s", "patience_s", "least_bytes_per_s", "clock")


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TlsServer]:
    with tls_server(tmp_path_factory.mktemp("tls")) as server:
        yield server


@pytest.fixture
def server(running: TlsServer) -> TlsServer:
    running.content = {"/t01.wav": CONTENT, "/other": b"other"}
    running.answers.clear()
    running.asked.clear()
    return running


def fetched(server: TlsServer, url: str, target: Path, **more: Any) -> int:
    options: dict[str, Any] = {"hosts": (server.host,), "most_bytes": 1 << 24}
    options |= {k: more.pop(k) for k in _OF_LIMITS if k in more}
    facts: dict[str, Any] = {"length": len(CONTENT), "digests": {"sha256": SHA256}}
    return fetch(url, target, limits=FetchLimits(trust=server.trust, **options), **(facts | more))


def test_a_file_is_fetched_whole_under_its_name(server: TlsServer, tmp_path: Path) -> None:
    told: list[int] = []
    size = fetched(server, server.url("/t01.wav"), tmp_path / "t01.wav", on_bytes=told.append)
    assert size == len(CONTENT) == sum(told)
    assert (tmp_path / "t01.wav").read_bytes() == CONTENT
    assert [path.name for path in tmp_path.iterdir()] == ["t01.wav"]


def test_a_redirect_on_the_same_host_is_followed(server: TlsServer, tmp_path: Path) -> None:
    server.answers["/moved"] = redirect("/t01.wav")
    assert fetched(server, server.url("/moved"), tmp_path / "t01.wav") == len(CONTENT)
    assert server.asked == ["/moved", "/t01.wav"]


def slow_and_endless(handler: http.server.BaseHTTPRequestHandler) -> None:
    handler.send_response(200)
    handler.end_headers()
    for _ in range(10_000):
        try:
            handler.wfile.write(bytes(1 << 16))
        except OSError:
            return


def cut_off(handler: http.server.BaseHTTPRequestHandler) -> None:
    handler.send_response(200)
    handler.send_header("Content-Length", str(len(CONTENT)))
    handler.end_headers()
    handler.wfile.write(CONTENT[:1000])


def cut_off_in_a_chunk(handler: http.server.BaseHTTPRequestHandler) -> None:
    handler.protocol_version = "HTTP/1.1"
    handler.send_response(200)
    handler.send_header("Transfer-Encoding", "chunked")
    handler.end_headers()
    handler.wfile.write(b"1000\r\n" + CONTENT[:1000])


def cut_off_at_once(handler: http.server.BaseHTTPRequestHandler) -> None:
    del handler


REFUSED: dict[str, tuple[str, dict[str, Any], str]] = {
    "not https": ("http://localhost/t01.wav", {}, "fetched from nowhere"),
    "ftp": ("ftp://localhost/t01.wav", {}, "fetched from nowhere"),
    "a file of this machine": ("file:///etc/hostname", {}, "fetched from nowhere"),
    "a user name": ("https://me@localhost/t01.wav", {}, "fetched from nowhere"),
    "no host": ("https:///t01.wav", {}, "fetched from nowhere"),
    "another host": ("https://elsewhere.example/t01.wav", {}, "no host that was named"),
    "another port": ("https://localhost:1/t01.wav", {}, "no host that was named"),
    "no port where one was named": ("https://localhost/t01.wav", {}, "no host that was named"),
    "a port that is none": ("https://localhost:99999/t01.wav", {}, "is no URL"),
    "a blank in the URL": ("{}/t01 .wav", {}, "characters of no URL"),
    "a line end in the URL": ("{}/t01\r\nX: y", {}, "characters of no URL"),
    "a redirect to another host": ("{}/away", {}, "redirects to another"),
    "a redirect to another host that was named too": (
        "{}/away",
        {"hosts": ("elsewhere.example", "{}")},
        "redirects to another",
    ),
    "a redirect to http": ("{}/down", {}, "leads to http://"),
    "a redirect in a circle": ("{}/circle", {}, "more than 5 times"),
    "a redirect to nowhere": ("{}/nowhere", {}, "more than 5 times"),
    "not found": ("{}/missing", {}, "answers 404"),
    "fewer bytes than stated": ("{}/other", {}, "5 bytes arrived"),
    "more bytes than stated": ("{}/t01.wav", {"length": 100}, "more than 100 bytes"),
    "endless bytes, nothing stated": (
        "{}/endless",
        {"length": None, "most_bytes": 1 << 20},
        "more than 1048576 bytes",
    ),
    "more stated than allowed": ("{}/t01.wav", {"most_bytes": 1000}, "are stated"),
    "another digest": ("{}/t01.wav", {"digests": {"sha256": "00" * 32}}, "its sha256 is"),
    "one of two digests is another": (
        "{}/t01.wav",
        {"digests": {"sha256": SHA256, "sha512": "00" * 64}},
        "its sha512 is",
    ),
    "no digest known": ("{}/t01.wav", {"digests": {}}, "no manifest states a digest"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_what_was_not_promised_is_refused_and_nothing_stays(
    server: TlsServer, tmp_path: Path, case: str
) -> None:
    url, more, words = REFUSED[case]
    server.answers |= {
        "/away": redirect("https://elsewhere.example/t01.wav"),
        "/down": redirect(f"http://{server.host}/t01.wav"),
        "/circle": redirect("/circle"),
        "/nowhere": redirect(""),
        "/endless": slow_and_endless,
    }
    if "hosts" in more:
        more = more | {"hosts": tuple(one.format(server.host) for one in more["hosts"])}
    with pytest.raises(FetchRefusedError, match=words):
        fetched(server, url.format(f"https://{server.host}"), tmp_path / "t01.wav", **more)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("answer", [cut_off, cut_off_in_a_chunk, cut_off_at_once])
@pytest.mark.parametrize("length", [len(CONTENT), None])
def test_an_answer_that_is_cut_off_is_no_fault_of_the_sender(
    server: TlsServer, tmp_path: Path, answer: Answer, length: int | None
) -> None:
    """As after a reset: what is refused is refused for good, and this may work a little later."""
    server.answers["/cut"] = answer
    with pytest.raises(SurroundingsError, match="was cut off"):
        fetched(server, server.url("/cut"), tmp_path / "t01.wav", length=length)
    assert list(tmp_path.iterdir()) == []


def test_a_host_that_was_not_named_is_never_asked(server: TlsServer, tmp_path: Path) -> None:
    with pytest.raises(FetchRefusedError):
        fetched(server, server.url("/t01.wav"), tmp_path / "t01.wav", hosts=("other.example",))
    assert server.asked == []


def test_a_certificate_that_nobody_trusts_is_refused(server: TlsServer, tmp_path: Path) -> None:
    limits = FetchLimits(
        hosts=(server.host,), most_bytes=1 << 24, trust=ssl.create_default_context()
    )
    with pytest.raises(FetchRefusedError, match="does not prove who it is"):
        fetch(
            server.url("/t01.wav"),
            tmp_path / "t01.wav",
            limits=limits,
            length=None,
            digests={"sha256": SHA256},
        )
    assert server.asked == []


def test_a_host_that_is_silent_or_away_is_told(server: TlsServer, tmp_path: Path) -> None:
    def silent(handler: http.server.BaseHTTPRequestHandler) -> None:
        handler.rfile.read(1)

    server.answers["/silent"] = silent
    with pytest.raises(SurroundingsError, match="cannot be fetched"):
        fetched(server, server.url("/silent"), tmp_path / "a", timeout_s=0.2)
    # Port 1 of loopback is closed: nobody listens there (common practice, tcpmux is unused).
    with pytest.raises(SurroundingsError, match="cannot be fetched"):
        fetched(server, "https://localhost:1/t01.wav", tmp_path / "a", hosts=("localhost:1",))
    assert list(tmp_path.iterdir()) == []


def test_a_small_document_is_fetched_up_to_its_limit(server: TlsServer) -> None:
    limits = FetchLimits(hosts=(server.host,), most_bytes=5, trust=server.trust)
    assert fetch_small(server.url("/other"), limits=limits) == b"other"
    with pytest.raises(FetchRefusedError, match="more than 5 bytes"):
        fetch_small(server.url("/t01.wav"), limits=limits)


def a_second_a_look() -> Callable[[], float]:
    """A clock on which every reading of the connection takes a second."""
    seconds = itertools.count()
    return lambda: float(next(seconds))


def in_records_of(count: int) -> Answer:
    """Send the content in TLS records of so many bytes: one reading gives one (RFC 8446, 5.1)."""

    def answer(handler: http.server.BaseHTTPRequestHandler) -> None:
        handler.send_response(200)
        handler.end_headers()
        with contextlib.suppress(OSError):
            for begin in range(0, len(CONTENT), count):
                handler.wfile.write(CONTENT[begin : begin + count])

    return answer


def test_a_slow_host_is_given_the_time_that_its_bytes_are_worth(
    server: TlsServer, tmp_path: Path
) -> None:
    server.answers["/steady"] = in_records_of(10_000)
    pace = {"patience_s": 20.0, "least_bytes_per_s": 9_000.0}
    clock = a_second_a_look()
    size = fetched(server, server.url("/steady"), tmp_path / "t01.wav", clock=clock, **pace)
    assert size == len(CONTENT)
    assert clock() > 100, "the patience alone would have been over"

    server.answers["/slow"] = in_records_of(5_000)
    clock = a_second_a_look()
    with pytest.raises(SurroundingsError, match="sent too slowly") as caught:
        fetched(server, server.url("/slow"), tmp_path / "t02.wav", clock=clock, **pace)
    assert "9000 bytes a second" in caught.value.accepted
    assert [path.name for path in tmp_path.iterdir()] == ["t01.wav"]


def test_a_host_whose_headers_do_not_end_is_left(server: TlsServer, tmp_path: Path) -> None:
    def headers_without_end(handler: http.server.BaseHTTPRequestHandler) -> None:
        with contextlib.suppress(OSError):
            handler.wfile.write(b"HTTP/1.1 200 OK\r\nX: ")
            for _ in range(10_000):
                handler.wfile.write(b"x")

    server.answers["/headers"] = headers_without_end
    clock = a_second_a_look()
    with pytest.raises(SurroundingsError, match="sent too slowly"):
        fetched(server, server.url("/headers"), tmp_path / "t01.wav", clock=clock)
    assert clock() < 70
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("url", ["https://me:s3cret@{}/t01.wav", "https://me:s3cret@{}0000/a"])
def test_a_password_in_a_url_is_not_repeated(server: TlsServer, tmp_path: Path, url: str) -> None:
    with pytest.raises(FetchRefusedError) as caught:
        fetched(server, url.format(server.host), tmp_path / "t01.wav")
    assert "s3cret" not in str(caught.value)
    assert server.host in str(caught.value)
