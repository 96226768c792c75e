"""The S3 protocol against a server of moto: parts, checksums, and servers that have none.

That a server without checksums, or one that lies, is met is arranged by a proxy that alters
what passes. Figures of the protocol: Amazon S3 User Guide, "Amazon S3 multipart upload limits".
"""

from __future__ import annotations

import base64
import hashlib
import logging
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from archiver.custody.places import Held, Retries, open_place
from archiver.custody.transport.s3_upload import composite_sha256
from archiver.errors import IntegrityError, MisuseError, SurroundingsError
from tests.custody.tls_server import tls_server
from tests.custody.transport.cutting import CuttingProxy, cutting_proxy
from tests.custody.transport.s3_server import BUCKET, SECRET, s3_client, s3_server
from tests.custody.transport.sendables import Bytes, some_bytes
from tests.custody.transport.surroundings import AT_ONCE, bare, let_into_s3

PARCEL = some_bytes("lhm-2026-04-18.tar", 100_000)
PLACE = f"s3://{BUCKET}/in"
KEY = f"in/{PARCEL.name}"
PART = 30_000

pytestmark = pytest.mark.filterwarnings(
    "ignore:datetime.datetime.utcnow:DeprecationWarning:botocore"
)


@pytest.fixture(scope="module")
def port() -> Iterator[int]:
    with s3_server() as found:
        yield found


