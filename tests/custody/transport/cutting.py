"""A TCP proxy that counts bytes and cuts connections where it is told to."""

from __future__ import annotations

import contextlib
import os
import socket
import struct
import threading
from collections.abc import Callable, Iterator

_METHODS = {b"GET", b"HEAD", b"PUT", b"POST", b"DELETE", b"PROPFIND", b"MKCOL", b"MOVE"}


def _unaltered(block: bytes) -> bytes:
    return block


class CuttingProxy:
    """Passes bytes between a client and a server on loopback.

    Parameters
    ----------
    port : int
        Of the server.

    Attributes
    ----------
    altering_to_server, altering_to_client : callable
        Change what passes; the length must stay the same.
    cuts : list of int
        Each is a number of bytes, counted over both directions from the cut before, after
        which the connection that carries the last of them is reset.
    """

    def __init__(self, port: int) -> None:
        self.server_port = port
        self.cuts: list[int] = []
        self.cuts_done = 0
        self.to_server_bytes = 0
        self.to_client_bytes = 0
        self.refusing = False
        self.altering_to_server: Callable[[bytes], bytes] = _unaltered
        self.altering_to_client: Callable[[bytes], bytes] = _unaltered
        self._since_cut = 0
        self._mutex = threading.Lock()
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._open: set[socket.socket] = set()
        self._threads: list[threading.Thread] = []
        self.port: int = self._listener.getsockname()[1]
        self._start(self._accept)

    def _start(self, target: object, *arguments: object) -> None:
        thread = threading.Thread(target=target, args=arguments, daemon=True)  # type: ignore[arg-type]
        self._threads.append(thread)
        thread.start()

    def cut_after(self, *counts: int) -> None:
        """Forget what was counted and set, and cut after these numbers of bytes."""
        with self._mutex:
            self.cuts = list(counts)
            self.refusing = False
            self.altering_to_server = self.altering_to_client = _unaltered
            self.cuts_done = self.to_server_bytes = self.to_client_bytes = self._since_cut = 0

    def lose_answer_to(self, *beginnings: bytes) -> None:
        """Let the next request that begins so be carried out, and cut its answer off."""
        asked: list[bool] = []

        def look(block: bytes) -> bytes:
            # What follows a request line is its body.
            if block.split(b" ", 1)[0] in _METHODS:
                asked.append(block.startswith(beginnings))
            return block

        def lose(block: bytes) -> bytes:
            if asked and asked[-1]:
                self.altering_to_client = _unaltered
                with self._mutex:
                    self.cuts.insert(0, self._since_cut + 1)
            return block

        self.altering_to_server, self.altering_to_client = look, lose

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self._listener.accept()
            except OSError:
                return
            if self.refusing:
                _reset(client)
                continue
            try:
                server = socket.create_connection(("127.0.0.1", self.server_port))
            except OSError:
                _reset(client)
                continue
            for end in (client, server):
                # What passes has been delayed by its sender, if it was to be.
                end.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            with self._mutex:
                self._open |= {client, server}
            self._start(self._pump, client, server, True)
            self._start(self._pump, server, client, False)

    def _pump(self, source: socket.socket, target: socket.socket, to_server: bool) -> None:
        try:
            while block := source.recv(1 << 14):
                alter = self.altering_to_server if to_server else self.altering_to_client
                block = alter(block)
                passed, cut = self._count(len(block), to_server)
                target.sendall(block[:passed])
                if cut:
                    _reset(source)
                    _reset(target)
                    return
            target.shutdown(socket.SHUT_WR)
        except OSError:
            pass
        finally:
            self._let_go(source, target)

    def _count(self, count: int, to_server: bool) -> tuple[int, bool]:
        with self._mutex:
            cut = bool(self.cuts) and self._since_cut + count >= self.cuts[0]
            if cut:
                count = self.cuts.pop(0) - self._since_cut
                self._since_cut = 0
                self.cuts_done += 1
            else:
                self._since_cut += count
            if to_server:
                self.to_server_bytes += count
            else:
                self.to_client_bytes += count
            return count, cut

    def _let_go(self, one: socket.socket, other: socket.socket) -> None:
        """Close a pair when the second of its pumps has ended."""
        with self._mutex:
            if one in self._open and other in self._open:
                self._open.discard(one)
                return
            self._open.discard(other)
        one.close()
        other.close()

    def close(self) -> None:
        """Stop; connections that are open are reset."""
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        with self._mutex:
            left = list(self._open)
        for connection in left:
            _reset(connection)
        for thread in self._threads:
            thread.join(5)


def _reset(connection: socket.socket) -> None:
    """End a connection as a broken line does, without a farewell."""
    with contextlib.suppress(OSError):
        # On, and 0 seconds: the system sends RST. Two shorts on Windows, two ints elsewhere.
        linger = struct.pack("hh" if os.name == "nt" else "ii", 1, 0)
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, linger)
        connection.shutdown(socket.SHUT_RDWR)
    connection.close()


@contextlib.contextmanager
def cutting_proxy(port: int) -> Iterator[CuttingProxy]:
    """Put a proxy before a server for the time of the block."""
    proxy = CuttingProxy(port)
    try:
        yield proxy
    finally:
        proxy.close()
