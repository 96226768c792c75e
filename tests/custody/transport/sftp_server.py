"""An SFTP server of asyncssh on loopback, with faults on command."""

from __future__ import annotations

import asyncio
import contextlib
import os
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, cast

import asyncssh

PASSWORD = "a-word-that-nobody-may-see"  # noqa: S105 - made up for the tests


@dataclass(kw_only=True)
class Faults:
    """What goes wrong at the server."""

    full_after_bytes: int | None = None
    full_by_its_own_code: bool = False
    forbid_writing: bool = False
    flip_written_byte: int | None = None
    close_on_read: bool = False
    forget_on_open: int = 0
    another_puts: str = ""
    close_after_rename: bool = False
    written_bytes: int = 0
    injected: int = 0


@dataclass(kw_only=True)
class SftpServer:
    """What tests need to know of the server."""

    port: int
    root: Path
    known_hosts: Path
    key: Path
    faults: Faults = field(default_factory=Faults)
    connections: list[Any] = field(default_factory=list)

    def clear_faults(self) -> Faults:
        """Serve faultlessly from now on; return the record in which new faults are set."""
        self.faults = Faults()
        return self.faults


def _handler_of(server: SftpServer) -> type:
    class Files(asyncssh.SFTPServer):
        def __init__(self, channel: Any) -> None:
            super().__init__(channel, chroot=str(server.root).encode())

        def open(self, path: bytes, pflags: int, attrs: Any) -> Any:
            if server.faults.forbid_writing and pflags & asyncssh.FXF_WRITE:
                server.faults.injected += 1
                raise asyncssh.SFTPPermissionDenied("not here")
            real = server.root / path.decode().lstrip("/")
            if server.faults.forget_on_open and pflags & asyncssh.FXF_WRITE and real.exists():
                # As after a power failure at the far end: what was acknowledged is lost.
                os.truncate(real, max(0, real.stat().st_size - server.faults.forget_on_open))
                server.faults.injected += 1
            return super().open(path, pflags, attrs)

        def write(self, file_obj: Any, offset: int, data: bytes) -> int:
            faults = server.faults
            limit = faults.full_after_bytes
            if limit is not None and offset + len(data) > limit:
                faults.injected += 1
                if faults.full_by_its_own_code:
                    raise asyncssh.SFTPNoSpaceOnFilesystem("no space")
                raise asyncssh.SFTPFailure("Failure")
            faults.written_bytes += len(data)
            flip = faults.flip_written_byte
            if flip is not None and offset <= flip < offset + len(data):
                faults.injected += 1
                changed = bytearray(data)
                changed[flip - offset] ^= 1
                data = bytes(changed)
            return cast("int", super().write(file_obj, offset, data))

        def read(self, file_obj: Any, offset: int, size: int) -> bytes:
            faults = server.faults
            if faults.close_on_read:
                faults.injected += 1
                for connection in server.connections:
                    connection.abort()
            return cast("bytes", super().read(file_obj, offset, size))

        def rename(self, oldpath: bytes, newpath: bytes) -> None:
            if server.faults.another_puts:
                server.faults.injected += 1
                (server.root / server.faults.another_puts).write_bytes(b"another's")
            super().rename(oldpath, newpath)
            if server.faults.close_after_rename:
                server.faults.injected += 1
                for connection in server.connections:
                    connection.abort()

        def statvfs(self, path: bytes) -> Any:
            found = cast("Any", super().statvfs(path))
            if not server.faults.injected or server.faults.full_after_bytes is None:
                return found
            attributes = asyncssh.SFTPVFSAttrs.from_local(found)
            attributes.bavail = 0
            return attributes

    return Files


def _shell(process: Any) -> None:
    process.exit(0)


@contextlib.contextmanager
def sftp_server(folder: Path, *, offers_sftp: bool = True) -> Iterator[SftpServer]:
    """Serve ``folder/root`` for the time of the block; one user, one key, one password."""
    root = folder / "root"
    root.mkdir(parents=True)
    host_key = asyncssh.generate_private_key("ssh-ed25519")
    user_key = asyncssh.generate_private_key("ssh-ed25519")
    key = folder / "id_ed25519"
    user_key.write_private_key(str(key))
    known_hosts = folder / "known_hosts"
    server = SftpServer(port=0, root=root, known_hosts=known_hosts, key=key)

    class Gate(asyncssh.SSHServer):
        def connection_made(self, conn: Any) -> None:
            server.connections.append(conn)

        def password_auth_supported(self) -> bool:
            return True

        def public_key_auth_supported(self) -> bool:
            return True

        def validate_public_key(self, _username: str, key: Any) -> bool:
            return bool(key == user_key.convert_to_public())

        def validate_password(self, _username: str, password: str) -> bool:
            return password == PASSWORD

    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever, daemon=True)
    thread.start()

    async def begin() -> Any:
        return await asyncssh.create_server(
            Gate,
            "127.0.0.1",
            0,
            server_host_keys=[host_key],
            sftp_factory=_handler_of(server) if offers_sftp else None,
            process_factory=None if offers_sftp else _shell,
        )

    async def end(acceptor: Any) -> None:
        acceptor.close()
        for connection in server.connections:
            connection.abort()
        await acceptor.wait_closed()
        for task in asyncio.all_tasks() - {asyncio.current_task()}:
            task.cancel()

    acceptor = asyncio.run_coroutine_threadsafe(begin(), loop).result(20)
    server.port = acceptor.get_port()
    public = host_key.export_public_key().decode().strip()
    # Any port: the tests reach the server through proxies of their own.
    known_hosts.write_text(f"[127.0.0.1]:* {public}\n", encoding="utf-8")
    try:
        yield server
    finally:
        asyncio.run_coroutine_threadsafe(end(acceptor), loop).result(20)
        loop.call_soon_threadsafe(loop.stop)
        thread.join(20)
        loop.close()