@pytest.fixture
def proxy(port: int, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[CuttingProxy]:
    bare(monkeypatch, tmp_path)
    with cutting_proxy(port) as found:
        let_into_s3(monkeypatch, found.port)
        yield found


@pytest.fixture(scope="module")
def stranger(port: int) -> Iterator[Any]:
    """A client that does not go through our own code."""
    with s3_client(port) as found:
        yield found


@pytest.fixture
def client(stranger: Any) -> Iterator[Any]:
    """That client; the bucket is emptied at the end."""
    yield stranger
    for upload in stranger.list_multipart_uploads(Bucket=BUCKET).get("Uploads", []):
        stranger.abort_multipart_upload(
            Bucket=BUCKET, Key=upload["Key"], UploadId=upload["UploadId"]
        )
    for key in keys(stranger):
        stranger.delete_object(Bucket=BUCKET, Key=key)


def content(client: Any, key: str = KEY) -> bytes | None:
    if key not in keys(client):
        return None
    found: bytes = client.get_object(Bucket=BUCKET, Key=key)["Body"].read()
    return found


def keys(client: Any) -> list[str]:
    found = client.list_objects_v2(Bucket=BUCKET).get("Contents", [])
    return [entry["Key"] for entry in found]


def uploads(client: Any) -> list[str]:
    found = client.list_multipart_uploads(Bucket=BUCKET).get("Uploads", [])
    return [entry["Key"] for entry in found]


def test_a_composite_checksum_is_that_of_the_sdk() -> None:
    # Amazon S3 User Guide, "Checking object integrity": the digest of the binary digests of the
    # parts, in base64, with the number of parts behind it.
    digests = [hashlib.sha256(part).digest() for part in (b"one", b"two")]
    whole = base64.b64encode(hashlib.sha256(digests[0] + digests[1]).digest()).decode()
    assert composite_sha256(digests) == f"{whole}-2"


@pytest.mark.parametrize("size", [0, 1, PART, PART + 1])
@pytest.mark.parametrize("announced", [True, False])
@pytest.mark.usefixtures("proxy")
def test_every_size_arrives(client: Any, size: int, announced: bool) -> None:
    parcel = some_bytes("p.tar", size, announced=announced)
    with open_place(PLACE, retries=AT_ONCE, chunk_bytes=PART) as place:
        sent = place.send(parcel, folder="a b")
    assert content(client, "in/a b/p.tar") == parcel.content
    assert (sent.sha256, sent.verified_by) == (parcel.sha256, "server checksum")
    assert uploads(client) == []


@pytest.mark.usefixtures("proxy")
def test_what_is_there_already_is_compared_by_the_checksum_of_the_server(client: Any) -> None:
    with open_place(PLACE, retries=AT_ONCE, chunk_bytes=PART) as place:
        place.send(PARCEL)
        again = place.send(PARCEL)
        assert (again.already_there, again.verified_by) == (True, "server checksum")
        for other in (
            some_bytes(PARCEL.name, 100_000, seed=1),
            some_bytes(PARCEL.name, 100_000, seed=1, announced=False),
            some_bytes(PARCEL.name, 99_999),
        ):
            with pytest.raises(MisuseError, match="is there already, with other content"):
                place.send(other)
    assert content(client) == PARCEL.content


@pytest.mark.usefixtures("proxy")
def test_what_another_program_put_there_is_compared_by_reading(client: Any) -> None:
    client.put_object(Bucket=BUCKET, Key=KEY, Body=PARCEL.content)
    with open_place(PLACE, retries=AT_ONCE, chunk_bytes=PART) as place:
        again = place.send(PARCEL)
    assert (again.already_there, again.verified_by) == (True, "read back")


def test_parts_that_arrived_before_are_not_sent_again(client: Any, proxy: CuttingProxy) -> None:
    begun = client.create_multipart_upload(Bucket=BUCKET, Key=KEY, ChecksumAlgorithm="SHA256")
    whole = PARCEL.content
    # The second part is not what would be sent, and the third is not there.
    for number, part in ((1, whole[:PART]), (2, bytes(PART)), (4, whole[3 * PART :])):
        client.upload_part(
            Bucket=BUCKET, Key=KEY, UploadId=begun["UploadId"], PartNumber=number, Body=part
        )
    with open_place(PLACE, retries=AT_ONCE, chunk_bytes=PART) as place:
        assert place.listing() == (Held(name=PARCEL.name, size=70_000, unfinished=True),)
        sent = place.send(PARCEL)
    assert (sent.resumed_at_bytes, sent.sent_bytes) == (PART + 10_000, 2 * PART)
    assert proxy.to_server_bytes < 2 * PART + 20_000
    assert content(client) == whole
    assert uploads(client) == []


@pytest.mark.usefixtures("proxy")
def test_the_upload_of_a_longer_name_is_another_one(client: Any) -> None:
    client.create_multipart_upload(Bucket=BUCKET, Key=f"{KEY}.sha256")
    with open_place(PLACE, retries=AT_ONCE, chunk_bytes=PART) as place:
        place.send(PARCEL)
        assert place.remove_unfinished(PARCEL.name) == 0
    assert uploads(client) == [f"{KEY}.sha256"]


@pytest.mark.usefixtures("proxy")
def test_a_name_that_is_taken_meanwhile_is_not_overwritten(client: Any) -> None:
    def another_comes(_count: int) -> None:
        client.put_object(Bucket=BUCKET, Key=KEY, Body=b"another's")

    with (
        open_place(PLACE, retries=AT_ONCE, chunk_bytes=PART) as place,
        pytest.raises(MisuseError, match="is there already"),
    ):
        place.send(PARCEL, on_bytes=another_comes)
    assert content(client) == b"another's"


def altered(mark: bytes) -> Callable[[bytes], bytes]:
    return lambda block: block.replace(mark, mark[::-1])


def marked(offset: int) -> Bytes:
    """A parcel with a mark that the proxy knows, many times, since a block may cut one."""
    whole = bytearray(PARCEL.content)
    whole[offset : offset + 1_600] = b"0123456789ABCDEF" * 100
    return Bytes(name=PARCEL.name, content=bytes(whole), size=len(whole))


@pytest.mark.parametrize("offset", [5_000, 2 * PART + 5_000])
def test_a_far_end_that_alters_bytes_is_found_out(
    client: Any, proxy: CuttingProxy, offset: int
) -> None:
    # This server repeats the checksum that it was sent, without looking; its ETag tells.
    proxy.altering_to_server = altered(b"0123456789ABCDEF")
    with open_place(PLACE, retries=AT_ONCE, chunk_bytes=PART) as place:
        with pytest.raises(IntegrityError, match=r"other bytes than were sent|does not hold"):
            place.send(marked(offset))
        assert keys(client) == []
        proxy.cut_after()
        sent = place.send(marked(offset))
    assert content(client) == marked(offset).content
    assert sent.sha256 == marked(offset).sha256


def other_checksums(block: bytes) -> bytes:
    """Another SHA-256 than was sent, as of a server that digests what it has stored."""
    return re.sub(
        rb"(?i)(x-amz-checksum-sha256: )(.)(.*?)=", lambda m: m[1] + m[3] + m[2] + b"=", block
    )


def test_another_checksum_of_a_part_is_found_out(client: Any, proxy: CuttingProxy) -> None:
    proxy.altering_to_client = other_checksums
    with (
        open_place(PLACE, retries=AT_ONCE, chunk_bytes=PART) as place,
        pytest.raises(IntegrityError, match="in part 1"),
    ):
        place.send(PARCEL)
    assert keys(client) == []


def test_another_checksum_of_the_whole_takes_the_name_away_again(
    client: Any, proxy: CuttingProxy
) -> None:
    asked: list[bool] = []

    def look(block: bytes) -> bytes:
        if block.split(b" ", 1)[0] in {b"GET", b"HEAD", b"PUT", b"POST"}:
            asked.append(block.startswith(b"HEAD "))
        return block

    with open_place(PLACE, retries=AT_ONCE, chunk_bytes=PART) as place:
        proxy.altering_to_server = look
        proxy.altering_to_client = lambda block: (
            other_checksums(block) if asked and asked[-1] else block
        )
        with pytest.raises(IntegrityError, match="It was removed"):
            place.send(PARCEL)
    assert keys(client) == []


@pytest.mark.parametrize(
    "method", [b"PUT ", b"POST /vault/in/lhm-2026-04-18.tar?uploadId", b"GET "]
)
def test_what_was_done_and_whose_answer_is_lost_is_not_done_again(
    client: Any, proxy: CuttingProxy, method: bytes
) -> None:
    with open_place(PLACE, retries=AT_ONCE, chunk_bytes=PART) as place:
        proxy.cut_after()
        proxy.lose_answer_to(method)
        sent = place.send(PARCEL)
    assert proxy.cuts_done == 1
    assert sent.sha256 == PARCEL.sha256
    assert proxy.to_server_bytes < 100_000 + PART + 15_000
    assert content(client) == PARCEL.content
    assert uploads(client) == []


def reversed_etags(block: bytes) -> bytes:
    """An ETag that says nothing of the content, the same way in both directions."""
    return re.sub(rb'(?<=["&;])[0-9a-f]{32}(?=["&])', lambda found: found[0][::-1], block).replace(
        b"x-amz-checksum-sha256", b"x-amz-no-such-header1"
    )


def test_a_server_that_states_no_digest_is_read_back_before_the_name(
    client: Any, proxy: CuttingProxy
) -> None:
    proxy.altering_to_client = reversed_etags
    proxy.altering_to_server = lambda block: re.sub(
        rb'(?<=["&;])[0-9a-f]{32}(?=["&])', lambda found: found[0][::-1], block
    )
    with open_place(PLACE, retries=AT_ONCE, chunk_bytes=PART) as place:
        sent = place.send(PARCEL)
        assert place.listing() == (Held(name=PARCEL.name, size=100_000),)
        # Of the first part, sent twice since only its answer shows what the server is like.
        assert (sent.verified_by, sent.sent_bytes) == ("read back", 100_000 + PART)
        assert place.send(PARCEL).already_there
    assert content(client) == PARCEL.content
    assert keys(client) == [KEY]


def test_a_server_that_states_no_digest_and_alters_bytes_is_found_out(
    client: Any, proxy: CuttingProxy
) -> None:
    proxy.altering_to_client = reversed_etags
    proxy.altering_to_server = lambda block: re.sub(
        rb'(?<=["&;])[0-9a-f]{32}(?=["&])', lambda found: found[0][::-1], block
    ).replace(b"0123456789ABCDEF", b"FEDCBA9876543210")
    with (
        open_place(PLACE, retries=AT_ONCE, chunk_bytes=PART) as place,
        pytest.raises(IntegrityError, match="read back, its SHA-256 is"),
    ):
        place.send(marked(70_000))
    assert keys(client) == []


@pytest.mark.parametrize("theirs", [some_bytes("x", 100_000, seed=1).content, PARCEL.content])
def test_a_name_that_is_taken_meanwhile_where_no_digest_is_stated_is_compared_by_reading(
    client: Any, proxy: CuttingProxy, theirs: bytes
) -> None:
    """An object of the same size is not the same object."""
    proxy.altering_to_client = reversed_etags
    proxy.altering_to_server = lambda block: re.sub(
        rb'(?<=["&;])[0-9a-f]{32}(?=["&])', lambda found: found[0][::-1], block
    )

    def another_comes(_count: int) -> None:
        client.put_object(Bucket=BUCKET, Key=KEY, Body=theirs)

    with open_place(PLACE, retries=AT_ONCE, chunk_bytes=PART) as place:
        if theirs == PARCEL.content:
            assert place.send(PARCEL, on_bytes=another_comes).verified_by == "read back"
        else:
            with pytest.raises(MisuseError, match="is there already"):
                place.send(PARCEL, on_bytes=another_comes)
    assert content(client) == theirs


def answering(proxy: CuttingProxy, method: bytes, status: bytes) -> None:
    """Let every request of a method be answered with a status."""
    asked: list[bool] = []

    def look(block: bytes) -> bytes:
        if block[:10].split(b" ")[0] in {b"GET", b"PUT", b"POST", b"HEAD", b"DELETE"}:
            asked.append(block.startswith(method + b" "))
        return block

    proxy.altering_to_server = look
    proxy.altering_to_client = lambda block: (
        block.replace(b"HTTP/1.1 200 OK", b"HTTP/1.1 " + status) if asked and asked[-1] else block
    )


@pytest.mark.parametrize(
    ("method", "status", "found"),
    [
        (b"PUT", b"403 NO", "may not be written by this account"),
        (b"PUT", b"507 NO", "the far end has no room"),
        (b"PUT", b"400 NO", "could not be written: the far end says"),
        (b"GET", b"503 NO", "3 times in a row .the server answered 503"),
        (b"GET", b"403 NO", "permissions to list the bucket"),
        (b"POST", b"403 NO", "may not be written by this account"),
    ],
)
def test_what_the_server_refuses_is_told(
    client: Any, proxy: CuttingProxy, method: bytes, status: bytes, found: str
) -> None:
    patience = Retries(attempts=3, sleep=lambda _: None)
    with open_place(PLACE, retries=patience, chunk_bytes=PART) as place:
        answering(proxy, method, status)
        with pytest.raises(SurroundingsError, match=found):
            place.send(PARCEL)
        proxy.cut_after()
    assert KEY not in keys(client)


def test_a_bucket_that_is_not_there_is_refused(proxy: CuttingProxy) -> None:
    with (
        pytest.raises(MisuseError, match="does not exist"),
        open_place("s3://no-such-bucket/in", retries=AT_ONCE),
    ):
        pass
    assert proxy.to_server_bytes


@pytest.mark.usefixtures("proxy")
def test_without_an_access_key_the_places_for_one_are_named(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.delenv("AWS_SECRET_ACCESS_KEY")
    with (
        pytest.raises(SurroundingsError, match="needs an access key") as caught,
        open_place(PLACE, retries=AT_ONCE),
    ):
        pass
    assert f"keyring set s3://{BUCKET} ACCESS-KEY-ID" in str(caught.value)


@pytest.mark.usefixtures("proxy")
def test_a_certificate_that_proves_nothing_is_refused_at_once(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    with tls_server(tmp_path) as imposter:
        monkeypatch.setenv("AWS_ENDPOINT_URL_S3", f"https://localhost:{imposter.port}")
        with (
            pytest.raises(SurroundingsError, match="this machine does not trust") as caught,
            open_place(PLACE, retries=AT_ONCE),
        ):
            pass
    assert "AWS_CA_BUNDLE" in str(caught.value)


@pytest.mark.usefixtures("proxy")
@pytest.mark.parametrize("content", [None, b"no certificate"])
def test_certificates_that_cannot_be_read_are_told_at_once(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, content: bytes | None
) -> None:
    """As a cut it would be tried again for minutes."""
    certificates = tmp_path / "certificates.pem"
    if content is not None:
        certificates.write_bytes(content)
    monkeypatch.setenv("AWS_CA_BUNDLE", str(certificates))
    with (
        pytest.raises(SurroundingsError, match="AWS_CA_BUNDLE names cannot be read"),
        open_place(PLACE, retries=AT_ONCE),
    ):
        pass


def test_what_is_fetched_goes_on_after_a_cut(
    client: Any, proxy: CuttingProxy, tmp_path: Path
) -> None:
    large = some_bytes("large.tar", 6_000_000)
    client.put_object(Bucket=BUCKET, Key="in/large.tar", Body=large.content)
    with open_place(PLACE, retries=AT_ONCE) as place:
        proxy.cut_after(5_000_000)
        fetched = place.fetch("large.tar", tmp_path / "back.tar", sha256=large.sha256)
    assert proxy.cuts_done == 1
    assert fetched.size == 6_000_000
    assert proxy.to_client_bytes < 6_000_000 + (4 << 20)
    assert (tmp_path / "back.tar").read_bytes() == large.content


@pytest.mark.usefixtures("client")
def test_more_parts_than_the_protocol_has_are_refused_with_a_remedy(
    monkeypatch: pytest.MonkeyPatch, proxy: CuttingProxy
) -> None:
    monkeypatch.setattr("archiver.custody.transport.s3_upload.MOST_PARTS", 3)
    with (
        open_place(PLACE, retries=AT_ONCE, chunk_bytes=PART) as place,
        pytest.raises(MisuseError, match="Split the package"),
    ):
        place.send(PARCEL)
    assert proxy.to_server_bytes


@pytest.mark.usefixtures("proxy", "client")
def test_nothing_secret_reaches_a_log(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG)
    with open_place(PLACE, retries=AT_ONCE, chunk_bytes=PART) as place:
        sent = place.send(PARCEL)
    assert caplog.records
    assert SECRET not in caplog.text
    assert SECRET not in repr(sent) + repr(place) + place.url
