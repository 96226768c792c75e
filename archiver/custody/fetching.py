"""Fetching a file that a bag names, only when somebody asks, and then with suspicion.

Only https, only from hosts that were named, never to another host by a redirect, never more
bytes than stated or allowed, never slower than a least rate, and nothing under its name before
its digest agrees.

Sources: RFC 8493 sections 5.2 and 5.3 (hosts, stated lengths), RFC 9110 section 15.4
(redirects).
"""

from __future__ import annotations

import contextlib
import hashlib
import http.client
import io
import re
import socket
import ssl
import time
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import SplitResult, urljoin, urlsplit

from archiver import files
from archiver.errors import ArchiverError, InputError, SurroundingsError

__all__ = ["FetchLimits", "FetchRefusedError", "fetch", "fetch_small"]

_MOST_REDIRECTS = 5
_REDIRECTS = frozenset({301, 302, 303, 307, 308})
_TIMEOUT_S = 30.0
_PATIENCE_S = 60.0
_LEAST_BYTES_PER_S = 8192.0
_USER = re.compile(r"(?<=://)[^/?#]*@")
_WHOLE = "Ask the sender for the whole bag"


class FetchRefusedError(InputError):
    """What was to be fetched is not, or is not what was promised."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FetchLimits:
    """What may be fetched.

    Parameters
    ----------
    hosts : collection of str
        Names, or names with a port as ``name:8443``; without a port 443 is meant.
    most_bytes : int
        For one file.
    trust : ssl.SSLContext, optional
        Whose certificates count; those of this machine by default.
    timeout_s : float
        Longest silence of the other side.
    least_bytes_per_s : float
        What has to arrive on the average once ``patience_s`` are over: a file of n bytes takes
        ``patience_s + n / least_bytes_per_s`` at most, redirects and headers included. Half of
        what an ISDN line carries, so that no line still in use is cut off.
    patience_s : float
        How long the other side may take without being measured.
    clock : callable
        Seconds that only go on.
    """

    hosts: Collection[str]
    most_bytes: int
    trust: ssl.SSLContext | None = None
    timeout_s: float = _TIMEOUT_S
    least_bytes_per_s: float = _LEAST_BYTES_PER_S
    patience_s: float = _PATIENCE_S
    clock: Callable[[], float] = time.monotonic


def fetch(
    url: str,
    target: Path,
    *,
    limits: FetchLimits,
    length: int | None,
    digests: Mapping[str, str],
    on_bytes: Callable[[int], None] | None = None,
) -> int:
    """Fetch one file.

    Parameters
    ----------
    url : str
    target : Path
        Must not be there yet.
    limits : FetchLimits
    length : int, optional
        Bytes as stated; None if nothing states it.
    digests : mapping of str to str
        What it must have: lower-case hexadecimal by the names of :mod:`hashlib`.
    on_bytes : callable, optional
        Called with the number of bytes of each block.

    Returns
    -------
    int
        Its bytes.

    Raises
    ------
    FetchRefusedError
        The URL or a redirect is not allowed, the answer is none, or what came is not what
        was stated. Nothing stays behind.
    SurroundingsError
        The host cannot be reached or is too slow, or the disk stands in the way.
    """
    if not digests:
        raise FetchRefusedError(
            "no manifest states a digest that can be compared", where=url, remedy=_WHOLE
        )
    most = limits.most_bytes if length is None else min(length, limits.most_bytes)
    if length is not None and length > limits.most_bytes:
        raise FetchRefusedError(
            f"{length} bytes are stated",
            where=url,
            accepted=f"at most {limits.most_bytes} bytes",
            remedy=_WHOLE,
        )
    hashers = {name: hashlib.new(name, usedforsecurity=False) for name in digests}
    temporary = files.temporary_sibling(target)
    size = 0
    with contextlib.ExitStack() as undo:
        undo.callback(_discard, temporary)
        with files.create(temporary) as file, _answer(url, limits) as blocks:
            for block in blocks:
                size += len(block)
                if size > most:
                    raise FetchRefusedError(
                        f"more than {most} bytes arrive",
                        where=url,
                        accepted=f"{length} bytes, as stated" if length is not None else "",
                        remedy=_WHOLE,
                    )
                for hasher in hashers.values():
                    hasher.update(block)
                with files.translated(temporary, "written"):
                    file.write(block)
                if on_bytes is not None:
                    on_bytes(len(block))
            files.flush_file(file, temporary)
        if length is not None and size != length:
            raise FetchRefusedError(
                f"{size} bytes arrived; {length} are stated", where=url, remedy=_WHOLE
            )
        for name, hasher in hashers.items():
            if hasher.hexdigest() != digests[name]:
                raise FetchRefusedError(
                    f"its {name} is {hasher.hexdigest()}; the manifest says {digests[name]}",
                    where=url,
                    remedy=_WHOLE,
                )
        files.rename_new(temporary, target)
        undo.pop_all()
    files.flush_directory(target.parent)
    return size


def fetch_small(url: str, *, limits: FetchLimits) -> bytes:
    """Fetch a small document into memory, for a caller that knows no digest of it.

    Raises
    ------
    FetchRefusedError
        The URL or a redirect is not allowed, the answer is none, or more bytes come than
        the limits allow.
    SurroundingsError
        The host cannot be reached, or is too slow.
    """
    content = bytearray()
    with _answer(url, limits) as blocks:
        for block in blocks:
            content += block
            if len(content) > limits.most_bytes:
                raise FetchRefusedError(
                    f"more than {limits.most_bytes} bytes arrive",
                    where=url,
                    accepted=f"at most {limits.most_bytes} bytes",
                )
    return bytes(content)


def _discard(temporary: Path) -> None:
    with contextlib.suppress(ArchiverError):
        files.discard(temporary)


class _Pace:
    """How long the other side may go on, by what it has sent."""

    def __init__(self, limits: FetchLimits, url: str) -> None:
        self._limits = limits
        self._url = url
        self._began_s = limits.clock()
        self.bytes = 0

    def timeout_s(self) -> float:
        """Return how long to wait for the next bytes; raise once the time is over."""
        limits = self._limits
        taken_s = limits.clock() - self._began_s
        left_s = limits.patience_s + self.bytes / limits.least_bytes_per_s - taken_s
        if left_s <= 0:
            raise SurroundingsError(
                f"is sent too slowly: {self.bytes} bytes in {taken_s:.0f} s",
                where=self._url,
                accepted=f"{limits.least_bytes_per_s:.0f} bytes a second, after the first "
                f"{limits.patience_s:.0f} s",
                remedy="Run again at another time or on another line, or ask the sender for the "
                "whole bag",
            )
        return min(limits.timeout_s, left_s)


class _PacedReader(io.RawIOBase):
    """What comes through a connection, no reading of which outlasts the pace."""

    def __init__(self, raw: io.RawIOBase, connection: socket.socket, pace: _Pace) -> None:
        super().__init__()
        self._raw = raw
        self._connection = connection
        self._pace = pace

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any, /) -> int | None:
        self._connection.settimeout(self._pace.timeout_s())
        try:
            count = self._raw.readinto(buffer)
        except TimeoutError:
            # The end of the pace may be what was waited for.
            self._pace.timeout_s()
            raise
        self._pace.bytes += count or 0
        return count

    def close(self) -> None:
        if not self.closed:
            super().close()
            self._raw.close()


def _paced(pace: _Pace) -> type[http.client.HTTPResponse]:
    class Paced(http.client.HTTPResponse):
        def __init__(self, sock: socket.socket, *arguments: Any, **more: Any) -> None:
            super().__init__(sock, *arguments, **more)
            # Headers come through it too, and a host may send them without end.
            self.fp = io.BufferedReader(_PacedReader(self.fp.detach(), sock, pace))

    return Paced


@contextlib.contextmanager
def _answer(url: str, limits: FetchLimits) -> Iterator[Iterator[bytes]]:
    """Ask for a URL, follow redirects that stay on its host, and yield what comes."""
    place = _allowed(url, limits.hosts, url)
    trust = limits.trust or ssl.create_default_context()
    pace = _Pace(limits, url)
    for _ in range(_MOST_REDIRECTS + 1):
        connection = http.client.HTTPSConnection(
            place.hostname or "", place.port or 443, timeout=pace.timeout_s(), context=trust
        )
        connection.response_class = _paced(pace)
        with contextlib.closing(connection), _explained(url):
            target = place.path or "/"
            connection.request(
                "GET",
                f"{target}?{place.query}" if place.query else target,
                # What is packed on the way would have another length than is stated.
                headers={"Accept-Encoding": "identity", "User-Agent": "archiver"},
            )
            # A connection lets go of an answer that is to be its last; its socket is then ours.
            with contextlib.closing(connection.getresponse()) as answer:
                if answer.status in _REDIRECTS:
                    to = answer.getheader("Location") or ""
                    place = _redirected(place, to, limits.hosts, url)
                    continue
                if answer.status != 200:  # 206 and the like are no whole file
                    raise FetchRefusedError(
                        f"the host answers {answer.status} {answer.reason}",
                        where=url,
                        accepted="200",
                        remedy=_WHOLE,
                    )
                yield _blocks(answer, url)
                return
    raise FetchRefusedError(
        f"the host redirects more than {_MOST_REDIRECTS} times", where=url, remedy=_WHOLE
    )


def _blocks(answer: http.client.HTTPResponse, url: str) -> Iterator[bytes]:
    while True:
        with _explained(url):
            block = answer.read(files.BLOCK_BYTES)
        if not block:
            if answer.length:
                # The library ends silently, and what is short would look like the sender's fault.
                raise _cut(url, f"{answer.length} bytes before the end that the host announced")
            return
        yield block


def _cut(url: str, where: str) -> SurroundingsError:
    return SurroundingsError(
        f"cannot be fetched: the connection was cut off, {where}",
        where=url,
        remedy="Check the connection, then run again",
    )


def _redirected(place: SplitResult, location: str, hosts: Collection[str], url: str) -> SplitResult:
    target = urljoin(place.geturl(), location)
    with contextlib.suppress(ValueError):
        there = urlsplit(target)
        # Another host is refused even if it was named too: each URL says where it leads.
        if (there.hostname, there.port or 443) != (place.hostname, place.port or 443):
            raise FetchRefusedError(
                f"the host redirects to another one, {there.scheme}://{there.hostname}",
                where=url,
                accepted=f"a redirect to {place.netloc} itself",
                remedy=_WHOLE,
            )
    return _allowed(target, hosts, url)


def _allowed(url: str, hosts: Collection[str], asked: str) -> SplitResult:
    try:
        place = urlsplit(url)
        port = place.port or 443
    except ValueError as error:
        raise FetchRefusedError(
            f"is no URL ({error})", where=_without_user(asked), remedy=_WHOLE
        ) from error
    host = (place.hostname or "").lower()
    if place.scheme.lower() != "https" or not host or place.username is not None:
        raise FetchRefusedError(
            "is fetched from nowhere"
            if url == asked
            else f"leads to {place.scheme}://{host}, which is fetched from nowhere",
            where=_without_user(asked),
            accepted="https, without a user name",
            remedy=_WHOLE,
        )
    if any(not 33 <= ord(c) <= 126 for c in url):
        raise FetchRefusedError("holds characters of no URL", where=asked, remedy=_WHOLE)
    named = {entry.lower() if ":" in entry else f"{entry.lower()}:443" for entry in hosts}
    if f"{host}:{port}" not in named:
        raise FetchRefusedError(
            f"{host}:{port} is no host that was named",
            where=asked,
            accepted=", ".join(sorted(hosts)) or "none",
            remedy=_WHOLE,
        )
    return place


def _without_user(url: str) -> str:
    """Leave out what may be a password."""
    return _USER.sub("…@", url)


@contextlib.contextmanager
def _explained(url: str) -> Iterator[None]:
    try:
        yield
    except ssl.SSLCertVerificationError as error:
        raise FetchRefusedError(
            f"the host does not prove who it is ({error.verify_message})",
            where=url,
            remedy=_WHOLE,
        ) from error
    except (http.client.IncompleteRead, http.client.RemoteDisconnected) as error:
        raise _cut(url, "before the answer was whole") from error
    except (http.client.HTTPException, ValueError) as error:
        raise FetchRefusedError(
            f"the host gives no proper answer ({type(error).__name__})", where=url, remedy=_WHOLE
        ) from error
    except OSError as error:
        raise SurroundingsError(
            f"cannot be fetched ({error.strerror or type(error).__name__})",
            where=url,
            remedy="Check the connection, then run again",
        ) from error
