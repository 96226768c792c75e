"""Signatures over the tag manifest, in the form that OpenSSH's ``ssh-keygen -Y`` reads.

The signature lies in the bag as ``tagmanifest-<algorithm>.txt.sig``. The tag manifest states
every tag file and manifest, and these the payload, so that one signature answers for all.

Sources: PROTOCOL.sshsig of OpenSSH (format version 1); RFC 8709 (ssh-ed25519); RFC 4251
section 5 (strings); ssh-keygen(1), ALLOWED SIGNERS (the list of accepted signers).
"""

from __future__ import annotations

import base64
import binascii
import enum
import fnmatch
import hashlib
import re
import shlex
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from archiver import files
from archiver.errors import ArchiverError, InputError, MisuseError
from archiver.findings import Finding, Where
from archiver.package.names import shown
from archiver.package.rules import SIGNATURE_BAD, SIGNATURE_UNKNOWN, SIGNATURE_UNREADABLE

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

__all__ = [
    "NAMESPACE",
    "SIGNATURE_SUFFIX",
    "Signature",
    "SignatureCheck",
    "SignatureVerdict",
    "Signer",
    "check_signatures",
    "decode_signature",
    "encode_signature",
    "is_signature_name",
    "read_signers",
    "sign_bag",
]

NAMESPACE = "bagit"
"""What ``ssh-keygen -Y verify -n`` has to be told: a signature for another purpose is none."""
SIGNATURE_SUFFIX = ".sig"

_MAGIC = b"SSHSIG"
_VERSION = 1
_KEY_TYPE = b"ssh-ed25519"
_BEGIN = "-----BEGIN SSH SIGNATURE-----"
_END = "-----END SSH SIGNATURE-----"
_LINE = 70
_HASHES = {"sha256", "sha512"}
_LARGEST_BYTES = 1 << 16
_LARGEST_MANIFEST_BYTES = 1 << 30
_NAME = re.compile(r"tagmanifest-[A-Za-z0-9]+\.txt\.sig")
_TIME = re.compile(r"(\d{8})(\d{4}(\d{2})?)?(Z?)")


class SignatureVerdict(enum.StrEnum):
    """What checking a signature gave."""

    KNOWN = "good, signer known"
    UNKNOWN = "good, signer unknown"
    BAD = "bad"
    UNREADABLE = "unreadable"


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Signer:
    """One line of a list of accepted signers.

    Parameters
    ----------
    principals : str
        Names, with commas between; the first is who is told to have signed.
    public_key : bytes
    namespaces : tuple of str
        Patterns; any namespace if empty.
    valid_after, valid_before : datetime, optional
    """

    principals: str
    public_key: bytes
    namespaces: tuple[str, ...] = ()
    valid_after: datetime | None = None
    valid_before: datetime | None = None

    def accepts(self, signature: Signature, now: datetime) -> bool:
        """Say whether this signer may have made a signature."""
        if self.public_key != signature.public_key:
            return False
        if self.namespaces and not any(
            fnmatch.fnmatchcase(signature.namespace, pattern) for pattern in self.namespaces
        ):
            return False
        after = self.valid_after is None or now >= self.valid_after
        return after and (self.valid_before is None or now <= self.valid_before)


@dataclass(frozen=True, slots=True, kw_only=True)
class SignatureCheck:
    """What is to be said of one signature of a bag.

    Parameters
    ----------
    file : str
        Path in the bag.
    verdict : SignatureVerdict
    signer : str
        By the list of accepted signers; empty if unknown.
    key : str
        Fingerprint, as ssh-keygen writes it; empty if unreadable.
    """

    file: str
    verdict: SignatureVerdict
    signer: str = ""
    key: str = ""

    def sentence(self) -> str:
        """Say it for people."""
        who = self.signer or "a key that is not among the accepted signers"
        match self.verdict:
            case SignatureVerdict.KNOWN | SignatureVerdict.UNKNOWN:
                return f"signed by {who} ({self.key})"
            case _:
                return f"signature {self.verdict}"

    def as_json(self) -> dict[str, Any]:
        """Return the facts for machines."""
        return {
            "file": self.file,
            "verdict": str(self.verdict),
            "signer": self.signer,
            "key": self.key,
        }


