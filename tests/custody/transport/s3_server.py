"""An S3-protocol server of moto on loopback, in a process of its own."""

from __future__ import annotations

import contextlib
import importlib
import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from typing import Any

KEY = "AKIAMADEUPFORTESTS"
SECRET = "a-word-that-nobody-may-see"  # noqa: S105 - made up for the tests
BUCKET = "vault"
_WAIT_S = 120.0  # a machine that has just installed everything compiles it first


def _free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


@contextlib.contextmanager
def s3_server() -> Iterator[int]:
    """Serve one bucket for the time of the block; yield the port."""
    port = _free_port()
    running = subprocess.Popen(
        [sys.executable, "-m", "moto.server", "-H", "127.0.0.1", "-p", str(port)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        # Parts as small as the tests need; the real servers want 5 MiB.
        env={**os.environ, "S3_UPLOAD_PART_MIN_SIZE": "1"},
    )
    try:
        until = time.monotonic() + _WAIT_S
        while True:
            try:
                socket.create_connection(("127.0.0.1", port), timeout=1).close()
                break
            except OSError:
                assert time.monotonic() < until, "the server does not answer"
                time.sleep(0.05)
        with s3_client(port) as client:
            client.create_bucket(Bucket=BUCKET)
        yield port
    finally:
        running.kill()
        running.wait()


@contextlib.contextmanager
def s3_client(port: int) -> Iterator[Any]:
    """A client that does not go through our own code."""
    import boto3

    config = importlib.import_module("botocore.config")
    client = boto3.client(
        "s3",
        endpoint_url=f"http://127.0.0.1:{port}",
        region_name="us-east-1",
        aws_access_key_id=KEY,
        aws_secret_access_key=SECRET,
        # The server keeps the checksum of the parts for a copy, which has none.
        config=config.Config(response_checksum_validation="when_required"),
    )
    try:
        yield client
    finally:
        client.close()
