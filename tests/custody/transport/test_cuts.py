"""Connections that are cut anywhere, in seeded trials against real servers on loopback.

Whatever the moment, a name at the far end is absent or whole; a later run ends what an earlier
one began; and what had arrived is not sent again. ``ARCHIVER_CUTS`` is the number of trials, of
which half go to SFTP, three tenths to S3, a tenth each to WebDAV and a folder.
"""

from __future__ import annotations

import errno
import os
import random
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from archiver import files
from archiver.custody.places import Place, Retries, Sent, open_place
from archiver.custody.transport.address import Kind
from archiver.errors import ArchiverError, SurroundingsError
from tests.custody.transport.cutting import CuttingProxy, cutting_proxy
from tests.custody.transport.s3_server import BUCKET, s3_client, s3_server
from tests.custody.transport.sendables import Bytes, some_bytes
from tests.custody.transport.sftp_server import SftpServer, sftp_server
from tests.custody.transport.surroundings import (
    bare,
    let_into_s3,
    let_into_sftp,
    let_into_webdav,
)
from tests.custody.transport.webdav_server import WebdavServer, webdav_server
from tests.faults import FaultySeam, ProcessDeathError

TRIALS = int(os.environ.get("ARCHIVER_CUTS", "100"))
MOST_RUNS = 12