def is_signature_name(name: str) -> bool:
    """Say whether a name in the bag's directory is that of a signature."""
    return _NAME.fullmatch(name) is not None


def fingerprint(public_key: bytes) -> str:
    """Return the SHA-256 fingerprint of a key as ssh-keygen writes it."""
    digest = hashlib.sha256(_key_blob(public_key)).digest()
    return "SHA256:" + base64.b64encode(digest).decode().rstrip("=")


def _string(content: bytes) -> bytes:
    return len(content).to_bytes(4, "big") + content


def _key_blob(public_key: bytes) -> bytes:
    return _string(_KEY_TYPE) + _string(public_key)


def _signed_part(message: bytes, namespace: str, hash_algorithm: str) -> bytes:
    digest = hashlib.new(hash_algorithm, message).digest()
    return (
        _MAGIC
        + _string(namespace.encode())
        + _string(b"")
        + _string(hash_algorithm.encode())
        + _string(digest)
    )


class _Strings:
    """Takes RFC 4251 strings off the front of bytes."""

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
        strings = _Strings(base64.b64decode("".join(lines[1:-1]), validate=True))
    except binascii.Error as error:
        raise InputError("the signature is not in base64") from error
    if strings.take(len(_MAGIC)) != _MAGIC or strings.number() != _VERSION:
        raise InputError("the signature is of another version", accepted="SSHSIG version 1")
    key = _Strings(strings.string())
    kind = key.string()
    if kind != _KEY_TYPE:
        raise InputError(
            f"the key is of type {shown(kind[:40].decode('ascii', 'replace'))!r}",
            accepted="ssh-ed25519",
        )
    public_key = key.string()
    namespace = strings.string()
    strings.string()
    algorithm = strings.string().decode("ascii", "replace")
    value = _Strings(strings.string())
    if value.string() != _KEY_TYPE or algorithm not in _HASHES:
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
        + _string(_string(_KEY_TYPE) + _string(signature.value))
    )
    text = base64.b64encode(blob).decode()
    lines = [text[at : at + _LINE] for at in range(0, len(text), _LINE)]
    return "\n".join([_BEGIN, *lines, _END, ""]).encode()


def read_signers(text: str, where: str = "the list of signers") -> tuple[Signer, ...]:
    """Read a list of accepted signers, as ``ssh-keygen`` takes it.

    Keys of other types than Ed25519 and certificate authorities are passed over.

    Raises
    ------
    InputError
        A line is not of that form; it is named.

    Source: ssh-keygen(1), ALLOWED SIGNERS.
    """
    signers: list[Signer] = []
    for number, line in enumerate(text.splitlines(), 1):
        stripped = line.strip()
        if not stripped or stripped.startswith("#"):
            continue
        try:
            signer = _signer(stripped)
        except ValueError as error:
            raise InputError(
                f"the line is no accepted signer ({error})",
                where=f"{where}:{number}",
                accepted="NAME [options] ssh-ed25519 KEY",
            ) from error
        if signer is not None:
            signers.append(signer)
    return tuple(signers)


def _signer(line: str) -> Signer | None:
    principals, _, rest = line.partition(" ")
    options = ""
    if not _is_key_type(rest.split(" ", 1)[0]):
        options, rest = _options(rest.strip())
    parts = rest.split()
    if len(parts) < 2 or not _is_key_type(parts[0]):
        raise ValueError("there is no key")
    if parts[0] != _KEY_TYPE.decode():
        return None
    strings = _Strings(base64.b64decode(parts[1], validate=True))
    try:
        kind, key = strings.string(), strings.string()
    except InputError as error:
        raise ValueError("the key is cut short") from error
    if kind != _KEY_TYPE or len(key) != 32:
        raise ValueError("the key is not of its type")
    namespaces: tuple[str, ...] = ()
    after = before = None
    for option in _split_options(options):
        name, _, value = option.partition("=")
        match name.lower():
            case "cert-authority":
                return None
            case "namespaces":
                namespaces = tuple(value.split(","))
            case "valid-after":
                after = _time(value)
            case "valid-before":
                before = _time(value)
            case _:
                raise ValueError(f"the option {name!r} is not known")
    return Signer(
        principals=principals,
        public_key=key,
        namespaces=namespaces,
        valid_after=after,
        valid_before=before,
    )


