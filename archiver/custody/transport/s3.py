"""The S3 protocol: a bucket or a folder in it.

A part of a multipart upload is the unit that is sent, compared and, after a cut, sent again;
those that an earlier run brought there are kept if their digest is that of the bytes that would
be sent. An object has its name only from the completion of the upload on.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterator
from functools import partial

from archiver.custody.transport.address import Address
from archiver.custody.transport.far_end import (
    Arrival,
    Delivery,
    Held,
    Verified,
    final_name,
    partial_name,
)
from archiver.custody.transport.reading_back import compare_by_reading
from archiver.custody.transport.refusals import not_there
from archiver.custody.transport.retrying import CutError
from archiver.custody.transport.s3_requests import RefusedError, Requests
from archiver.custody.transport.s3_upload import MOST_PARTS, Sending, composite_sha256

__all__ = ["S3Folder"]

_SMALLEST_PART_BYTES = 8 << 20
_PART_OF_UNKNOWN_BYTES = 16 << 20
_READ_BYTES = 4 << 20


class S3Folder:
    """A bucket, or a folder in it.

    Parameters
    ----------
    address : Address
        Where it is.
    part_bytes : int, optional
        The size of a part; by itself it follows the size of what is sent.
    """

    def __init__(self, address: Address, *, part_bytes: int | None = None) -> None:
        self._address = address
        self.part_bytes = part_bytes
        self._requests = Requests(address)
        self._doubtful = False

    def _url(self, folder: str, name: str) -> str:
        return self._address.of(folder, name)

    def _key(self, folder: str, name: str) -> str:
        return "/".join(part for part in (self._address.path, folder, name) if part)

    def reach(self) -> None:
        """Connect, and make sure that the bucket is there and may be listed."""
        self._requests.connect()
        try:
            self._requests.call("list_objects_v2", Prefix=self._key("", ""), MaxKeys=1)
        except RefusedError as error:
            raise error.told("listed", self._address.shown) from error

    def require_open(self, needed: int | None) -> None:
        """Do nothing: what a bucket refuses shows only on writing."""

    def leave(self) -> None:
        """Close the connections."""
        self._requests.close()

    def size_of(self, folder: str, name: str) -> int | None:
        """Return the size in bytes of an object; None if the name is free."""
        try:
            head = self._requests.head(self._key(folder, name))
        except RefusedError as error:
            raise error.told("examined", self._url(folder, name)) from error
        return None if head is None else int(head["ContentLength"])

    def read(self, folder: str, name: str, start: int) -> Iterator[bytes]:
        """Yield the bytes of an object from an offset on."""
        size = self.size_of(folder, name)
        if size is None:
            raise not_there(self._url(folder, name))
        while start < size:
            try:
                block = self._requests.bytes_of(
                    self._key(folder, name), start, min(size, start + _READ_BYTES)
                )
            except RefusedError as error:
                raise error.told("read", self._url(folder, name)) from error
            if not block:
                raise CutError(f"the server gave nothing at byte {start} of {size}")
            start += len(block)
            yield block

    def listing(self, folder: str) -> list[Held]:
        """List a folder, leftovers included; a folder that is not there is empty."""
        try:
            return [*self._objects(folder), *self._unfinished(folder)]
        except RefusedError as error:
            raise error.told("listed", self._url(folder, "")) from error

    def _objects(self, folder: str) -> Iterator[Held]:
        prefix = self._key(folder, "")
        prefix += "/" if prefix else ""
        for page in self._requests.pages("list_objects_v2", Prefix=prefix, Delimiter="/"):
            for entry in page.get("Contents", ()):
                name = str(entry["Key"])[len(prefix) :]
                # Some programs keep an empty object under the name of the folder.
                if name:
                    yield Held(
                        name=final_name(name) or name,
                        size=int(entry["Size"]),
                        unfinished=final_name(name) is not None,
                    )
            for entry in page.get("CommonPrefixes", ()):
                name = str(entry["Prefix"])[len(prefix) : -1]
                yield Held(name=name, size=None, is_folder=True)

    def _unfinished(self, folder: str) -> Iterator[Held]:
        prefix = self._key(folder, "")
        prefix += "/" if prefix else ""
        for upload in self._requests.uploads(prefix):
            name = upload.key[len(prefix) :]
            if "/" not in name:
                size = sum(part.size for part in self._requests.parts(upload).values())
                yield Held(name=final_name(name) or name, size=size, unfinished=True)

    def remove_empty(self, folder: str) -> None:
        """Do nothing: a folder is a part of a name here."""

    def remove_unfinished(self, folder: str, name: str) -> int:
        """Abort the unfinished uploads of a name; return how many leftovers there were."""
        hidden = self._key(folder, partial_name(name))
        removed = 0
        try:
            for key in (self._key(folder, name), hidden):
                for upload in self._requests.uploads(key):
                    if upload.key == key:
                        self._requests.abort(upload)
                        removed += 1
            if self._requests.head(hidden) is not None:
                self._requests.call("delete_object", hidden)
                removed += 1
        except RefusedError as error:
            raise error.told("removed", self._url(folder, name)) from error
        return removed

    def _part_bytes(self, size: int | None) -> int:
        """Return the size of a part: the same for the same sendable in every run."""
        if self.part_bytes is not None:
            return self.part_bytes
        if size is None:
            return _PART_OF_UNKNOWN_BYTES
        smallest = -(-size // MOST_PARTS)
        # Whole mebibytes, since some servers want a round number.
        return max(_SMALLEST_PART_BYTES, -(-smallest // (1 << 20)) << 20)

    def compare(self, delivery: Delivery, size: int) -> Arrival:
        """Compare what is held under the final name with what would be sent.

        By the server's SHA-256, of the whole or of parts as we would send them; otherwise by
        reading. An MD5 is not enough to say that two files are the same.
        """
        source = delivery.source
        key = self._key(delivery.folder, source.name)
        try:
            head = delivery.persistence.call(partial(self._requests.head, key))
        except RefusedError as error:
            raise error.told("examined", self._url(delivery.folder, source.name)) from error
        stated = "" if head is None else str(head.get("ChecksumSHA256") or "")
        if stated and (source.size is None or source.size == size):
            digests: list[bytes] = []
            while (piece := source.take(self._part_bytes(source.size))) or not digests:
                digests.append(hashlib.sha256(piece).digest())
            whole = base64.b64encode(bytes.fromhex(source.sha256())).decode("ascii")
            ours = {composite_sha256(digests).partition("-")[0], whole}
            if source.position == size and stated.partition("-")[0] in ours:
                return Arrival(size=size, same=True, by="server checksum")
        return compare_by_reading(self, delivery, size)

    def deliver(self, delivery: Delivery) -> Verified:
        """Send part by part, compare each, and complete the upload only then."""
        folder, name = delivery.folder, delivery.source.name
        sending = Sending(
            self._requests,
            self,
            delivery,
            keys=(self._key(folder, name), self._key(folder, partial_name(name))),
            url=self._url(folder, name),
            part_bytes=self._part_bytes(delivery.source.size),
            doubtful=self._doubtful,
        )
        try:
            return sending.run()
        except RefusedError as error:
            raise error.told("written", self._url(folder, name)) from error
        finally:
            self._doubtful = sending.doubtful
