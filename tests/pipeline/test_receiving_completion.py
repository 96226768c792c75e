"""Receiving what is not whole: references to what is held, and files to be fetched.

Source: RFC 8493 section 2.2.3 (fetch.txt), RFC 6920 (names by digest).
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from archiver.package.named_information import ni_of
from archiver.pipeline.receiving_outcome import PackageOutcome
from tests.custody.tls_server import TlsServer, redirect, tls_server
from tests.pipeline.handing import (
    PAYLOAD,
    Both,
    as_tar,
    both_sides,
    held,
    is_refused,
    letter_of,
    small_bag,
)


@pytest.fixture
def both(tmp_path: Path) -> Both:
    return both_sides(tmp_path)


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    return small_bag(tmp_path / "home" / "bags" / "lhm-1")


def holey(both: Both, lines: list[str], leave_out: str = "masters/t01.wav") -> Path:
    """A package without one payload file, which fetch.txt names."""
    bag = small_bag(both.root / "holey" / "lhm-1-v2")
    (bag / "data" / leave_out).unlink()
    (bag / "fetch.txt").write_text("".join(lines), encoding="utf-8")
    return as_tar(bag, both.inbox / "lhm-1-v2.tar")


def ni_line(content: bytes = PAYLOAD["masters/t01.wav"]) -> str:
    import hashlib

    uri = ni_of("sha256", hashlib.sha256(content).hexdigest())
    return f"{uri} {len(content)} data/masters/t01.wav\n"


def test_a_reference_that_is_not_held_is_refused(both: Both) -> None:
    (received,) = both.receive(holey(both, [ni_line()]))
    is_refused(both, received, "no earlier bag that is held has the content")
    assert "Send the whole bag" in letter_of(received)


def test_a_file_of_another_depositor_is_never_brought_in_by_its_digest(both: Both) -> None:
    others = small_bag(both.root / "theirs" / "theirs-1", sender="Another museum")
    both.receive(as_tar(others, both.inbox / "theirs-1.tar"))
    (received,) = both.receive(holey(both, [ni_line()]))
    is_refused(both, received, "no earlier bag that is held has the content")


def test_damage_to_what_is_held_is_no_ground_for_a_letter(both: Both, bag: Path) -> None:
    both.receive(as_tar(bag, both.inbox / "lhm-1.tar"))
    held = both.store / "lhm-1" / "data" / "masters" / "t01.wav"
    held.write_bytes(bytes(held.stat().st_size))
    package = holey(both, [ni_line()])
    (received,) = both.receive(package)
    assert (str(received.outcome), received.exit_status) == ("failed", 3)
    assert "a file that is held has changed" in str(received.error)
    assert package.exists()
    assert list(both.quarantine.iterdir()) == []


def test_a_reference_of_another_length_is_refused_and_names_no_place_of_the_store(
    both: Both, bag: Path
) -> None:
    both.receive(as_tar(bag, both.inbox / "lhm-1.tar"))
    uri, size, path = ni_line().split()
    (received,) = both.receive(holey(both, [f"{uri} {int(size) + 1} {path}\n"]))
    is_refused(both, received, f"fetch.txt states {int(size) + 1} bytes for")
    assert str(both.root) not in letter_of(received)


def test_references_are_refused_where_whole_bags_are_asked_for(both: Both, bag: Path) -> None:
    both.receive(as_tar(bag, both.inbox / "lhm-1.tar"))
    text = both.profile.read_text(encoding="utf-8")
    both.profile.write_text(text.replace("earlier_versions: referenced\n", ""), encoding="utf-8")
    (received,) = both.receive(holey(both, [ni_line()]))
    is_refused(both, received, "only named by digest")


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TlsServer]:
    with tls_server(tmp_path_factory.mktemp("tls")) as server:
        yield server


@pytest.fixture
def server(running: TlsServer) -> TlsServer:
    running.content = {"/t01.wav": PAYLOAD["masters/t01.wav"], "/wrong.wav": b"wrong"}
    running.answers = {"/away": redirect("https://elsewhere.example/t01.wav")}
    running.asked.clear()
    return running


def fetch_line(server: TlsServer, path: str, size: str = "-") -> str:
    return f"{server.url(path)} {size} data/masters/t01.wav\n"


def test_nothing_is_fetched_without_being_asked(both: Both, server: TlsServer) -> None:
    (received,) = both.receive(holey(both, [fetch_line(server, "/t01.wav")]), trust=server.trust)
    is_refused(both, received, "it is to be fetched")
    assert server.asked == []


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("masters/con.wav", "reserves the name"),
        ("DOCUMENTS/t01.wav", "one name on some systems"),
        (f"{'n' * 300}.wav", "a name of 304 bytes"),
    ],
)
def test_a_name_that_no_package_may_hold_is_not_brought_in_either(
    both: Both, server: TlsServer, name: str, words: str
) -> None:
    """Where the file system takes it, the bag would still not travel on."""
    bag = small_bag(both.root / "holey" / "lhm-1-v2")
    (bag / "data" / "masters" / "t01.wav").unlink()
    manifest = bag / "manifest-sha256.txt"
    text = manifest.read_text(encoding="utf-8")
    manifest.write_text(text.replace("masters/t01.wav", name), encoding="utf-8")
    (bag / "tagmanifest-sha256.txt").unlink()
    line = fetch_line(server, "/t01.wav").replace("masters/t01.wav", name)
    (bag / "fetch.txt").write_text(line, encoding="utf-8")
    (received,) = both.receive(
        as_tar(bag, both.inbox / "lhm-1-v2.tar"), fetch_from=(server.host,), trust=server.trust
    )
    is_refused(both, received, words)
    assert server.asked == []


def test_what_is_asked_for_is_fetched_and_its_digest_compared(
    both: Both, server: TlsServer
) -> None:
    (received,) = both.receive(
        holey(both, [fetch_line(server, "/t01.wav")]),
        fetch_from=(server.host,),
        trust=server.trust,
    )
    assert (received.outcome, received.completed) == (PackageOutcome.ACCEPTED, 1)
    fetched = both.store / "lhm-1-v2/data/masters/t01.wav"
    assert fetched.read_bytes() == PAYLOAD["masters/t01.wav"]


@pytest.mark.parametrize(
    ("path", "size", "more", "words"),
    [
        ("/wrong.wav", "-", "", "its sha256 is"),
        ("/t01.wav", "10", "", "more than 10 bytes"),
        ("/away", "-", "", "redirects to another"),
        ("/t01.wav", "-", "  largest_fetch: 10 kB\n", "more than 10000 bytes"),
        ("/t01.wav", "-", "  fetch_hosts: [files.example]\n", "it is to be fetched"),
    ],
)
def test_what_was_fetched_and_is_not_what_was_promised_is_refused(
    both: Both, server: TlsServer, path: str, size: str, more: str, words: str
) -> None:
    both.use_form("tar", more)
    (received,) = both.receive(
        holey(both, [fetch_line(server, path, size)]),
        fetch_from=(server.host,),
        trust=server.trust,
    )
    is_refused(both, received, words)
    assert held(both) == []