def _is_key_type(word: str) -> bool:
    return word.startswith(("ssh-", "ecdsa-", "sk-", "rsa-"))


def _options(text: str) -> tuple[str, str]:
    """Divide options from what follows; a quoted value may hold blanks."""
    quoted = False
    for at, letter in enumerate(text):
        if letter == '"':
            quoted = not quoted
        elif letter == " " and not quoted:
            return text[:at], text[at:].strip()
    raise ValueError("there is no key")


def _split_options(text: str) -> Iterator[str]:
    lexer = shlex.shlex(text, posix=True)
    lexer.whitespace = ","
    lexer.whitespace_split = True
    lexer.commenters = ""
    yield from lexer


def _time(text: str) -> datetime:
    found = _TIME.fullmatch(text)
    if found is None:
        raise ValueError(f"{text!r} is no time")
    moment = datetime.strptime(f"{found[1]}{(found[2] or '0000'):0<6}", "%Y%m%d%H%M%S")  # noqa: DTZ007 - see below
    # Without a Z the time is that of this machine, as for ssh-keygen.
    return moment.replace(tzinfo=UTC) if found[4] else moment.astimezone()


def sign_bag(
    bag: Path, key: bytes, *, passphrase: Callable[[], str] | None = None
) -> tuple[SignatureCheck, ...]:
    """Sign every tag manifest of a bag; nothing else in it is touched.

    Parameters
    ----------
    bag : Path
        Just verified by the caller.
    key : bytes
        Content of an OpenSSH private key file.
    passphrase : callable, optional
        Asked if the key is protected.

    Raises
    ------
    InputError
        The key is no Ed25519 key of OpenSSH, or the passphrase is wrong.
    MisuseError
        The bag has no tag manifest, or is signed already.
    SurroundingsError
        The signature cannot be written.
    """
    private = _private_key(key, passphrase)
    names = sorted(
        entry.name
        for entry in files.entries(bag)
        if entry.is_file and is_signature_name(entry.name + SIGNATURE_SUFFIX)
    )
    if not names:
        raise MisuseError(
            "has no tag manifest, so there is nothing to sign",
            where=str(bag),
            accepted="a bag with tagmanifest-sha256.txt",
        )
    for name in names:
        if files.exists(bag / (name + SIGNATURE_SUFFIX)):
            raise MisuseError(
                "there is a signature already",
                where=str(bag / (name + SIGNATURE_SUFFIX)),
                remedy="Move it away first if it is to be replaced",
            )
    public_key = private.public_key().public_bytes_raw()
    made: list[SignatureCheck] = []
    for name in names:
        message = files.read_bytes(bag / name, limit=_LARGEST_MANIFEST_BYTES, follow=False)
        signature = Signature(
            public_key=public_key,
            namespace=NAMESPACE,
            hash_algorithm="sha512",
            value=private.sign(_signed_part(message, NAMESPACE, "sha512")),
        )
        files.write_whole(bag / (name + SIGNATURE_SUFFIX), encode_signature(signature))
        made.append(
            SignatureCheck(
                file=name + SIGNATURE_SUFFIX,
                verdict=SignatureVerdict.UNKNOWN,
                key=fingerprint(public_key),
            )
        )
    return tuple(made)


