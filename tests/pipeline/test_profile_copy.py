"""Fetching a BagIt Profile when that is asked for, from a TLS server on loopback."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from archiver.errors import InputError, MisuseError, SurroundingsError
from archiver.pipeline.profile_copy import FetchedProfile, fetch_bag_profile
from archiver.pipeline.profiles import LARGEST_PROFILE_BYTES, find_profile
from archiver.schema_store import schema
from tests.custody.tls_server import TlsServer, redirect, tls_server
from tests.package.profiles import document
from tests.pipeline.institutions import write_profile

PATH = "/profiles/sound-1.0.json"


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TlsServer]:
    with tls_server(tmp_path_factory.mktemp("tls")) as server:
        yield server


@pytest.fixture
def server(running: TlsServer) -> TlsServer:
    content = document()
    content["BagIt-Profile-Info"]["BagIt-Profile-Identifier"] = running.url(PATH)
    running.content = {PATH: json.dumps(content).encode()}
    running.answers.clear()
    running.asked.clear()
    return running


def fetched(server: TlsServer, folder: Path, more: str = "") -> FetchedProfile:
    write_profile(folder, f"bagit_profile: {server.url(PATH)}\n{more}")
    done = fetch_bag_profile(find_profile(folder, str(folder)), trust=server.trust)
    Draft202012Validator(schema("fetched-report")).validate(done.as_json())
    return done


def test_a_copy_is_kept_beside_the_profile_and_how_to_name_it_is_said(
    server: TlsServer, tmp_path: Path
) -> None:
    done = fetched(server, tmp_path)
    assert done.copy == tmp_path / "sound-1.0.json"
    assert done.copy.read_bytes() == server.content[PATH]
    assert "bagit_profile_copy: sound-1.0.json" in done.sentence()
    assert done.findings == ()


def test_the_copy_that_is_named_is_compared_and_replaced(server: TlsServer, tmp_path: Path) -> None:
    named = "bagit_profile_copy: mine.json\n"
    assert fetched(server, tmp_path, named).before == ""
    assert fetched(server, tmp_path, named).before == "same"
    server.content[PATH] += b"\n"
    again = fetched(server, tmp_path, named)
    assert again.before == "other"
    assert (tmp_path / "mine.json").read_bytes() == server.content[PATH]


def test_another_file_of_the_name_is_not_replaced(server: TlsServer, tmp_path: Path) -> None:
    (tmp_path / "sound-1.0.json").write_bytes(b"mine")
    with pytest.raises(MisuseError, match="another file of this name"):
        fetched(server, tmp_path)
    assert (tmp_path / "sound-1.0.json").read_bytes() == b"mine"


def test_a_profile_that_calls_itself_otherwise_is_a_warning(
    server: TlsServer, tmp_path: Path
) -> None:
    server.content[PATH] = json.dumps(document()).encode()
    done = fetched(server, tmp_path)
    assert [f.code for f in done.findings] == ["institution-bagit-profile-elsewhere"]
    assert done.copy is not None


@pytest.mark.parametrize("content", [b"<html>", b"{}"])
def test_what_is_no_profile_is_not_kept(server: TlsServer, tmp_path: Path, content: bytes) -> None:
    server.content[PATH] = content
    done = fetched(server, tmp_path)
    assert done.copy is None
    assert done.findings
    assert [path.name for path in tmp_path.iterdir()] == ["institution.yaml"]


def test_more_bytes_than_a_profile_may_have_are_refused(server: TlsServer, tmp_path: Path) -> None:
    server.content[PATH] = b" " * (LARGEST_PROFILE_BYTES + 1)
    with pytest.raises(InputError, match="more than 1048576 bytes"):
        fetched(server, tmp_path)


def test_a_redirect_to_another_host_is_refused(server: TlsServer, tmp_path: Path) -> None:
    server.answers[PATH] = redirect("https://other.example/p.json")
    with pytest.raises(InputError, match=r"other\.example"):
        fetched(server, tmp_path)


def test_a_host_that_does_not_answer_with_the_file_is_told(
    server: TlsServer, tmp_path: Path
) -> None:
    del server.content[PATH]
    with pytest.raises(InputError, match="answers 404"):
        fetched(server, tmp_path)


def test_a_certificate_that_nobody_vouches_for_is_refused(
    server: TlsServer, tmp_path: Path
) -> None:
    write_profile(tmp_path, f"bagit_profile: {server.url(PATH)}\n")
    with pytest.raises((InputError, SurroundingsError)):
        fetch_bag_profile(find_profile(tmp_path, str(tmp_path)))
    assert server.asked == []


@pytest.mark.parametrize("text", ["", "bagit_profile: p.json\n"])
def test_without_an_address_there_is_nothing_to_fetch(tmp_path: Path, text: str) -> None:
    write_profile(tmp_path, text)
    with pytest.raises(MisuseError, match="Nothing to fetch"):
        fetch_bag_profile(find_profile(tmp_path, str(tmp_path)))


@pytest.mark.parametrize("url", ["https://archive.example:many/p.json", "https://[archive/p.json"])
def test_an_address_that_is_none_is_told(tmp_path: Path, url: str) -> None:
    write_profile(tmp_path, f'bagit_profile: "{url}"\n')
    with pytest.raises(InputError, match="is no URL") as caught:
        fetch_bag_profile(find_profile(tmp_path, str(tmp_path)))
    assert "Correct bagit_profile" in str(caught.value)
