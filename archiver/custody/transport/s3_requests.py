"""Requests of the S3 protocol, through s3fs, and what the answers mean.

Source: Amazon S3 API Reference, actions and error responses. Credentials come from the
environment, under the names that are the custom of this protocol, or from the keyring.
"""

from __future__ import annotations

import contextlib
import importlib
import ssl
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any

from archiver.custody.transport.address import Address
from archiver.custody.transport.credentials import Login, keyring_entry, login_for, variable
from archiver.custody.transport.refusals import (
    full,
    library,
    not_there,
    refused,
    unreadable_certificates,
    untrusted,
)
from archiver.custody.transport.retrying import CutError
from archiver.errors import ArchiverError, MisuseError, SurroundingsError

__all__ = ["Part", "RefusedError", "Requests", "Upload"]

_BUSY = {
    "BadDigest",
    "ConditionalRequestConflict",
    "IncompleteBody",
    "InternalError",
    "OperationAborted",
    "RequestTimeout",
    "ServiceUnavailable",
    "SlowDown",
    "XAmzContentSHA256Mismatch",
}
_NOT_LET_IN = {
    "ExpiredToken",
    "InvalidAccessKeyId",
    "InvalidToken",
    "RequestTimeTooSkewed",
    "SignatureDoesNotMatch",
}
_FORBIDDEN = {"401", "403", "AccessDenied", "AllAccessDisabled"}
_FULL = {"507", "InsufficientCapacity", "QuotaExceeded", "XMinioStorageFull"}
_MISSING = {"404", "NoSuchBucket", "NoSuchKey", "NoSuchUpload"}
_MARKS = {
    "list_parts": (("PartNumberMarker", "NextPartNumberMarker"),),
    "list_multipart_uploads": (
        ("KeyMarker", "NextKeyMarker"),
        ("UploadIdMarker", "NextUploadIdMarker"),
    ),
    "list_objects_v2": (("ContinuationToken", "NextContinuationToken"),),
}
_CONNECT_S = 30
_SILENT_S = 120
_ANSWER_S = 600
_CLOSING_S = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One part as the server holds it.

    Parameters
    ----------
    number : int
        From 1.
    size : int
        In bytes.
    etag : str
        Without quotes; the MD5 in hexadecimal, unless the server encrypts or does otherwise.
    sha256 : str
        In base64; empty if the server does not say.
    """

    number: int
    size: int
    etag: str
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Upload:
    """An unfinished multipart upload.

    Parameters
    ----------
    key : str
        What it is to become.
    identifier : str
        The server's own.
    summed : bool
        Whether the server keeps a SHA-256 of every part.
    """

    key: str
    identifier: str
    summed: bool


class RefusedError(Exception):
    """The server answered with an error code.

    Parameters
    ----------
    code : str
        As the protocol names it.
    message : str
        In the server's words.
    """

    def __init__(self, code: str, message: str) -> None:
        super().__init__(f"{code}: {message}")
        self.code = code

    @property
    def missing(self) -> bool:
        """Whether what was asked for is not there."""
        return self.code in _MISSING

    def told(self, doing: str, where: str) -> ArchiverError:
        """Return the error that says what to do."""
        if self.code in _NOT_LET_IN:
            return SurroundingsError(
                f"does not accept the access key ({self})",
                where=where,
                remedy="Check AWS_ACCESS_KEY_ID, the secret that belongs to it, the clock of"
                " this machine, and that AWS_ENDPOINT_URL_S3 names the institution's server",
            )
        if self.code in _FORBIDDEN:
            return SurroundingsError(
                f"may not be {doing} by this account ({self})",
                where=where,
                remedy="Ask the institution for the permissions to list the bucket and its"
                " multipart uploads, and to get and put objects and abort uploads below this"
                " folder",
            )
        if self.code in _FULL:
            return full(where, str(self))
        if self.code == "NoSuchUpload":
            return SurroundingsError(
                "could not be completed: the far end has ended the unfinished upload",
                where=where,
                remedy="Run again: it is sent anew",
            )
        if self.missing:
            return not_there(where)
        return refused(where, doing, str(self))


@cache
def _session() -> Any:
    """Return what holds the description of the protocol, and nothing of an account.

    To read it takes longer than many requests, so one is enough for a process.
    """
    return importlib.import_module("aiobotocore.session").AioSession()


class Requests:
    """The requests to one bucket.

    Parameters
    ----------
    address : Address
        Of the bucket. The server is that of ``AWS_ENDPOINT_URL_S3`` or ``AWS_ENDPOINT_URL``.

    Every request raises :class:`CutError` if the server is busy or gone, and
    :class:`RefusedError` if it says no.
    """

    def __init__(self, address: Address) -> None:
        self._address = address
        self._s3fs: Any = library("s3fs", "s3", address.shown)
        self._asyn: Any = library("fsspec.asyn", "s3", address.shown)
        # These come with s3fs. An answer that was cut off is one that cannot be parsed.
        self._known: Any = library("botocore.exceptions", "s3", address.shown)
        self._line_errors: tuple[Any, ...] = (
            library("aiohttp", "s3", address.shown).ClientError,
            library("botocore.parsers", "s3", address.shown).ResponseParserError,
        )
        self._system: Any = None

    def _login(self) -> Login:
        service = f"s3://{self._address.host}"
        login = login_for(
            service,
            "",
            user_variable="AWS_ACCESS_KEY_ID",
            secret_variable="AWS_SECRET_ACCESS_KEY",  # noqa: S106 - the name of a variable
        )
        if login.secret and not login.user:
            login = keyring_entry(service, "") or login
        if not (login.user and login.secret):
            raise SurroundingsError(
                "needs an access key, and none was found",
                where=self._address.shown,
                accepted="AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY in the environment, or,"
                f" with archiver[keyring], the secret in the keyring (keyring set {service}"
                " ACCESS-KEY-ID)",
                remedy="Set AWS_ACCESS_KEY_ID, and the secret in one of these places",
            )
        return login

    def connect(self) -> None:
        """Make ready for requests."""
        if self._system is not None:
            return
        login = self._login()
        if bundle := variable("AWS_CA_BUNDLE"):
            try:
                ssl.create_default_context(cafile=bundle)
            except OSError as error:
                raise unreadable_certificates(
                    self._address.shown, "AWS_CA_BUNDLE", error.strerror or type(error).__name__
                ) from error
        self._system = self._s3fs.S3FileSystem(
            session=_session(),
            key=login.user,
            secret=login.secret,
            token=variable("AWS_SESSION_TOKEN") or None,
            config_kwargs={
                # Tries are counted and waits told in one place, which is not here.
                "retries": {"max_attempts": 0},
                # A server may be long in putting many parts together.
                "connect_timeout": _CONNECT_S,
                "read_timeout": _SILENT_S,
                # Other servers than the first stumble over checksums that nobody asked for.
                "request_checksum_calculation": "when_required",
                "response_checksum_validation": "when_required",
            },
            use_listings_cache=False,
            skip_instance_cache=True,
        )
        self._system.retries = 1

    def close(self) -> None:
        """Close the connections; never fails."""
        system, self._system = self._system, None
        creator = getattr(system, "_s3creator", None)
        if creator is not None:
            with contextlib.suppress(Exception):
                self._asyn.sync(
                    system.loop, creator.__aexit__, None, None, None, timeout=_CLOSING_S
                )

    def call(self, method: str, key: str = "", **arguments: Any) -> Any:
        """Make one request; ``method`` is the action in small letters with underscores."""
        if key:
            arguments["Key"] = key
        try:
            return self._system.call_s3(
                method, Bucket=self._address.host, timeout=_ANSWER_S, **arguments
            )
        except Exception as error:
            raise self._translated(error) from error

    def bytes_of(self, key: str, start: int, end: int) -> bytes:
        """Return a range of an object."""
        try:
            return bytes(self._system.cat_file(f"{self._address.host}/{key}", start=start, end=end))
        except Exception as error:
            raise self._translated(error) from error

    def copy(self, source: str, target: str) -> None:
        """Let the server copy an object of any size."""
        bucket = self._address.host
        try:
            self._system.cp_file(f"{bucket}/{source}", f"{bucket}/{target}")
        except Exception as error:
            raise self._translated(error) from error

    def _translated(self, error: Exception) -> Exception:
        known = self._known
        answer = error if isinstance(error, known.ClientError) else error.__cause__
        if isinstance(answer, known.ClientError):
            told = answer.response.get("Error", {})
            status = int(answer.response.get("ResponseMetadata", {}).get("HTTPStatusCode", 0))
            # A proxy in between answers with a status alone.
            code, message = str(told.get("Code") or status), str(told.get("Message", ""))
            if code in _BUSY or (status >= 500 and status not in {501, 507}):
                return CutError(f"the server answered {code}: {message}")
            return RefusedError(code, message)
        lines = (known.HTTPClientError, known.ConnectionError, *self._line_errors)
        if isinstance(error, (*lines, OSError, EOFError, TimeoutError)):
            if "CERTIFICATE_VERIFY_FAILED" in str(error):
                return untrusted(self._address.shown, "AWS_CA_BUNDLE")
            if isinstance(error, TimeoutError):
                return CutError("there was no answer in time")
            # The library's own words repeat addresses and identifiers at length.
            return CutError(f"the connection broke ({type(error).__name__})")
        if isinstance(error, (known.BotoCoreError, ValueError)):
            return MisuseError(
                f"cannot be used ({error})",
                where=self._address.shown,
                accepted="s3://bucket/folder; the server's address in AWS_ENDPOINT_URL_S3",
            )
        return error

    def head(self, key: str) -> dict[str, Any] | None:
        """Return what is known of an object, its checksum included; None if it is not there."""
        try:
            found: dict[str, Any] = self.call("head_object", key, ChecksumMode="ENABLED")
        except RefusedError as error:
            if error.missing:
                return None
            raise
        return found

    def pages(self, method: str, key: str = "", **arguments: Any) -> Iterator[dict[str, Any]]:
        """Yield all pages of a listing."""
        while True:
            page: dict[str, Any] = self.call(method, key, **arguments)
            yield page
            if not page.get("IsTruncated"):
                return
            arguments |= {ours: page[theirs] for ours, theirs in _MARKS[method]}

    def uploads(self, prefix: str) -> list[Upload]:
        """Return the unfinished uploads of keys that begin so, the latest first."""
        found = [
            upload
            for page in self.pages("list_multipart_uploads", Prefix=prefix)
            for upload in page.get("Uploads", ())
        ]
        found.sort(key=lambda upload: str(upload.get("Initiated", "")), reverse=True)
        return [
            Upload(
                key=str(upload["Key"]),
                identifier=str(upload["UploadId"]),
                summed=upload.get("ChecksumAlgorithm") == "SHA256",
            )
            for upload in found
        ]

    def begin(self, key: str) -> Upload:
        """Begin a multipart upload, with a SHA-256 of every part if the server can."""
        try:
            answer = self.call("create_multipart_upload", key, ChecksumAlgorithm="SHA256")
        except RefusedError as error:
            if error.code not in {"NotImplemented", "InvalidArgument", "InvalidRequest"}:
                raise
            answer = self.call("create_multipart_upload", key)
            return Upload(key=key, identifier=str(answer["UploadId"]), summed=False)
        return Upload(key=key, identifier=str(answer["UploadId"]), summed=True)

    def parts(self, upload: Upload) -> dict[int, Part]:
        """Return the parts that have arrived."""
        return {
            int(part["PartNumber"]): Part(
                number=int(part["PartNumber"]),
                size=int(part["Size"]),
                etag=str(part["ETag"]).strip('"'),
                sha256=str(part.get("ChecksumSHA256") or ""),
            )
            for page in self.pages("list_parts", upload.key, UploadId=upload.identifier)
            for part in page.get("Parts", ())
        }

    def abort(self, upload: Upload) -> None:
        """End an upload and forget its parts; absence is fine."""
        try:
            self.call("abort_multipart_upload", upload.key, UploadId=upload.identifier)
        except RefusedError as error:
            if not error.missing:
                raise
