"""One multipart upload: parts that the server has digested, completed when all agree.

Source: Amazon S3 API Reference, UploadPart, ListParts and CompleteMultipartUpload (with
``If-None-Match``); Amazon S3 User Guide, "Checking object integrity": the checksum of an object
made of parts is the digest of the digests, with the number of parts behind it.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import re
from functools import partial
from typing import Any

from archiver.custody.transport.far_end import Delivery, Verified, partial_name
from archiver.custody.transport.reading_back import Readable, read_back
from archiver.custody.transport.refusals import taken
from archiver.custody.transport.retrying import CutError
from archiver.custody.transport.s3_requests import Part, RefusedError, Requests, Upload
from archiver.errors import ArchiverError, IntegrityError, MisuseError

__all__ = ["MOST_PARTS", "Sending", "composite_sha256"]

MOST_PARTS = 10_000
"""Amazon S3 User Guide, "Amazon S3 multipart upload limits"."""
_MD5 = re.compile(r"[0-9a-f]{32}")


def composite_sha256(digests: list[bytes]) -> str:
    """Return the checksum that a server states of an object of these parts."""
    whole = base64.b64encode(hashlib.sha256(b"".join(digests)).digest()).decode("ascii")
    return f"{whole}-{len(digests)}"


class _DoubtError(Exception):
    """The server states no digest that proves what it stored."""


class Sending:
    """The delivery of one object.

    Parameters
    ----------
    requests : Requests
        To the bucket.
    place : Readable
        Where it is read back, if the server proves nothing.
    delivery : Delivery
        What is sent.
    keys : tuple of str
        The final key, and the hidden one for a server that proves nothing.
    url : str
        The final one, for messages.
    part_bytes : int
        The size of every part but the last.
    doubtful : bool
        Whether it is known already that the server proves nothing.
    """

    def __init__(
        self,
        requests: Requests,
        place: Readable,
        delivery: Delivery,
        *,
        keys: tuple[str, str],
        url: str,
        part_bytes: int,
        doubtful: bool = False,
    ) -> None:
        self._requests = requests
        self._place = place
        self._delivery = delivery
        self._key, self._hidden_key = keys
        self._url = url
        self._part_bytes = part_bytes
        self.doubtful = doubtful
        self._etags_are_md5 = False
        self._copied = False
        self._resumed_at = self._sent = self._told = 0
        self._parts: list[Part] = []
        self._sha256s: list[bytes] = []
        self._md5s: list[bytes] = []

    def run(self) -> Verified:
        """Send, verify and name it."""
        try:
            upload = self._all_parts()
        except _DoubtError:
            self.doubtful = True
            self._delivery.persistence.call(self._abort_visible)
            upload = self._all_parts()
        call = self._delivery.persistence.call
        if self.doubtful:
            call(partial(self._complete, upload, self._hidden_key))
            self._verify_by_reading()
            call(self._name_it)
            call(partial(self._requests.call, "delete_object", self._hidden_key))
        else:
            call(partial(self._complete, upload, self._key))
            self._verify_by_checksum()
        return Verified(
            by="read back" if self.doubtful else "server checksum",
            resumed_at_bytes=self._resumed_at,
            sent_bytes=self._sent,
        )

    def _abort_visible(self) -> None:
        for upload in self._requests.uploads(self._key):
            if upload.key == self._key:
                self._requests.abort(upload)

    def _begun(self) -> tuple[Upload, dict[int, Part]]:
        """Return the upload to go on with, and what of it has arrived."""
        requests = self._requests
        key = self._hidden_key if self.doubtful else self._key
        for upload in requests.uploads(key):
            if upload.key == key:
                return upload, requests.parts(upload)
        return requests.begin(key), {}

    def _all_parts(self) -> Upload:
        """Bring every part there; those that are there already are left alone."""
        source, persistence = self._delivery.source, self._delivery.persistence
        upload, held = persistence.call(self._begun)
        source.go_to(0)
        self._parts, self._sha256s, self._md5s = [], [], []
        # An object of no bytes is one part of no bytes.
        while (piece := source.take(self._part_bytes)) or not self._parts:
            number = len(self._parts) + 1
            if number > MOST_PARTS:
                raise MisuseError(
                    f"is longer than {MOST_PARTS} parts of {self._part_bytes} bytes",
                    where=self._url,
                    remedy="Split the package (--part-size), or use a form whose size is known"
                    " beforehand: tar or zip",
                )
            self._sha256s.append(hashlib.sha256(piece).digest())
            # For comparison with the ETag, not for security.
            self._md5s.append(hashlib.md5(piece, usedforsecurity=False).digest())
            there = held.get(number)
            if there is not None and there.size == len(piece) and self._proves(there):
                self._resumed_at += len(piece)
            else:
                there = self._send(upload, number, piece)
            self._parts.append(there)
            if source.position > self._told:
                self._delivery.on_bytes(source.position - self._told)
                self._told = source.position
        return upload

    def _proves(self, part: Part, *, encrypted: bool = False) -> bool:
        """Say whether what the server states of the latest part proves it; doubt is raised."""
        sha256 = base64.b64encode(self._sha256s[-1]).decode("ascii")
        if part.sha256 and part.sha256 != sha256:
            return False
        if part.etag == self._md5s[-1].hex():
            self._etags_are_md5 = True
            return True
        if part.sha256 and (encrypted or not _MD5.fullmatch(part.etag)):
            return True
        # A server whose ETags have been digests so far has stored something else.
        if self._etags_are_md5:
            return False
        if not self.doubtful:
            raise _DoubtError
        return True

    def _send(self, upload: Upload, number: int, piece: bytes) -> Part:
        first = True

        def send() -> Part:
            nonlocal first
            there = None if first else self._requests.parts(upload).get(number)
            if there is not None and there.size == len(piece) and self._proves(there):
                # The answer was cut off, not the part.
                return there
            first = False
            self._sent += len(piece)
            sums = {}
            if upload.summed:
                sums = {
                    "ChecksumAlgorithm": "SHA256",
                    "ChecksumSHA256": base64.b64encode(self._sha256s[-1]).decode("ascii"),
                }
            answer = self._requests.call(
                "upload_part",
                upload.key,
                UploadId=upload.identifier,
                PartNumber=number,
                Body=piece,
                **sums,
            )
            part = Part(
                number=number,
                size=len(piece),
                etag=str(answer.get("ETag", "")).strip('"'),
                sha256=str(answer.get("ChecksumSHA256") or ""),
            )
            if not self._proves(part, encrypted=_encrypted(answer)):
                raise IntegrityError(
                    f"stores other bytes than were sent, in part {number} (of {len(piece)}"
                    f" bytes; the server states {part.sha256 or part.etag})",
                    where=self._url,
                    accepted=f"SHA-256 {self._sha256s[-1].hex()}, MD5 {self._md5s[-1].hex()}",
                    remedy="It was not given its name. Run again: this part is sent again; if"
                    " that fails too, tell the institution that its storage alters what it is"
                    " given",
                )
            return part

        return self._delivery.persistence.call(send)

    def _complete(self, upload: Upload, key: str) -> None:
        """Give the upload its name, unless another has taken it."""
        parts: list[dict[str, Any]] = [
            {
                "PartNumber": part.number,
                "ETag": f'"{part.etag}"',
                **({"ChecksumSHA256": part.sha256} if upload.summed and part.sha256 else {}),
            }
            for part in self._parts
        ]
        arguments: dict[str, Any] = {
            "UploadId": upload.identifier,
            "MultipartUpload": {"Parts": parts},
        }
        try:
            self._requests.call("complete_multipart_upload", key, IfNoneMatch="*", **arguments)
        except RefusedError as error:
            if error.code in {"NotImplemented", "501"}:
                # An older server: looking first leaves only a moment to another sender.
                if self._requests.head(key) is None:
                    self._requests.call("complete_multipart_upload", key, **arguments)
                    return
            elif error.code not in {"PreconditionFailed", "412", "NoSuchUpload"}:
                raise
            # It may be ours: completed before, and the answer cut off.
            head = self._requests.head(key)
            if head is None:
                raise
            ours = self._is_ours(head)
            if ours is None and key == self._key:
                ours = self._is_same_by_reading()
            # Under the hidden name it is read in any case before it is given the final one.
            if ours is False:
                raise taken(self._url) from error

    def _is_same_by_reading(self) -> bool:
        source = self._delivery.source
        return read_back(self._place, self._delivery, source.name)[1] == source.sha256()

    def _is_ours(self, head: dict[str, Any]) -> bool | None:
        """Say whether an object is the one that was sent; None if the server states nothing."""
        if int(head["ContentLength"]) != self._delivery.source.position:
            return False
        stated = str(head.get("ChecksumSHA256") or "")
        if stated:
            # Some servers leave out the number of parts.
            return stated.partition("-")[0] == composite_sha256(self._sha256s).partition("-")[0]
        if self._etags_are_md5:
            whole = hashlib.md5(b"".join(self._md5s), usedforsecurity=False).hexdigest()
            return str(head.get("ETag", "")).strip('"') == f"{whole}-{len(self._md5s)}"
        return None

    def _verify_by_checksum(self) -> None:
        head = self._delivery.persistence.call(partial(self._requests.head, self._key))
        # Where nothing is stated of the whole, each part has proved itself.
        if head is None or self._is_ours(head) is False:
            self._discard(self._key)
            stated = "nothing" if head is None else head.get("ChecksumSHA256") or head.get("ETag")
            raise IntegrityError(
                f"does not hold the bytes that were sent: the server states {stated}",
                where=self._url,
                accepted=f"SHA-256 of the SHA-256 of all parts {composite_sha256(self._sha256s)}",
                remedy="It was removed: send it again, and if that fails too, tell the"
                " institution that its storage alters what it is given",
            )

    def _verify_by_reading(self) -> None:
        source = self._delivery.source
        size, there = read_back(self._place, self._delivery, partial_name(source.name))
        if there != source.sha256():
            self._discard(self._hidden_key)
            raise IntegrityError(
                f"does not hold the bytes that were sent: read back, its SHA-256 is {there}"
                f" ({size} bytes)",
                where=self._url,
                accepted=f"SHA-256 {source.sha256()} ({source.position} bytes)",
                remedy="It was removed and never had its final name: send it again, and if that"
                " fails too, tell the institution that its storage alters what it is given",
            )

    def _name_it(self) -> None:
        """Let the server copy what was verified; a key cannot be renamed."""
        head = self._requests.head(self._key)
        if head is None:
            self._copied = True
            self._requests.copy(self._hidden_key, self._key)
            head = self._requests.head(self._key)
        size = self._delivery.source.position
        if head is None or int(head["ContentLength"]) != size:
            raise taken(self._url)
        # What lay there before we copied anything has the same size, and may be another's.
        if not self._copied and not self._is_same_by_reading():
            raise taken(self._url)

    def _discard(self, key: str) -> None:
        with contextlib.suppress(CutError, RefusedError, ArchiverError):
            self._requests.call("delete_object", key)


def _encrypted(answer: dict[str, Any]) -> bool:
    """Say whether the server encrypts so that an ETag is no MD5."""
    return str(answer.get("ServerSideEncryption", "")).startswith("aws:kms") or bool(
        answer.get("SSECustomerAlgorithm")
    )
