"""The same audit over many processes, over machines, and over an object store.

Real servers on the loopback interface: a dask scheduler with two worker processes, and moto's
S3 server. What they give must be what the local run gives.
"""

from __future__ import annotations

import contextlib
import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from archiver import files
from archiver.custody.ledger import open_ledger
from archiver.custody.ledger_check import verify_ledger
from archiver.custody.store import bags_of, opened_store
from archiver.custody.verify import Depth
from archiver.errors import ArchiverError, MisuseError, SurroundingsError
from archiver.pipeline.audit import AuditOutcome, AuditPlan, audit_store
from archiver.pipeline.copies import CopiesPlan, compare_stores
from tests.custody.stores import small_bag, small_store
from tests.package.small_bags import write_bag

WAIT_S = 120.0  # a machine that has just installed everything compiles it first


def comparable(outcome: AuditOutcome) -> object:
    return (
        outcome.counts,
        outcome.bytes_read,
        outcome.left,
        sorted((result.bag, result.verdict, str(result.findings)) for result in outcome.results),
    )


@contextlib.contextmanager
def process(
    *arguments: str, env: dict[str, str] | None = None
) -> Iterator[subprocess.Popen[bytes]]:
    running = subprocess.Popen(
        [sys.executable, *arguments],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={**os.environ, **(env or {})},
    )
    try:
        yield running
    finally:
        running.kill()
        running.wait()


def free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


def answers(port: int) -> None:
    """Wait until something listens."""
    until = time.monotonic() + WAIT_S
    while time.monotonic() < until:
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 1):
            return
        time.sleep(0.05)
    raise AssertionError(f"nothing listens at port {port}")


@pytest.fixture(scope="module")
def cluster() -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    port = free_port()
    address = f"tcp://127.0.0.1:{port}"
    with contextlib.ExitStack() as held:
        held.enter_context(
            process(
                "-m",
                "distributed.cli.dask_scheduler",
                "--host",
                "127.0.0.1",
                "--port",
                str(port),
                "--no-dashboard",
            )
        )
        answers(port)
        workers = [
            held.enter_context(
                process(
                    "-m",
                    "distributed.cli.dask_worker",
                    address,
                    "--nthreads",
                    "1",
                    "--no-nanny",
                    "--no-dashboard",
                    "--host",
                    "127.0.0.1",
                )
            )
            for _ in range(2)
        ]
        yield address, workers


def joined(address: str, count: int) -> None:
    """Wait until so many workers have joined."""
    from importlib import import_module
    from typing import Any

    distributed: Any = import_module("distributed")
    with contextlib.closing(distributed.Client(address, set_as_default=False)) as client:
        client.wait_for_workers(count, timeout=WAIT_S)


@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_a_worker_killed_in_mid_audit_changes_nothing_in_the_result(
    cluster: tuple[str, list[subprocess.Popen[bytes]]], tmp_path: Path
) -> None:
    address, workers = cluster
    store = small_store(tmp_path / "store", 5)
    noise = os.urandom(12 << 20)
    for number in range(24):
        write_bag(
            store / f"large-{number:02d}", {"masters/t01.wav": noise, "n.txt": b"%d" % number}
        )
    (store / "bag-1" / "data" / "masters" / "t01.wav").write_bytes(b"other")
    (store / "large-07" / "data" / "n.txt").unlink()
    alone = audit_store(AuditPlan(store=str(store), ledger=tmp_path / "alone.sqlite3"))
    joined(address, 2)
    ledger = tmp_path / "spread.sqlite3"
    killed: list[int] = []

    def kill_when_under_way() -> None:
        """Kill one worker once some bags are entered and others are not."""
        until = time.monotonic() + WAIT_S
        while time.monotonic() < until:
            time.sleep(0.01)
            with contextlib.suppress(ArchiverError), open_ledger(ledger, read_only=True) as book:
                entered = sum(entry.kind == "check" for entry in book.entries())
                if entered >= 4:
                    workers[0].kill()
                    killed.append(entered)
                    return

    hand = threading.Thread(target=kill_when_under_way)
    hand.start()
    spread = audit_store(AuditPlan(store=str(store), ledger=ledger, scheduler=address))
    hand.join()
    assert killed
    assert killed[0] < 29
    assert workers[0].wait(10) != 0
    assert comparable(spread) == comparable(alone)
    assert spread.ended is not None
    with open_ledger(ledger, read_only=True) as book:
        assert verify_ledger(book).intact
        checked = [entry.bag for entry in book.entries() if entry.kind == "check"]
    assert len(checked) == len(set(checked)) == 29


def test_a_scheduler_that_is_not_there_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("archiver.pipeline.spreading._CONNECT_S", 1)
    store = small_store(tmp_path / "store", 1)
    plan = AuditPlan(
        store=str(store),
        ledger=tmp_path / "l.sqlite3",
        scheduler=f"tcp://127.0.0.1:{free_port()}",
    )
    with pytest.raises(SurroundingsError, match="does not answer"):
        audit_store(plan)