# An event loop and a client's pools are closed by the collector where a line broke.
pytestmark = pytest.mark.filterwarnings(
    "ignore:datetime.datetime.utcnow:DeprecationWarning:botocore"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """What chance decided."""

    seed: int
    content: Bytes
    chunk_bytes: int
    cuts: tuple[int, ...]
    attempts: int


def trial_of(seed: int, *, largest: int) -> Trial:
    """Draw sizes, cuts and patience."""
    chance = random.Random(seed)  # noqa: S311 - trials that can be repeated
    size = chance.choice([0, chance.randrange(largest // 8), chance.randrange(largest), largest])
    # The first is sure to come: no delivery takes fewer bytes.
    first = chance.randrange(1, size + 2_000)
    rest = [
        chance.choice([chance.randrange(1, 6_000), chance.randrange(1, 2 * size + 6_000)])
        for _ in range(chance.randrange(5))
    ]
    return Trial(
        seed=seed,
        content=some_bytes(f"bag-{seed}.tar", size, seed, announced=chance.random() < 0.7),
        chunk_bytes=chance.choice([8_000, 16_384, 40_000]),
        cuts=(first, *rest),
        attempts=chance.choice([1, 2, 6]),
    )


def sent_in_spite_of_cuts(
    trial: Trial, url: str, at_far_end: Callable[[], bytes | None]
) -> tuple[Sent, int]:
    """Run until it is done; after each run that fails, nothing may have the final name."""
    retries = Retries(attempts=trial.attempts, sleep=lambda _: None)
    for run in range(1, MOST_RUNS):
        try:
            with open_place(url, retries=retries, chunk_bytes=trial.chunk_bytes) as place:
                return place.send(trial.content), run
        except SurroundingsError as error:
            if "cut off" not in str(error):
                raise
        # The line may be cut between the last word of the far end and ours.
        assert at_far_end() in (None, trial.content.content), f"seed {trial.seed}"
    pytest.fail(f"seed {trial.seed}: not done after {MOST_RUNS} runs")


@pytest.fixture(scope="module")
def sftp(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[SftpServer, CuttingProxy]]:
    with (
        sftp_server(tmp_path_factory.mktemp("sftp")) as server,
        cutting_proxy(server.port) as proxy,
    ):
        yield server, proxy


@pytest.fixture(scope="module")
def s3() -> Iterator[tuple[Any, CuttingProxy]]:
    with s3_server() as port, s3_client(port) as client, cutting_proxy(port) as proxy:
        yield client, proxy


@pytest.fixture(scope="module")
def webdav(
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[tuple[WebdavServer, CuttingProxy]]:
    with (
        webdav_server(tmp_path_factory.mktemp("webdav")) as server,
        cutting_proxy(server.port) as proxy,
    ):
        yield server, proxy


def file_at(path: Path) -> bytes | None:
    return path.read_bytes() if path.exists() else None


@pytest.mark.parametrize("seed", range(TRIALS // 2))
def test_sftp_ends_whole_and_sends_nothing_twice_but_what_was_under_way(
    seed: int,
    sftp: tuple[SftpServer, CuttingProxy],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
) -> None:
    server, proxy = sftp
    bare(monkeypatch, tmp_path)
    let_into_sftp(monkeypatch, server)
    trial = trial_of(seed, largest=600_000)
    proxy.cut_after(*trial.cuts)
    target = server.root / trial.content.name
    sent, runs = sent_in_spite_of_cuts(
        trial, f"sftp://eva@127.0.0.1:{proxy.port}/", lambda: file_at(target)
    )
    assert target.read_bytes() == trial.content.content
    assert sent.sha256 == trial.content.sha256
    assert not list(server.root.glob(".*"))
    size, cuts = len(trial.content.content), proxy.cuts_done
    assert cuts >= 1
    # The handshake of version 2 of the protocol, and some 60 bytes a request.
    overhead = (cuts + runs) * 6_000 + size // 20
    assert proxy.to_server_bytes <= size + cuts * trial.chunk_bytes + overhead


@pytest.mark.parametrize("seed", range(1_000, 1_000 + TRIALS * 3 // 10))
def test_s3_ends_whole_and_sends_no_part_twice_but_that_under_way(
    seed: int,
    s3: tuple[Any, CuttingProxy],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
) -> None:
    client, proxy = s3
    bare(monkeypatch, tmp_path)
    let_into_s3(monkeypatch, proxy.port)
    trial = trial_of(seed, largest=600_000)
    proxy.cut_after(*trial.cuts)
    key = f"in/{trial.content.name}"

    def there() -> bytes | None:
        found = client.list_objects_v2(Bucket=BUCKET, Prefix=key)
        if not found["KeyCount"]:
            return None
        content: bytes = client.get_object(Bucket=BUCKET, Key=key)["Body"].read()
        return content

    sent, runs = sent_in_spite_of_cuts(trial, f"s3://{BUCKET}/in", there)
    assert there() == trial.content.content
    left = client.list_multipart_uploads(Bucket=BUCKET, Prefix=key).get("Uploads", [])
    assert left == []
    assert sent.sha256 == trial.content.sha256
    size, cuts = len(trial.content.content), proxy.cuts_done
    assert cuts >= 1
    requests = size // trial.chunk_bytes + 8 * runs + 4 * cuts
    assert proxy.to_server_bytes <= size + cuts * trial.chunk_bytes + requests * 1_100


@pytest.mark.parametrize("seed", range(2_000, 2_000 + TRIALS // 10))
def test_webdav_ends_whole_and_sends_the_file_once_more_for_a_cut_at_most(
    seed: int,
    webdav: tuple[WebdavServer, CuttingProxy],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
) -> None:
    server, proxy = webdav
    bare(monkeypatch, tmp_path)
    let_into_webdav(monkeypatch)
    trial = trial_of(seed, largest=600_000)
    proxy.cut_after(*trial.cuts)
    target = server.root / trial.content.name
    sent, runs = sent_in_spite_of_cuts(
        trial, f"webdav://127.0.0.1:{proxy.port}/", lambda: file_at(target)
    )
    assert target.read_bytes() == trial.content.content
    assert sent.sha256 == trial.content.sha256
    assert not list(server.root.glob(".*"))
    size, cuts = len(trial.content.content), proxy.cuts_done
    assert cuts >= 1
    assert proxy.to_server_bytes <= (cuts + 1) * size + (8 * runs + 4 * cuts) * 1_000


@pytest.mark.parametrize("seed", range(3_000, 3_000 + TRIALS // 10))
def test_a_folder_ends_whole_wherever_the_run_before_failed_or_died(
    seed: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bare(monkeypatch, tmp_path)
    trial = trial_of(seed, largest=600_000)
    drive = tmp_path / "drive"
    drive.mkdir()
    chance = random.Random(seed)  # noqa: S311 - trials that can be repeated
    target = drive / trial.content.name
    written = []
    for _ in range(len(trial.cuts)):
        seam = FaultySeam(
            fail_at=chance.randrange(1, 40), errno=chance.choice([errno.EIO, errno.ENOSPC, 0])
        )
        with files.use(seam):
            try:
                with open_place(drive, chunk_bytes=trial.chunk_bytes) as place:
                    place.send(trial.content)
            except (ArchiverError, ProcessDeathError):
                assert seam.injected == 1
        written.append(seam.written_bytes)
        assert file_at(target) in (None, trial.content.content)
    with open_place(drive, chunk_bytes=trial.chunk_bytes) as place:
        sent = place.send(trial.content)
    assert target.read_bytes() == trial.content.content
    assert sent.sha256 == trial.content.sha256
    assert [path.name for path in drive.iterdir()] == [target.name]
    size = len(trial.content.content)
    assert sum(written) + sent.sent_bytes <= size + len(trial.cuts) * trial.chunk_bytes


def test_what_is_cut_off_for_good_is_found_and_removed(
    sftp: tuple[SftpServer, CuttingProxy],
    s3: tuple[Any, CuttingProxy],
    webdav: tuple[WebdavServer, CuttingProxy],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
) -> None:
    bare(monkeypatch, tmp_path)
    let_into_sftp(monkeypatch, sftp[0])
    let_into_s3(monkeypatch, s3[1].port)
    let_into_webdav(monkeypatch)
    once = Retries(attempts=1, sleep=lambda _: None)

    def cut_off(url: str, proxy: CuttingProxy) -> None:
        # The library under S3 tries once more by itself where a connection was in use before.
        proxy.cut_after(60_000, 2_000, 2_000, 2_000)
        with (
            pytest.raises(SurroundingsError, match="what has arrived is kept"),
            open_place(url, retries=once, chunk_bytes=10_000) as place,
        ):
            place.send(some_bytes("left.tar", 100_000), folder="a/b")
        proxy.cut_after()

    def removed(place: Place) -> None:
        # A server may still be at what it was sent before the cut.
        until = time.monotonic() + 20
        while not (found := place.listing("a/b")) and time.monotonic() < until:
            time.sleep(0.02)
        assert [(one.name, one.unfinished) for one in found] == [("left.tar", True)]
        assert place.remove_unfinished("left.tar", folder="a/b") == 1
        assert place.listing("a/b") == ()
        assert place.remove_unfinished("left.tar", folder="a/b") == 0
        place.send(some_bytes("kept.tar", 10), folder="a/c")
        for folder in ("a/b", "a/c", "a/d"):
            place.remove_empty(folder)
        assert [one.name for one in place.listing("a/c")] == ["kept.tar"]
        # Over WebDAV a folder goes with all that lies in it, and on S3 there is none.
        if place.kind is Kind.SFTP:
            assert [one.name for one in place.listing("a")] == ["c"]

    for url, proxy in (
        (f"sftp://eva@127.0.0.1:{sftp[1].port}/", sftp[1]),
        (f"s3://{BUCKET}/left", s3[1]),
        (f"webdav://127.0.0.1:{webdav[1].port}/", webdav[1]),
    ):
        cut_off(url, proxy)
        with open_place(url) as place:
            removed(place)
