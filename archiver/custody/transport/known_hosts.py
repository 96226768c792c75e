"""The host keys that this user trusts, as ``ssh`` keeps them (sshd(8), "SSH_KNOWN_HOSTS")."""

from __future__ import annotations

from pathlib import Path

from archiver import files
from archiver.custody.transport.credentials import variable

__all__ = ["known_hosts"]

_LIMIT_BYTES = 16 << 20


def known_hosts() -> bytes:
    """Return the host keys that this user trusts; never nothing, which would mean all.

    The keys of the machine, which its administrator keeps, count as they do for ``ssh``.
    """
    named = variable("ARCHIVER_KNOWN_HOSTS")
    places = (
        [Path(named)]
        if named
        else [Path.home() / ".ssh" / "known_hosts", Path("/etc/ssh/ssh_known_hosts")]
    )
    content = b"# read by archiver\n"
    for place in places:
        if named or files.exists(place):
            content += files.read_bytes(place, limit=_LIMIT_BYTES) + b"\n"
    return content
