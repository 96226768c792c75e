"""SFTP, through sshfs and asyncssh.

Who we are is proved as ``ssh`` does it: by the agent, by the keys in ``~/.ssh`` and what
``~/.ssh/config`` says; or by ``ARCHIVER_SFTP_PASSWORD`` or the keyring. Who the far end is,
its host key proves, which has to be in ``known_hosts``. Protocol: version 3, draft-ietf-secsh-
filexfer-02, with the extensions of OpenSSH where the server has them.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import posixpath
import socket
import stat
from collections.abc import Callable, Iterator
from functools import partial
from typing import Any

from archiver.custody.transport.address import Address
from archiver.custody.transport.appending import deliver_by_appending
from archiver.custody.transport.credentials import keyring_entry, variable
from archiver.custody.transport.far_end import (
    Arrival,
    Delivery,
    Held,
    Verified,
    final_name,
    partial_name,
)
from archiver.custody.transport.known_hosts import known_hosts
from archiver.custody.transport.reading_back import compare_by_reading
from archiver.custody.transport.refusals import (
    forbidden,
    full,
    library,
    not_there,
    refused,
    taken,
    unreachable,
)
from archiver.custody.transport.retrying import CutError
from archiver.errors import ArchiverError, MisuseError, SurroundingsError

__all__ = ["SftpFolder"]

_CHUNK_BYTES = 1 << 22
_SMALL_BYTES = 1 << 20
_CONNECT_S = 30.0
_ANSWER_S = 300.0
_ALIVE_S = 15.0
_FAREWELL_S = 1.0


class SftpFolder:
    """A folder behind SFTP.

    Parameters
    ----------
    address : Address
        Where it is.
    chunk_bytes : int, optional
        How much is under way at a time, in either direction, and so what a cut can cost.
    """

    def __init__(self, address: Address, *, chunk_bytes: int | None = None) -> None:
        self._address = address
        self.chunk_bytes = chunk_bytes or _CHUNK_BYTES
        self._asyncssh: Any = library("asyncssh", "sftp", address.shown)
        self._sshfs: Any = library("sshfs", "sftp", address.shown)
        self._asyn: Any = library("fsspec.asyn", "sftp", address.shown)
        self._system: Any = None
        self._client: Any = None
        self._open: tuple[str, Any] | None = None
        self._reached = False
        self._made: set[str] = set()

    def _path(self, folder: str, name: str) -> str:
        base = self._address.path
        # As is the custom of ssh in URLs, /~/ is the folder into which one comes.
        base = "." + base[2:] if base == "/~" or base.startswith("/~/") else base or "/"
        return posixpath.join(base, *filter(None, (folder, name)))

    def url_of(self, folder: str, name: str) -> str:
        """Return how messages call a file there."""
        return self._address.of(folder, name)

    def reach(self) -> None:
        """Connect, and make sure that the folder is there."""
        path = self._path("", "")
        attributes = self._call("opened", self._address.shown, lambda sftp: sftp.stat(path))
        if not stat.S_ISDIR(attributes.permissions or stat.S_IFDIR):
            raise MisuseError(
                "is a file, not a folder", where=self._address.shown, accepted="a folder"
            )

    def require_open(self, needed: int | None) -> None:
        """Refuse if the server says that so many bytes do not fit; rights show on writing."""
        if needed is None:
            return
        free = self._free_bytes(self._path("", ""))
        if free is not None and free < needed:
            raise full(self._address.shown, f"{free} bytes are free, {needed} are to be written")

    def leave(self) -> None:
        """Close the connection."""
        system, client = self._system, self._client
        self._system = self._client = self._open = None
        if system is not None:
            # A connection that is broken cannot be closed in order, and need not be.
            with contextlib.suppress(Exception):
                self._asyn.sync(system.loop, _closed, system, client, timeout=2 * _FAREWELL_S)

    def _connected(self) -> Any:
        if self._client is None:
            self._system = self._logged_in()
            self._reached = True
            self._client = self._asyn.sync(
                self._system.loop, self._system.client.start_sftp_client, timeout=_CONNECT_S
            )
        return self._client

    def _logged_in(self) -> Any:
        password = variable("ARCHIVER_SFTP_PASSWORD")
        try:
            return self._session(password)
        except PermissionError as error:
            # Only now, since a keyring may ask its owner to open it.
            service = f"sftp://{self._address.host}"
            if self._address.port:
                service += f":{self._address.port}"
            entry = None if password else keyring_entry(service, self._user())
            if entry is None:
                raise self._not_let_in(error, service) from error
        try:
            return self._session(entry.secret)
        except PermissionError as error:
            raise self._not_let_in(error, service) from error

    def _user(self) -> str:
        return self._address.user or variable("USER") or variable("USERNAME")

    def _session(self, password: str) -> Any:
        options: dict[str, Any] = {}
        if self._address.port:
            options["port"] = self._address.port
        if self._address.user:
            options["username"] = self._address.user
        if password:
            options["password"] = password
        if passphrase := variable("ARCHIVER_SFTP_PASSPHRASE"):
            options["passphrase"] = passphrase
        return self._sshfs.SSHFileSystem(
            self._address.host,
            known_hosts=known_hosts(),
            connect_timeout=_CONNECT_S,
            login_timeout=_CONNECT_S,
            keepalive_interval=_ALIVE_S,
            skip_instance_cache=True,
            **options,
        )

    def _not_let_in(self, error: PermissionError, service: str) -> SurroundingsError:
        return SurroundingsError(
            f"does not let {self._address.user or 'this user'} in ({error})",
            where=self._address.shown,
            accepted="a key of the ssh agent or of ~/.ssh, or a password from the environment"
            f" (ARCHIVER_SFTP_PASSWORD) or, with archiver[keyring], from the keyring"
            f" (keyring set {service} USER)",
            remedy="Check the user in the URL, and that ssh-add -l lists the key that the"
            " institution knows",
        )

    def _unknown_host(self, error: Exception) -> SurroundingsError:
        host = self._address.host
        port = f" -p {self._address.port}" if self._address.port else ""
        return SurroundingsError(
            f"has a host key that is not in known_hosts ({error})",
            where=self._address.shown,
            accepted="a host key in ~/.ssh/known_hosts, or in the file that"
            " ARCHIVER_KNOWN_HOSTS names",
            remedy="Ask the institution for the fingerprint of its host key, connect once with"
            f" ssh{port} {host}, and accept the key only if the fingerprints agree. If it was"
            " known before and has changed, ask first: somebody may stand in between",
        )

    def _call(self, doing: str, where: str, action: Callable[[Any], Any]) -> Any:
        """Await what an action on the SFTP client gives; translate what goes wrong."""
        ssh = self._asyncssh
        try:
            client = self._connected()

            async def awaited() -> Any:
                return await action(client)

            return self._asyn.sync(self._system.loop, awaited, timeout=_ANSWER_S)
        except ArchiverError:
            raise
        except ssh.HostKeyNotVerifiable as error:
            self.leave()
            raise self._unknown_host(error) from error
        except socket.gaierror as error:
            self.leave()
            if not self._reached:
                raise unreachable(where, error.strerror or str(error)) from error
            raise CutError(error.strerror or str(error)) from error
        except (ssh.SFTPNoConnection, ssh.SFTPConnectionLost, ssh.SFTPBadMessage) as error:
            self.leave()
            raise CutError(error.reason or "connection lost") from error
        except ssh.SFTPError as error:
            raise self._said(error, doing, where) from error
        except ssh.ChannelOpenError as error:
            self.leave()
            # Of reasons to refuse a channel (RFC 4254, section 5.1) these do not pass.
            if error.code in {
                ssh.constants.OPEN_REQUEST_SESSION_FAILED,
                ssh.constants.OPEN_ADMINISTRATIVELY_PROHIBITED,
                ssh.constants.OPEN_UNKNOWN_CHANNEL_TYPE,
            }:
                raise refused(where, doing, "that it offers no SFTP") from error
            raise CutError(error.reason) from error
        except (ssh.ProtocolNotSupported, ssh.IllegalUserName) as error:
            self.leave()
            raise refused(where, doing, error.reason) from error
        except (ValueError, FileNotFoundError) as error:
            # Not what the far end says, but what is read here before it is asked.
            self.leave()
            raise SurroundingsError(
                f"cannot be reached: the keys or the configuration of ssh here cannot be used"
                f" ({error})",
                where=where,
                accepted="a ~/.ssh/config, keys and known_hosts that ssh itself reads",
                remedy=f"Try ssh {self._address.host}, and correct what it complains about",
            ) from error
        except (ssh.Error, OSError, EOFError, TimeoutError) as error:
            self.leave()
            if isinstance(error, TimeoutError):
                raise CutError("there was no answer in time") from error
            reason = getattr(error, "reason", "") or str(error) or type(error).__name__
            raise CutError(reason) from error

    def _said(self, error: Any, doing: str, where: str) -> Exception:
        ssh = self._asyncssh
        match error:
            case ssh.SFTPNoSuchFile() | ssh.SFTPNoSuchPath():
                return not_there(where)
            case ssh.SFTPPermissionDenied() | ssh.SFTPWriteProtect():
                return forbidden(where, doing, error.reason)
            case ssh.SFTPNoSpaceOnFilesystem() | ssh.SFTPQuotaExceeded():
                return full(where, error.reason)
            case _:
                return refused(where, doing, error.reason or type(error).__name__)

    def size_of(self, folder: str, name: str) -> int | None:
        """Return the size in bytes of a file; None if the name is free."""
        where = self.url_of(folder, name)
        path = self._path(folder, name)
        ssh = self._asyncssh

        async def size(sftp: Any) -> int | None:
            try:
                attributes = await sftp.lstat(path)
            except (ssh.SFTPNoSuchFile, ssh.SFTPNoSuchPath):
                return None
            if not stat.S_ISREG(attributes.permissions or stat.S_IFREG):
                raise MisuseError(
                    "is there already, and is no file",
                    where=where,
                    remedy="Choose another name, or move it away",
                )
            return int(attributes.size or 0)

        found: int | None = self._call("examined", where, size)
        return found

    def read(self, folder: str, name: str, start: int) -> Iterator[bytes]:
        """Yield the bytes of a file from an offset on."""
        where = self.url_of(folder, name)
        path = self._path(folder, name)
        ssh = self._asyncssh
        file = self._call("read", where, lambda sftp: _opened(sftp, path, ssh.FXF_READ))
        offset = start
        try:
            while True:
                block: bytes = self._call(
                    "read", where, partial(_read_at, file, offset, self.chunk_bytes)
                )
                if not block:
                    return
                offset += len(block)
                yield block
        finally:
            # After a cut there is nothing left that could be closed.
            with contextlib.suppress(CutError, ArchiverError):
                if self._client is not None:
                    self._call("read", where, lambda _: file.close())

    def make_room(self, folder: str, lacking: int | None) -> None:
        """Make the folder, and refuse if the server says that so many bytes do not fit."""
        where = self.url_of(folder, "")
        path = self._path(folder, "")
        if folder in self._made and lacking is not None and lacking <= _SMALL_BYTES:
            # A bag of ten thousand files is not to ask twenty thousand times.
            return
        if folder:
            self._call("made", where, lambda sftp: sftp.makedirs(path, exist_ok=True))
        self._made.add(folder)
        free = self._free_bytes(path)
        if lacking is not None and free is not None and free < lacking:
            raise full(where, f"{free} bytes are free, {lacking} are to be written")

    def _free_bytes(self, path: str) -> int | None:
        ssh = self._asyncssh

        async def free(sftp: Any) -> int | None:
            try:
                found = await sftp.statvfs(path)
            except ssh.SFTPError as error:
                if isinstance(error, (ssh.SFTPNoConnection, ssh.SFTPConnectionLost)):
                    raise
                # An extension that not every server has.
                return None
            # A server that does not know says 0 blocks in all.
            return int(found.bavail * found.frsize) if found.blocks else None

        known: int | None = self._call("examined", self._address.shown, free)
        return known

    def write(self, folder: str, name: str, offset: int, chunk: bytes) -> int:
        """Write a chunk, making the file if need be."""
        where = self.url_of(folder, final_name(name) or name)
        path = self._path(folder, name)
        if self._open is None or self._open[0] != path:
            ssh = self._asyncssh
            file = self._call(
                "written",
                where,
                lambda sftp: _opened(sftp, path, ssh.FXF_WRITE | ssh.FXF_CREAT),
            )
            self._open = path, file
            there = int(self._call("examined", where, lambda _: file.stat()).size or 0)
            if there < offset:
                return there
        file = self._open[1]
        if chunk:
            try:
                self._call("written", where, lambda _: file.write(chunk, offset))
            except SurroundingsError as error:
                # Version 3 of the protocol has no word for a full disk but "failure".
                self._open = None
                free = self._free_bytes(self._path(folder, ""))
                if free is not None and free < len(chunk):
                    raise full(where, f"{free} bytes are free") from error
                raise
        return offset + len(chunk)

    def complete(self, folder: str, name: str, size: int) -> None:
        """Bring a file of this size to the medium and close it; cut off what is longer."""
        where = self.url_of(folder, final_name(name) or name)
        ssh = self._asyncssh
        self.write(folder, name, size, b"")
        if self._open is None:
            return
        file = self._open[1]

        async def ended(_: Any) -> None:
            if (await file.stat()).size != size:
                await file.truncate(size)
            # An extension of OpenSSH; elsewhere closing has to do.
            with contextlib.suppress(ssh.SFTPOpUnsupported):
                await file.fsync()
            await file.close()

        self._call("written", where, ended)
        self._open = None

    def put_in_place(self, folder: str, name: str, final: str) -> None:
        """Rename to a name that is free; this protocol's renaming does not overwrite."""
        where = self.url_of(folder, final)
        if self.size_of(folder, final) is not None:
            raise taken(where)
        source, target = self._path(folder, name), self._path(folder, final)
        try:
            self._call("given its name", where, lambda sftp: sftp.rename(source, target))
        except SurroundingsError as error:
            # Version 3 of the protocol has no word for a taken name but "failure".
            if self.size_of(folder, final) is not None:
                raise taken(where) from error
            raise

    def remove(self, folder: str, name: str) -> None:
        """Remove a file; absence is fine."""
        path = self._path(folder, name)
        ssh = self._asyncssh

        async def removed(sftp: Any) -> None:
            with contextlib.suppress(ssh.SFTPNoSuchFile):
                await sftp.remove(path)

        self._open = None
        self._call("removed", self.url_of(folder, name), removed)

    def listing(self, folder: str) -> list[Held]:
        """List a folder, leftovers included; a folder that is not there is empty."""
        path = self._path(folder, "")
        ssh = self._asyncssh

        async def names(sftp: Any) -> list[Any]:
            try:
                return list(await sftp.readdir(path))
            except ssh.SFTPNoSuchFile:
                return []

        found: list[Held] = []
        for entry in self._call("listed", self.url_of(folder, ""), names):
            name = os.fsdecode(entry.filename)
            if name in {".", ".."}:
                continue
            is_folder = stat.S_ISDIR(entry.attrs.permissions or 0)
            found.append(
                Held(
                    name=final_name(name) or name,
                    size=None if is_folder else entry.attrs.size,
                    is_folder=is_folder,
                    unfinished=final_name(name) is not None,
                )
            )
        return found

    def remove_unfinished(self, folder: str, name: str) -> int:
        """Remove what an unfinished delivery of a name left; return how many leftovers."""
        if self.size_of(folder, partial_name(name)) is None:
            return 0
        self.remove(folder, partial_name(name))
        return 1

    def remove_empty(self, folder: str) -> None:
        """Remove a folder below the place; the server refuses one in which something lies."""
        path = self._path(folder, "")
        ssh = self._asyncssh

        async def removed(sftp: Any) -> None:
            with contextlib.suppress(ssh.SFTPError):
                await sftp.rmdir(path)

        if folder:
            self._call("removed", self.url_of(folder, ""), removed)

    def compare(self, delivery: Delivery, size: int) -> Arrival:
        """Compare what is held under the final name with what would be sent."""
        return compare_by_reading(self, delivery, size)

    def deliver(self, delivery: Delivery) -> Verified:
        """Send, verify, and only then put under the final name."""
        return deliver_by_appending(self, delivery)


async def _closed(system: Any, client: Any) -> None:
    if client is not None:
        client.exit()
    system.client.close()
    try:
        await asyncio.wait_for(system.client.wait_closed(), _FAREWELL_S)
    except TimeoutError:
        # Nobody listens: what waits to be sent would be waited for without end.
        system.client.abort()


async def _read_at(file: Any, offset: int, count: int, _: Any) -> Any:
    return await file.read(count, offset)


async def _opened(sftp: Any, path: str, mode: Any) -> Any:
    return await sftp.open(path, mode, encoding=None)
