"""WebDAV (RFC 4918), through webdav4.

A file is sent under a hidden name by one PUT, verified, and given its name by MOVE with
``Overwrite: F``. A PUT of a part of a file is nothing that a server has to know (RFC 9110,
section 14.5), and one that ignores the range would keep the part as the whole; so a file that
was cut off is sent again from its beginning, and the parts of a package are what is not sent
again. A server that states a digest (``Repr-Digest``, RFC 9530) is compared by that.
"""

from __future__ import annotations

import base64
import contextlib
import re
import socket
import ssl
from collections.abc import Iterator
from functools import partial
from typing import Any
from urllib.parse import quote

from archiver.custody.transport.address import Address
from archiver.custody.transport.credentials import login_for
from archiver.custody.transport.far_end import (
    BLOCK_BYTES,
    Arrival,
    Delivery,
    Held,
    Verified,
    final_name,
    partial_name,
)
from archiver.custody.transport.reading_back import compare_by_reading, read_back
from archiver.custody.transport.refusals import (
    forbidden,
    full,
    library,
    not_there,
    refused,
    taken,
    unreachable,
    unreadable_certificates,
    untrusted,
)
from archiver.custody.transport.retrying import CutError
from archiver.errors import ArchiverError, IntegrityError, MisuseError, SurroundingsError

__all__ = ["WebdavFolder"]

_CONNECT_S = 30.0
_SILENT_S = 60.0
_ANSWER_S = 300.0
_DIGEST = re.compile(r"(?:^|[,\s])sha-256=:([A-Za-z0-9+/]+=*):")
_LOOPBACK = {"localhost", "127.0.0.1", "::1"}
_BUSY = {408, 423, 425, 429, 500, 502, 503, 504}
_FULL = {413, 507}


