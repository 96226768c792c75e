"""The form of a signature that OpenSSH's ``ssh-keygen -Y`` writes and reads: pure functions.

Sources: PROTOCOL.sshsig of OpenSSH (format version 1); RFC 8709 (ssh-ed25519); RFC 4251
section 5 (strings).
"""

from __future__ import annotations

import base64
import binascii
import hashlib
from dataclasses import dataclass

from archiver.errors import InputError
from archiver.package.names import shown

__all__ = [
    "KEY_TYPE",
    "Signature",
    "Strings",
    "decode_signature",
    "encode_signature",
    "fingerprint",
    "signed_part",
]

KEY_TYPE = b"ssh-ed25519"

_MAGIC = b"SSHSIG"
_VERSION = 1
_BEGIN = "-----BEGIN SSH SIGNATURE-----"
_END = "-----END SSH SIGNATURE-----"
_LINE = 70
_HASHES = {"sha256", "sha512"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """A signature as it stands in its file.

    Parameters
    ----------
    public_key : bytes
        32 bytes of an Ed25519 key.
    namespace : str
    hash_algorithm : str
        sha256 or sha512.
    value : bytes
        64 bytes.
    """

    public_key: bytes
    namespace: str
    hash_algorithm: str
    value: bytes


def fingerprint(public_key: bytes) -> str:
    """Return the SHA-256 fingerprint of a key as ssh-keygen writes it."""
    digest = hashlib.sha256(_key_blob(public_key)).digest()
    return "SHA256:" + base64.b64encode(digest).decode().rstrip("=")


def _string(content: bytes) -> bytes:
    return len(content).to_bytes(4, "big") + content


def _key_blob(public_key: bytes) -> bytes:
    return _string(KEY_TYPE) + _string(public_key)


def signed_part(message: bytes, namespace: str, hash_algorithm: str) -> bytes:
    """Return the bytes that are signed for a message: its digest and what it is meant for."""
    digest = hashlib.new(hash_algorithm, message).digest()
    return (
        _MAGIC
        + _string(namespace.encode())
        + _string(b"")
        + _string(hash_algorithm.encode())
        + _string(digest)
    )


class Strings:
    """Takes the strings of RFC 4251 section 5 off the front of bytes."""

    def __init__(self, content: bytes) -> None:
        self.rest = content

    def take(self, count: int) -> bytes:
        """Take a number of bytes."""
        if count > len(self.rest):
            raise InputError("the signature is cut short")
        taken, self.rest = self.rest[:count], self.rest[count:]
        return taken

    def number(self) -> int:
        """Take a 32-bit number."""
        return int.from_bytes(self.take(4), "big")

    def string(self) -> bytes:
        """Take a string."""
        return self.take(self.number())


def decode_signature(content: bytes) -> Signature:
    """Read a signature file.

    Raises
    ------
    InputError
        It is not of this form, or made with a key of another type.
    """
    try:
        lines = content.decode("ascii").split("\n")
    except UnicodeDecodeError as error:
        raise InputError("the signature is not in ASCII") from error
    lines = [line.strip() for line in lines if line.strip()]
    if len(lines) < 3 or lines[0] != _BEGIN or lines[-1] != _END:
        raise InputError("the file is no SSH signature", accepted=f"{_BEGIN} ... {_END}")
    try:
        strings = Strings(base64.b64decode("".join(lines[1:-1]), validate=True))
    except binascii.Error as error:
        raise InputError("the signature is not in base64") from error
    if strings.take(len(_MAGIC)) != _MAGIC or strings.number() != _VERSION:
        raise InputError("the signature is of another version", accepted="SSHSIG version 1")
    key = Strings(strings.string())
    kind = key.string()
    if kind != KEY_TYPE:
        raise InputError(
            f"the key is of type {shown(kind[:40].decode('ascii', 'replace'))!r}",
            accepted="ssh-ed25519",
        )
    public_key = key.string()
    namespace = strings.string()
    strings.string()
    algorithm = strings.string().decode("ascii", "replace")
    value = Strings(strings.string())
    if value.string() != KEY_TYPE or algorithm not in _HASHES:
        raise InputError("the signature names algorithms that do not belong to it")
    signature = value.string()
    if len(public_key) != 32 or len(signature) != 64 or strings.rest or value.rest or key.rest:
        raise InputError("parts of the signature have another length than they should")
    return Signature(
        public_key=public_key,
        namespace=namespace.decode("utf-8", "replace"),
        hash_algorithm=algorithm,
        value=signature,
    )


def encode_signature(signature: Signature) -> bytes:
    """Write a signature file."""
    blob = (
        _MAGIC
        + _VERSION.to_bytes(4, "big")
        + _string(_key_blob(signature.public_key))
        + _string(signature.namespace.encode())
        + _string(b"")
        + _string(signature.hash_algorithm.encode())
        + _string(_string(KEY_TYPE) + _string(signature.value))
    )
    text = base64.b64encode(blob).decode()
    lines = [text[at : at + _LINE] for at in range(0, len(text), _LINE)]
    return "\n".join([_BEGIN, *lines, _END, ""]).encode()