def test_a_store_in_memory_is_a_store(tmp_path: Path) -> None:
    """Fsspec's own memory file system: any URL that fsspec knows will do."""
    import fsspec

    memory = fsspec.filesystem("memory")
    small_bag(tmp_path / "bag-0")
    memory.put(str(tmp_path / "bag-0"), "/vault/bag-0", recursive=True)
    outcome = audit_store(AuditPlan(store="memory://vault", ledger=tmp_path / "l.sqlite3"))
    assert [str(verdict) for verdict, _ in outcome.counts] == ["intact"]
    memory.pipe("/vault/bag-0/data/documents/notes.txt", b"Stylus no. 4\n")
    outcome = audit_store(AuditPlan(store="memory://vault", ledger=tmp_path / "l.sqlite3"))
    assert [str(verdict) for verdict, _ in outcome.counts] == ["changed"]
    memory.rm("/vault", recursive=True)


@pytest.mark.parametrize("location", ["no-such-kind://vault", "memory://nothing-here"])
def test_urls_that_lead_nowhere_are_refused(tmp_path: Path, location: str) -> None:
    with pytest.raises(MisuseError):
        audit_store(AuditPlan(store=location, ledger=tmp_path / "l.sqlite3"))
    # The way to the disk is as it was.
    assert type(files.in_use()).__name__ == "OperatingSystem"


def test_a_file_url_is_a_folder(tmp_path: Path) -> None:
    store = small_store(tmp_path / "a store", 2)
    with opened_store(store.as_uri()) as opened:
        assert not opened.remote
        assert list(bags_of(opened)) == ["2026/bag-1", "bag-0"]


@pytest.fixture
def bucket(monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """An S3 server of moto on loopback with one bucket."""
    port = free_port()
    for name, value in {
        "AWS_ACCESS_KEY_ID": "testing",
        "AWS_SECRET_ACCESS_KEY": "testing",
        "AWS_DEFAULT_REGION": "us-east-1",
        "AWS_ENDPOINT_URL": f"http://127.0.0.1:{port}",
        "AWS_CONFIG_FILE": os.devnull,
        "AWS_SHARED_CREDENTIALS_FILE": os.devnull,
    }.items():
        monkeypatch.setenv(name, value)
    with process("-m", "moto.server", "-H", "127.0.0.1", "-p", str(port)):
        answers(port)
        import boto3

        client = boto3.client("s3", endpoint_url=f"http://127.0.0.1:{port}")
        client.create_bucket(Bucket="vault")
        yield "s3://vault/archive"
        client.close()


def put(folder: Path, url: str) -> None:
    import fsspec

    system, base = fsspec.core.url_to_fs(url, skip_instance_cache=True)
    for path in sorted(folder.rglob("*")):
        if path.is_file():
            system.pipe_file(f"{base}/{path.relative_to(folder).as_posix()}", path.read_bytes())


@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::ResourceWarning")
def test_bags_in_an_object_store_are_audited_compared_and_repaired(
    bucket: str, tmp_path: Path
) -> None:
    import fsspec

    store = small_store(tmp_path / "store", 3)
    put(store, bucket)
    ledger = tmp_path / "l.sqlite3"
    there = audit_store(AuditPlan(store=bucket, ledger=ledger, depth=Depth.SOUND))
    here = audit_store(AuditPlan(store=str(store), ledger=ledger, depth=Depth.SOUND))
    assert comparable(there) == comparable(here)
    system, base = fsspec.core.url_to_fs(bucket, skip_instance_cache=True)
    note = f"{base}/bag-0/data/documents/notes.txt"
    truth = system.cat_file(note)
    system.pipe_file(note, b"Stylus no. 4\n")
    system.rm_file(f"{base}/bag-1/data/masters/t01.wav")
    found = audit_store(AuditPlan(store=bucket, ledger=ledger))
    assert [result.bag for result in found.results] == ["bag-0", "bag-1"]
    plan = CopiesPlan(stores=[str(store), bucket], ledger=ledger, repair=True)
    repaired = compare_stores(plan)
    assert [one.exit_status for one in repaired] == [0, 0, 0]
    assert system.cat_file(note) == truth
    assert audit_store(AuditPlan(store=bucket, ledger=ledger)).exit_status == 0
    with open_ledger(ledger, read_only=True) as book:
        assert verify_ledger(book).intact
    assert not [name for name in system.find(base) if "repairing" in name]


@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::ResourceWarning")
def test_an_object_store_that_does_not_answer_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("AWS_ENDPOINT_URL", f"http://127.0.0.1:{free_port()}")
    monkeypatch.setenv("AWS_ACCESS_KEY_ID", "testing")
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", "testing")
    monkeypatch.setenv("AWS_MAX_ATTEMPTS", "1")
    with pytest.raises(SurroundingsError, match="cannot be reached"):
        audit_store(AuditPlan(store="s3://vault/archive", ledger=tmp_path / "l.sqlite3"))
