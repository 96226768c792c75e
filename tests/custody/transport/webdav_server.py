"""A WebDAV server of wsgidav and cheroot on loopback, with faults on command."""

from __future__ import annotations

import base64
import contextlib
import hashlib
import threading
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from cheroot import wsgi
from wsgidav.fs_dav_provider import FilesystemProvider
from wsgidav.wsgidav_app import WsgiDAVApp

USER = "eva"
PASSWORD = "a-word-that-nobody-may-see"  # noqa: S105 - made up for the tests


@dataclass(kw_only=True)
class Faults:
    """What goes wrong at the server, by method.

    Parameters
    ----------
    status : dict of str to str
        By method, the status that it is answered with.
    flip : bool
        Whether a byte of what is stored is changed.
    states_digests : bool
        Whether ``Repr-Digest`` is stated when it is asked for.
    no_ranges : bool
        Whether a range that is asked for is passed over.
    stop_after_bytes : int
        Where the first answer with a file ends too early.
    """

    status: dict[str, str] = field(default_factory=dict)
    flip: bool = False
    states_digests: bool = False
    no_ranges: bool = False
    stop_after_bytes: int = 0
    injected: int = 0


@dataclass(kw_only=True)
class WebdavServer:
    """What tests need to know of the server."""

    port: int
    root: Path
    faults: Faults = field(default_factory=Faults)

    def clear_faults(self) -> Faults:
        """Serve faultlessly from now on; return the record in which new faults are set."""
        self.faults = Faults()
        return self.faults


_OPEN = "tests.open"


class _Files(FilesystemProvider):  # type: ignore[misc] # it carries no types
    """Keeps what is opened for writing, since the server forgets it when a line is cut."""

    def get_resource_inst(self, path: str, environ: dict[str, Any]) -> Any:
        found: Any = super().get_resource_inst(path, environ)
        if found is None or found.is_collection:
            return found
        begin = found.begin_write

        def begin_write(**arguments: Any) -> Any:
            file = begin(**arguments)
            environ.setdefault(_OPEN, []).append(file)
            return file

        found.begin_write = begin_write
        return found


def _stopped(beginning: bytes) -> Iterator[bytes]:
    yield beginning
    raise ConnectionError("the server is gone")


def _with_faults(server: WebdavServer, application: Any) -> Any:
    def answer(environ: dict[str, Any], start_response: Callable[..., Any]) -> Iterable[bytes]:
        faults = server.faults
        method = environ["REQUEST_METHOD"]
        if method in faults.status:
            faults.injected += 1
            start_response(faults.status[method], [("Content-Length", "0")])
            return [b""]
        if faults.no_ranges:
            environ.pop("HTTP_RANGE", None)
        path = server.root / environ["PATH_INFO"].strip("/").encode("latin-1").decode()
        asked = faults.states_digests and "HTTP_WANT_REPR_DIGEST" in environ and path.is_file()

        def start(status: str, headers: list[tuple[str, str]], *rest: Any) -> Any:
            if asked:
                digest = base64.b64encode(hashlib.sha256(path.read_bytes()).digest()).decode()
                headers = [*headers, ("Repr-Digest", f"sha-512=:AA==:, sha-256=:{digest}:")]
            return start_response(status, headers, *rest)

        try:
            # A list, since the work is done only when the answer is read.
            body = list(application(environ, start))
        finally:
            # The server leaves a file open when the line is cut; here it must not warn.
            for file in environ.pop(_OPEN, ()):
                file.close()
        if method == "GET" and faults.stop_after_bytes:
            faults.injected += 1
            count, faults.stop_after_bytes = faults.stop_after_bytes, 0
            return _stopped(b"".join(body)[:count])
        if method == "PUT" and faults.flip:
            faults.injected += 1
            content = bytearray(path.read_bytes())
            content[len(content) // 2] ^= 1
            path.write_bytes(content)
        return body

    return answer


@contextlib.contextmanager
def webdav_server(folder: Path) -> Iterator[WebdavServer]:
    """Serve ``folder/root`` for the time of the block; one user, one password."""
    root = folder / "root"
    root.mkdir(parents=True)
    application = WsgiDAVApp(
        {
            "provider_mapping": {"/": _Files(str(root))},
            "simple_dc": {"user_mapping": {"*": {USER: {"password": PASSWORD}}}},
            "http_authenticator": {"accept_basic": True, "accept_digest": False},
            "verbose": 0,
            "logging": {"enable": False},
            "lock_storage": True,
        }
    )
    server = WebdavServer(port=0, root=root)
    running: Any = wsgi.Server(
        ("127.0.0.1", 0), _with_faults(server, application), numthreads=4, shutdown_timeout=1
    )
    running.error_log = lambda *_args, **_kwargs: None
    running.prepare()
    server.port = running.bind_addr[1]
    thread = threading.Thread(target=running.serve, daemon=True)
    thread.start()
    try:
        yield server
    finally:
        running.stop()
        thread.join(20)