class WebdavFolder:
    """A collection behind WebDAV.

    Parameters
    ----------
    address : Address
        Where it is.
    """

    def __init__(self, address: Address) -> None:
        self._address = address
        self._fsspec: Any = library("webdav4.fsspec", "webdav", address.shown)
        self._client_errors: Any = library("webdav4.client", "webdav", address.shown)
        self._httpx: Any = library("httpx", "webdav", address.shown)
        self._client: Any = None
        self._reached = False

    def _url(self, folder: str, name: str) -> str:
        return self._address.of(folder, name)

    def _connected(self) -> Any:
        if self._client is not None:
            return self._client
        address = self._address
        scheme = "https" if address.secure else "http"
        host = f"[{address.host}]" if ":" in address.host else address.host
        port = f":{address.port}" if address.port else ""
        service = f"{'webdavs' if address.secure else 'webdav'}://{host}{port}"
        login = login_for(
            service,
            address.user,
            user_variable="ARCHIVER_WEBDAV_USER",
            secret_variable="ARCHIVER_WEBDAV_PASSWORD",  # noqa: S106 - the name of a variable
        )
        if login.secret and not address.secure and address.host not in _LOOPBACK:
            raise MisuseError(
                "would send the password so that everybody on the way can read it",
                where=address.shown,
                accepted="webdavs://, which is encrypted",
            )
        try:
            system = self._fsspec.WebdavFileSystem(
                f"{scheme}://{host}{port}/{quote(address.path)}",
                auth=self._httpx.BasicAuth(login.user, login.secret) if login.secret else None,
                timeout=self._httpx.Timeout(_ANSWER_S, connect=_CONNECT_S, write=_SILENT_S),
                # Tries are counted and waits told in one place, which is not here.
                retry=False,
            )
        except OSError as error:
            # Nothing is connected yet; only the certificates are read here.
            raise unreadable_certificates(
                address.shown,
                "SSL_CERT_FILE or SSL_CERT_DIR",
                error.strerror or type(error).__name__,
            ) from error
        self._client = system.client
        return self._client

    def _request(self, method: str, folder: str, name: str, *, doing: str, **arguments: Any) -> Any:
        """Make one request; what the server refuses for good is an ArchiverError."""
        with self._translated(doing, self._url(folder, final_name(name) or name)):
            client = self._connected()
            url = client.join_url(quote(f"{folder}/{name}".strip("/")))
            if method == "MKCOL":
                url = client.join_url(quote(folder), add_trailing_slash=True)
            return client.http.request(method, url, **arguments)

    @contextlib.contextmanager
    def _translated(self, doing: str, where: str) -> Iterator[None]:
        known, httpx = self._client_errors, self._httpx
        try:
            yield
        except httpx.TransportError as error:
            raise self._broken(error, where) from error
        except known.ResourceNotFound:
            raise
        except known.HTTPError as error:
            raise self._said(error.status_code, doing, where) from error
        except known.InsufficientStorage as error:
            raise full(where) from error
        except (known.BadGatewayError, known.ResourceLocked) as error:
            raise CutError(str(error)) from error
        except (known.ClientError, httpx.HTTPError, httpx.StreamError) as error:
            raise refused(where, doing, str(error)) from error
        except (httpx.InvalidURL, UnicodeError) as error:
            raise MisuseError(
                f"is not a URL that can be used ({error})",
                where=where,
                accepted="webdavs://user@host/folder",
            ) from error
        except (KeyError, SyntaxError) as error:
            raise MisuseError(
                "answers, but not as a WebDAV server does (RFC 4918)",
                where=where,
                accepted="the URL of a WebDAV collection",
                remedy="Ask the institution for the URL; it is often longer than the host",
            ) from error

    def _broken(self, error: BaseException, where: str) -> Exception:
        cause: BaseException | None = error
        while cause is not None:
            if isinstance(cause, ssl.SSLCertVerificationError):
                return untrusted(where, "SSL_CERT_FILE")
            if isinstance(cause, socket.gaierror) and not self._reached:
                return unreachable(where, cause.strerror or str(cause))
            cause = cause.__cause__ or cause.__context__
        return CutError(str(error) or type(error).__name__)

    def _said(self, status: int, doing: str, where: str) -> Exception:
        if status == 401:
            return SurroundingsError(
                f"does not let {self._address.user or 'this user'} in",
                where=where,
                accepted="a user in the URL (webdavs://user@host/folder) or in"
                " ARCHIVER_WEBDAV_USER, and the password in ARCHIVER_WEBDAV_PASSWORD or, with"
                " archiver[keyring], in the keyring (keyring set webdavs://HOST USER)",
                remedy="Check both with the institution",
            )
        if status in _FULL:
            return full(where, f"status {status}")
        if status in _BUSY:
            return CutError(f"the server answered with status {status}")
        if status in {403, 405}:
            return forbidden(where, doing, f"status {status}")
        if status == 404:
            return not_there(where)
        return refused(where, doing, f"status {status}")

    def _require(self, response: Any, doing: str, where: str) -> None:
        if not 200 <= response.status_code < 300:
            raise self._said(response.status_code, doing, where)

    def reach(self) -> None:
        """Connect, and make sure that the collection is there."""
        try:
            with self._translated("opened", self._address.shown):
                there = self._connected().info("")
        except self._client_errors.ResourceNotFound as error:
            raise not_there(self._address.shown) from error
        self._reached = True
        if there["type"] != "directory":
            raise MisuseError(
                "is a file, not a folder", where=self._address.shown, accepted="a folder"
            )

    def require_open(self, needed: int | None) -> None:
        """Do nothing: what a server refuses shows only on writing."""

    def leave(self) -> None:
        """Close the connections."""
        client, self._client = self._client, None
        if client is not None:
            client.http.close()

    def _info(self, folder: str, name: str) -> dict[str, Any] | None:
        try:
            with self._translated("examined", self._url(folder, final_name(name) or name)):
                found: dict[str, Any] = self._connected().info(quote(f"{folder}/{name}"))
        except self._client_errors.ResourceNotFound:
            return None
        return found

    def size_of(self, folder: str, name: str) -> int | None:
        """Return the size in bytes of a file; None if the name is free."""
        found = self._info(folder, name)
        if found is None:
            return None
        if found["type"] == "directory":
            raise MisuseError(
                "is there already, and is no file",
                where=self._url(folder, name),
                remedy="Choose another name, or move it away",
            )
        return int(found["content_length"] or 0)

    def read(self, folder: str, name: str, start: int) -> Iterator[bytes]:
        """Yield the bytes of a file from an offset on."""
        where = self._url(folder, final_name(name) or name)
        headers = {"Accept-Encoding": "identity"}
        if start:
            headers["Range"] = f"bytes={start}-"
        with self._translated("read", where):
            client = self._connected()
            url = client.join_url(quote(f"{folder}/{name}".strip("/")))
            with client.http.stream("GET", url, headers=headers) as response:
                if start and response.status_code == 416:
                    return
                self._require(response, "read", where)
                # A server may answer with the whole, whatever range was asked for.
                unwanted = start if response.status_code == 200 else 0
                for block in response.iter_raw(BLOCK_BYTES):
                    if unwanted >= len(block):
                        unwanted -= len(block)
                        continue
                    yield block[unwanted:]
                    unwanted = 0

    def listing(self, folder: str) -> list[Held]:
        """List a folder, leftovers included; a folder that is not there is empty."""
        try:
            with self._translated("listed", self._url(folder, "")):
                entries = self._connected().ls(quote(folder), detail=True)
        except self._client_errors.ResourceNotFound:
            return []
        found: list[Held] = []
        for entry in entries:
            name = str(entry["name"]).rstrip("/").rpartition("/")[2]
            is_folder = entry["type"] == "directory"
            found.append(
                Held(
                    name=final_name(name) or name,
                    size=None if is_folder else entry["content_length"],
                    is_folder=is_folder,
                    unfinished=final_name(name) is not None,
                )
            )
        return found

    def _remove(self, folder: str, name: str) -> None:
        response = self._request("DELETE", folder, name, doing="removed")
        if response.status_code != 404:
            self._require(response, "removed", self._url(folder, name))

    def remove_empty(self, folder: str) -> None:
        """Do nothing: a server removes a folder with all that somebody puts there meanwhile.

        Source: RFC 4918, 9.6.1.
        """

    def remove_unfinished(self, folder: str, name: str) -> int:
        """Remove what an unfinished delivery of a name left; return how many leftovers."""
        if self.size_of(folder, partial_name(name)) is None:
            return 0
        self._remove(folder, partial_name(name))
        return 1

    def _stated_sha256(self, folder: str, name: str) -> str:
        """Return the SHA-256 that the server states of a file; empty if it states none."""
        response = self._request(
            "HEAD", folder, name, doing="examined", headers={"Want-Repr-Digest": "sha-256=10"}
        )
        if not 200 <= response.status_code < 300:
            return ""
        found = _DIGEST.search(response.headers.get("Repr-Digest", ""))
        return base64.b64decode(found[1]).hex() if found else ""

    def compare(self, delivery: Delivery, size: int) -> Arrival:
        """Compare what is held under the final name with what would be sent."""
        source = delivery.source
        stated = delivery.persistence.call(
            partial(self._stated_sha256, delivery.folder, source.name)
        )
        if not stated:
            return compare_by_reading(self, delivery, size)
        if source.size is None or source.size == size:
            while source.take(1 << 20):
                pass
        return Arrival(size=size, same=stated == source.sha256(), by="server checksum")

    def deliver(self, delivery: Delivery) -> Verified:
        """Send by one PUT, verify, and only then put under the final name."""
        source, call, folder = delivery.source, delivery.persistence.call, delivery.folder
        hidden = partial_name(source.name)
        call(partial(self._make_folder, folder))
        resumed_at = self._kept(delivery, hidden)
        sent, by = 0, ""
        if resumed_at is not None:
            by, there = self._digest(delivery, hidden)
            if there != source.sha256():
                resumed_at = None
        if resumed_at is None:
            sent = self._put(delivery, hidden)
            by, there = self._digest(delivery, hidden)
            if there != source.sha256():
                with contextlib.suppress(ArchiverError):
                    call(partial(self._remove, folder, hidden))
                raise IntegrityError(
                    f"does not hold the bytes that were sent: its SHA-256 there is {there} ({by})",
                    where=self._url(folder, source.name),
                    accepted=f"SHA-256 {source.sha256()} ({source.position} bytes)",
                    remedy="It was removed and never had its final name: send it again, and if"
                    " that fails too, tell the institution that its storage alters what it is"
                    " given",
                )
        self._put_in_place(delivery, hidden)
        return Verified(by=by, resumed_at_bytes=resumed_at or 0, sent_bytes=sent)

    def _make_folder(self, folder: str) -> None:
        parts = folder.split("/") if folder else []
        if not parts or self._info("", folder) is not None:
            return
        for count in range(1, len(parts) + 1):
            above = "/".join(parts[:count])
            response = self._request("MKCOL", above, "", doing="made")
            # 405: it is there already (RFC 4918, section 9.3.1).
            if response.status_code != 405:
                self._require(response, "made", self._url(above, ""))

    def _kept(self, delivery: Delivery, hidden: str) -> int | None:
        """Return the size of a leftover that may be all of what would be sent, read here."""
        source = delivery.source
        size = delivery.persistence.call(partial(self.size_of, delivery.folder, hidden))
        if size is None or source.size != size:
            return None
        while source.take(1 << 20):
            pass
        delivery.on_bytes(size)
        return size

    def _digest(self, delivery: Delivery, hidden: str) -> tuple[str, str]:
        stated = delivery.persistence.call(partial(self._stated_sha256, delivery.folder, hidden))
        if stated:
            return "server checksum", stated
        return "read back", read_back(self, delivery, hidden)[1]

    def _put(self, delivery: Delivery, hidden: str) -> int:
        """Send the whole; return how many bytes were sent."""
        source, folder = delivery.source, delivery.folder
        sent = told = 0
        whole = False

        def blocks() -> Iterator[bytes]:
            nonlocal sent, told, whole
            source.go_to(0)
            while block := source.take(BLOCK_BYTES):
                sent += len(block)
                yield block
                if source.position > told:
                    delivery.on_bytes(source.position - told)
                    told = source.position
            whole = True

        def put() -> None:
            # The answer may have been cut off, and not the file.
            if whole and self.size_of(folder, hidden) == source.position:
                return
            headers = {} if source.size is None else {"Content-Length": str(source.size)}
            response = self._request(
                "PUT", folder, hidden, doing="written", content=blocks(), headers=headers
            )
            self._require(response, "written", self._url(folder, source.name))
            if not whole:
                raise CutError("the server answered before it had everything")

        delivery.persistence.call(put)
        return sent

    def _put_in_place(self, delivery: Delivery, hidden: str) -> None:
        source, folder = delivery.source, delivery.folder
        where = self._url(folder, source.name)
        first = True

        def move() -> None:
            nonlocal first
            done = not first and self.size_of(folder, hidden) is None
            if done and self.size_of(folder, source.name) == source.position:
                return
            first = False
            target = self._connected().join_url(quote(f"{folder}/{source.name}".strip("/")))
            response = self._request(
                "MOVE",
                folder,
                hidden,
                doing="given its name",
                headers={"Destination": str(target), "Overwrite": "F"},
            )
            if response.status_code == 412:
                raise taken(where)
            self._require(response, "given its name", where)

        delivery.persistence.call(move)
        named = delivery.persistence.call(partial(self.size_of, folder, source.name))
        if named != source.position:
            # Some servers read a rare character of a name as something else.
            raise refused(where, "given its name", "it did so, but there is no such file now")