def _private_key(content: bytes, passphrase: Callable[[], str] | None) -> Ed25519PrivateKey:
    from cryptography.exceptions import UnsupportedAlgorithm  # noqa: PLC0415 - only to sign
    from cryptography.hazmat.primitives.asymmetric.ed25519 import (  # noqa: PLC0415
        Ed25519PrivateKey,
    )
    from cryptography.hazmat.primitives.serialization import load_ssh_private_key  # noqa: PLC0415

    accepted = "an Ed25519 private key of OpenSSH, made with: ssh-keygen -t ed25519"
    try:
        try:
            private = load_ssh_private_key(content, password=None)
        except TypeError:
            # It is protected, which the library says in this way.
            word = passphrase() if passphrase is not None else ""
            private = load_ssh_private_key(content, password=word.encode())
    except (ValueError, TypeError, UnsupportedAlgorithm) as error:
        raise InputError(
            f"the key cannot be read ({error})",
            where="--key",
            accepted=accepted,
            remedy="Check the file, and the passphrase if it has one",
        ) from error
    if not isinstance(private, Ed25519PrivateKey):
        raise InputError("the key is of another type", where="--key", accepted=accepted)
    return private


def check_signatures(
    bag: Path, names: Iterable[str], signers: Iterable[Signer] | None = None
) -> tuple[tuple[SignatureCheck, ...], tuple[Finding, ...]]:
    """Check the signatures of a bag.

    Parameters
    ----------
    bag : Path
    names : iterable of str
        Names in the bag's directory.
    signers : iterable of Signer, optional
        Who may have signed; without it every signer is unknown, which is then no finding.

    Returns
    -------
    checks : tuple of SignatureCheck
    findings : tuple of Finding
    """
    known = None if signers is None else tuple(signers)
    checks: list[SignatureCheck] = []
    findings: list[Finding] = []
    for name in sorted(name for name in names if is_signature_name(name)):
        where = Where(file=name)
        try:
            content = files.read_bytes(bag / name, limit=_LARGEST_BYTES, follow=False)
            signature = decode_signature(content)
            message = files.read_bytes(
                bag / name.removesuffix(SIGNATURE_SUFFIX),
                limit=_LARGEST_MANIFEST_BYTES,
                follow=False,
            )
        except ArchiverError as error:
            checks.append(SignatureCheck(file=name, verdict=SignatureVerdict.UNREADABLE))
            findings.append(SIGNATURE_UNREADABLE.at(where, error.found, accepted=error.accepted))
            continue
        check = _checked(name, signature, message, known)
        checks.append(check)
        if check.verdict is SignatureVerdict.BAD:
            findings.append(
                SIGNATURE_BAD.at(
                    where,
                    f"the signature of {check.key} is not one of "
                    f"{name.removesuffix(SIGNATURE_SUFFIX)} as it is now",
                )
            )
        elif check.verdict is SignatureVerdict.UNKNOWN and known is not None:
            findings.append(
                SIGNATURE_UNKNOWN.at(where, f"{check.key} is not among the accepted signers")
            )
    return tuple(checks), tuple(findings)


def _checked(
    name: str, signature: Signature, message: bytes, signers: tuple[Signer, ...] | None
) -> SignatureCheck:
    from cryptography.exceptions import InvalidSignature  # noqa: PLC0415 - only signed bags
    from cryptography.hazmat.primitives.asymmetric.ed25519 import (  # noqa: PLC0415
        Ed25519PublicKey,
    )

    key = fingerprint(signature.public_key)
    if signature.namespace != NAMESPACE:
        return SignatureCheck(file=name, verdict=SignatureVerdict.BAD, key=key)
    signed = _signed_part(message, signature.namespace, signature.hash_algorithm)
    try:
        Ed25519PublicKey.from_public_bytes(signature.public_key).verify(signature.value, signed)
    except (InvalidSignature, ValueError):
        return SignatureCheck(file=name, verdict=SignatureVerdict.BAD, key=key)
    now = datetime.now(UTC)
    for signer in signers or ():
        if signer.accepts(signature, now):
            return SignatureCheck(
                file=name, verdict=SignatureVerdict.KNOWN, signer=signer.principals, key=key
            )
    return SignatureCheck(file=name, verdict=SignatureVerdict.UNKNOWN, key=key)
