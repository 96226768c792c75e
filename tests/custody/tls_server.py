"""An https server on loopback with a certificate of its own, and answers on command."""

from __future__ import annotations

import contextlib
import http.server
import ssl
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

Answer = Callable[[http.server.BaseHTTPRequestHandler], None]


@dataclass(kw_only=True)
class TlsServer:
    """What tests need to know of the server; ``answers`` by path, else the bytes by path."""

    port: int
    certificate: Path
    trust: ssl.SSLContext
    content: dict[str, bytes] = field(default_factory=dict)
    answers: dict[str, Answer] = field(default_factory=dict)
    asked: list[str] = field(default_factory=list)

    @property
    def host(self) -> str:
        """The host with its port, as it is named."""
        return f"localhost:{self.port}"

    def url(self, path: str) -> str:
        """The URL of a path."""
        return f"https://{self.host}{path}"


def make_certificate(folder: Path) -> tuple[Path, Path]:
    """Make a certificate for localhost, and its key."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "localhost")])
    now = datetime.now(UTC)
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName("localhost")]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(key, hashes.SHA256())
    )
    paths = folder / "certificate.pem", folder / "key.pem"
    paths[0].write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
    paths[1].write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
    )
    return paths


@contextlib.contextmanager
def tls_server(folder: Path) -> Iterator[TlsServer]:
    """Serve until the block ends."""
    certificate, key = make_certificate(folder)
    served: list[TlsServer] = []

    class Handler(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            server = served[0]
            server.asked.append(self.path)
            if self.path in server.answers:
                server.answers[self.path](self)
                return
            content = server.content.get(self.path)
            if content is None:
                self.send_error(404)
                return
            self.send_response(200)
            self.send_header("Content-Length", str(len(content)))
            self.end_headers()
            with contextlib.suppress(OSError):
                self.wfile.write(content)

        def log_message(self, *arguments: object) -> None:
            del arguments

    class Server(http.server.ThreadingHTTPServer):
        daemon_threads = True

        def handle_error(self, *arguments: object) -> None:
            # A client that turns away is what several tests are about.
            del arguments

    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate, key)
    with Server(("127.0.0.1", 0), Handler) as listening:
        listening.socket = context.wrap_socket(listening.socket, server_side=True)
        thread = threading.Thread(target=listening.serve_forever, daemon=True)
        thread.start()
        server = TlsServer(
            port=listening.server_address[1],
            certificate=certificate,
            trust=ssl.create_default_context(cafile=str(certificate)),
        )
        served.append(server)
        try:
            yield server
        finally:
            listening.shutdown()
            thread.join()


def redirect(to: str, status: int = 302) -> Answer:
    """Answer with a redirect."""

    def answer(handler: http.server.BaseHTTPRequestHandler) -> None:
        handler.send_response(status)
        handler.send_header("Location", to)
        handler.send_header("Content-Length", "0")
        handler.end_headers()

    return answer
