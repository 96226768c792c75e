"""A place to which packages are sent: a folder, a mounted drive, SFTP, S3 protocol or WebDAV.

Whatever the protocol, the promise is the same. A name at the far end is absent until all
bytes are there and their digest was compared; what is there is never overwritten; what has
arrived before a cut is not sent again, as far as the protocol allows it (a WebDAV server
takes a file only as a whole, so there the parts of a package are what is not sent again).
"""

from __future__ import annotations

import contextlib
import getpass
import hashlib
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from archiver import files
from archiver.custody.transport.address import Address, Kind, address_of
from archiver.custody.transport.far_end import Delivery, FarEnd, Held, final_name
from archiver.custody.transport.local import LocalFolder
from archiver.custody.transport.refusals import TakenError, taken
from archiver.custody.transport.retrying import CutError, Persistence, Retries
from archiver.custody.transport.source import Reading, Sendable
from archiver.errors import IntegrityError, MisuseError

__all__ = ["Fetched", "Held", "Place", "Retries", "Sendable", "Sent", "TakenError", "open_place"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sent:
    """What the far end holds now.

    Parameters
    ----------
    name : str
        Its name there.
    url : str
        Where it lies; holds nothing secret.
    size : int
        In bytes.
    sha256 : str
        Of what was sent, in lower-case hexadecimal, taken on the way.
    verified_by : str
        ``"server checksum"``: the far end stated a digest of what it stored;
        ``"read back"``: it was read, and hashed here.
    resumed_at_bytes : int
        How many bytes an earlier, unfinished delivery had brought there.
    sent_bytes : int
        Bytes of the content sent now, those sent again after a cut included.
    attempts : int
        1 and one more for every cut.
    already_there : bool
        The very same bytes lay there before, and nothing was sent.
    """

    name: str
    url: str
    size: int
    sha256: str
    verified_by: str
    resumed_at_bytes: int
    sent_bytes: int
    attempts: int
    already_there: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Fetched:
    """What was brought here.

    Parameters
    ----------
    path : Path
        Where it lies.
    size : int
        In bytes.
    sha256 : str
        Lower-case hexadecimal.
    attempts : int
        1 and one more for every cut.
    """

    path: Path
    size: int
    sha256: str
    attempts: int


def _uncounted(count: int) -> None:
    """Count nothing."""


class Place:
    """An open place, for one thread at a time.

    Parameters
    ----------
    address : Address
        Where it is.
    far_end : FarEnd
        What reaches it.
    retries : Retries
        How long to go on after cuts, unless a call says otherwise.
    """

    def __init__(self, address: Address, far_end: FarEnd, retries: Retries) -> None:
        self._address = address
        self._far_end = far_end
        self._retries = retries

    @property
    def url(self) -> str:
        """The place as it may be shown and recorded: without anything secret."""
        return self._address.shown

    @property
    def kind(self) -> Kind:
        """By which protocol it is reached."""
        return self._address.kind

    def url_of(self, name: str, folder: str = "") -> str:
        """Return where a name of this place lies."""
        return self._address.of(folder, name)

    def send(
        self,
        sendable: Sendable,
        *,
        folder: str = "",
        on_bytes: Callable[[int], None] = _uncounted,
        retries: Retries | None = None,
    ) -> Sent:
        """Send something, verify it there, and then give it its name.

        Parameters
        ----------
        sendable : Sendable
            What is sent.
        folder : str
            A folder below the place, with ``/``; it is made.
        on_bytes : callable
            Told how many bytes more are at the far end, those of an earlier run included; the
            reading back is not counted.
        retries : Retries, optional
            How long to go on after cuts.

        Raises
        ------
        TakenError
            The name is taken by something else.
        MisuseError
            It cannot be a name, or another run is sending it.
        IntegrityError
            The far end does not hold what was sent.
        SurroundingsError
            The far end is full, forbids it, or was cut off too often. What has arrived stays
            there under a hidden name, and the next call goes on with it.
        """
        name = _checked_name(sendable.name)
        folder = _checked_folder(folder)
        url = self.url_of(name, folder)
        source = Reading(sendable)
        persistence = Persistence(retries or self._retries, url)
        delivery = Delivery(
            folder=folder, source=source, persistence=persistence, on_bytes=on_bytes
        )
        with _one_sender(url):
            size = persistence.call(lambda: self._far_end.size_of(folder, name))
            if size is None:
                done = self._far_end.deliver(delivery)
                return Sent(
                    name=name,
                    url=url,
                    size=source.position,
                    sha256=source.sha256(),
                    verified_by=done.by,
                    resumed_at_bytes=done.resumed_at_bytes,
                    sent_bytes=done.sent_bytes,
                    attempts=persistence.attempts,
                )
            found = self._far_end.compare(delivery, size)
            if not found.same:
                raise taken(url)
            on_bytes(size)
            return Sent(
                name=name,
                url=url,
                size=size,
                sha256=source.sha256(),
                verified_by=found.by,
                resumed_at_bytes=size,
                sent_bytes=0,
                attempts=persistence.attempts,
                already_there=True,
            )

    def fetch(
        self,
        name: str,
        target: Path,
        *,
        folder: str = "",
        sha256: str = "",
        on_bytes: Callable[[int], None] = _uncounted,
        retries: Retries | None = None,
    ) -> Fetched:
        """Bring a file here; its name here is complete or absent.

        Parameters
        ----------
        name, folder : str
            Where it lies at the place.
        target : Path
            What it is to be called here; a name that is free.
        sha256 : str
            The digest that it must have, if that is known.
        on_bytes : callable
            Told how many bytes more have arrived.
        retries : Retries, optional
            How long to go on after cuts.

        Raises
        ------
        IntegrityError
            It has another digest than it must have, or another length than the place says.
        MisuseError
            There is no such file, or the target is taken.
        """
        name, folder = _checked_name(name), _checked_folder(folder)
        url = self.url_of(name, folder)
        persistence = Persistence(retries or self._retries, url)
        announced = persistence.call(lambda: self._far_end.size_of(folder, name))
        if announced is None:
            raise MisuseError("does not exist", where=url, remedy="Check the name and the folder")
        temporary = files.temporary_sibling(target)
        try:
            with files.create(temporary) as file:
                size, found = self._copy(
                    (folder, name), announced, file, temporary, persistence, on_bytes
                )
                files.flush_file(file, temporary)
            _require(found, sha256, url)
            files.rename_new(temporary, target)
        except BaseException:
            with contextlib.suppress(Exception):
                files.discard(temporary)
            raise
        files.flush_directory(target.parent)
        return Fetched(path=target, size=size, sha256=found, attempts=persistence.attempts)

    def _copy(
        self,
        source: tuple[str, str],
        announced: int,
        file: BinaryIO,
        path: Path,
        persistence: Persistence,
        on_bytes: Callable[[int], None],
    ) -> tuple[int, str]:
        """Write what is read into a file; return its size and SHA-256."""
        hasher = hashlib.sha256()
        size = 0

        def rest() -> None:
            nonlocal size
            for block in self._far_end.read(*source, size):
                if size + len(block) > announced:
                    # Before it is written: what has no end would fill the disk.
                    raise IntegrityError(
                        f"is longer than the {announced} bytes that the place states",
                        where=persistence.where,
                        remedy="It was not kept. If somebody is writing it, let that end;"
                        " otherwise tell the institution",
                    )
                with files.translated(path, "written"):
                    file.write(block)
                hasher.update(block)
                size += len(block)
                on_bytes(len(block))
                persistence.progress()
            if size != announced:
                raise CutError(f"the far end stopped at byte {size} of {announced}")

        persistence.call(rest)
        return size, hasher.hexdigest()

    def require_open(self, needed: int | None = None) -> None:
        """Find out, without writing, whether something can be sent, as far as that shows.

        Parameters
        ----------
        needed : int, optional
            How many bytes are to be sent, if that is known.

        Raises
        ------
        SurroundingsError
            It is known that this account may not write there, or that they do not fit.
        """
        persistence = Persistence(self._retries, self.url)
        persistence.call(lambda: self._far_end.require_open(needed))

    def listing(self, folder: str = "") -> tuple[Held, ...]:
        """List a folder, leftovers included; a folder that is not there is empty."""
        folder = _checked_folder(folder)
        persistence = Persistence(self._retries, self.url_of("", folder))
        found = persistence.call(lambda: self._far_end.listing(folder))
        return tuple(sorted(found, key=lambda one: (one.name, one.unfinished)))

    def remove_empty(self, folder: str) -> None:
        """Remove a folder of the place if nothing lies in it, where the protocol lets that be."""
        folder = _checked_folder(folder)
        persistence = Persistence(self._retries, self.url_of("", folder))
        persistence.call(lambda: self._far_end.remove_empty(folder))

    def remove_unfinished(self, name: str, *, folder: str = "") -> int:
        """Remove what unfinished deliveries of a name left; return how many leftovers."""
        name, folder = _checked_name(name), _checked_folder(folder)
        url = self.url_of(name, folder)
        persistence = Persistence(self._retries, url)
        with _one_sender(url):
            return persistence.call(lambda: self._far_end.remove_unfinished(folder, name))


@contextlib.contextmanager
def open_place(
    location: str | Path, *, retries: Retries | None = None, chunk_bytes: int | None = None
) -> Iterator[Place]:
    """Open a place for the time of the block.

    Parameters
    ----------
    location : str or Path
        A folder that is there, or a URL: ``sftp://user@host/folder``, ``s3://bucket/folder``,
        ``webdavs://user@host/folder``. It carries no password.
    retries : Retries, optional
        How long to go on after cuts.
    chunk_bytes : int, optional
        How much is under way at a time, and so what a cut can cost; of S3 the size of a part.
        By itself it fits the protocol. A WebDAV server takes a file only as a whole.

    Raises
    ------
    MisuseError
        The URL cannot be used, carries a password, or a library is missing.
    SurroundingsError
        The place cannot be reached, or its host key or our credentials are not accepted.
    """
    address = address_of(location)
    retries = retries or Retries()
    far_end = _far_end(address, chunk_bytes)
    try:
        Persistence(retries, address.shown).call(far_end.reach)
        yield Place(address, far_end, retries)
    finally:
        far_end.leave()


def _far_end(address: Address, chunk_bytes: int | None) -> FarEnd:
    match address.kind:
        case Kind.LOCAL:
            return LocalFolder(Path(address.path), chunk_bytes=chunk_bytes)
        case Kind.SFTP:
            from archiver.custody.transport.sftp import SftpFolder  # noqa: PLC0415 - an extra

            return SftpFolder(address, chunk_bytes=chunk_bytes)
        case Kind.S3:
            from archiver.custody.transport.s3 import S3Folder  # noqa: PLC0415 - as above

            return S3Folder(address, part_bytes=chunk_bytes)
        case Kind.WEBDAV:
            from archiver.custody.transport.webdav import WebdavFolder  # noqa: PLC0415 - as above

            return WebdavFolder(address)


def _require(found: str, sha256: str, url: str) -> None:
    if sha256 and found != sha256.lower():
        raise IntegrityError(
            f"is not what was expected: its SHA-256 is {found}",
            where=url,
            accepted=f"SHA-256 {sha256}",
            remedy="It was not kept: fetch it again, or use another copy",
        )


def _checked_name(name: str) -> str:
    if (
        name in {"", ".", ".."}
        or any(character in "/\\" or ord(character) < 32 for character in name)
        or final_name(name) is not None
    ):
        raise MisuseError(
            "cannot be the name of something sent",
            where=repr(name),
            accepted="a name without folders, that is not one of our own for what is unfinished",
        )
    return name


def _checked_folder(folder: str) -> str:
    parts = [part for part in folder.split("/") if part]
    if any(
        part in {".", ".."} or "\\" in part or any(ord(character) < 32 for character in part)
        for part in parts
    ):
        raise MisuseError(
            "cannot be a folder of a place",
            where=repr(folder),
            accepted="a path below the place, with / between its parts",
        )
    return "/".join(parts)


def _identity(url: str) -> str:
    """Return how a file at a place is called whichever way to it was named."""
    if "://" in url:
        return url
    above, rest = Path(url).parent, [Path(url).name]
    while not files.exists(above) and above != above.parent:
        rest.append(above.name)
        above = above.parent
    return str(files.resolved(above).joinpath(*reversed(rest)))


@contextlib.contextmanager
def _one_sender(url: str) -> Iterator[None]:
    """Keep a second run of this user from sending to the same name at the same time."""
    try:
        user = getpass.getuser()
    except (OSError, KeyError, ImportError):
        # An account without a name, as in some containers.
        user = ""
    token = hashlib.sha256(
        f"{user}\n{_identity(url)}".encode("utf-8", "surrogateescape")
    ).hexdigest()[:16]
    # On a full disk no temporary directory can be found.
    with files.translated("the folder for temporary files", "found"):
        lock = Path(tempfile.gettempdir()) / f"archiver-sending-{token}.lock"
    busy = MisuseError(
        "is being sent by another run",
        where=url,
        remedy="Wait until that has ended",
    )
    with files.lock(lock, busy=busy):
        yield
