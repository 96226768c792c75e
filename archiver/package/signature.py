"""Signatures over the tag manifests of a bag: making and checking them.

The signature lies in the bag as ``tagmanifest-<algorithm>.txt.sig``. The tag manifest states
every tag file and manifest, and these the payload, so that one signature answers for all.

Their form is that of OpenSSH (see :mod:`archiver.package.sshsig`), so that a stock
``ssh-keygen -Y verify`` checks them.
"""

from __future__ import annotations

import enum
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from archiver import files
from archiver.errors import ArchiverError, MisuseError
from archiver.findings import Finding, Where
from archiver.package.rules import (
    SIGNATURE_BAD,
    SIGNATURE_NOT_ACCEPTED,
    SIGNATURE_UNKNOWN,
    SIGNATURE_UNREADABLE,
)

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    from archiver.package.signers import Signer
    from archiver.package.sshsig import Signature

__all__ = [
    "NAMESPACE",
    "SIGNATURE_SUFFIX",
    "SignatureCheck",
    "SignatureVerdict",
    "check_signatures",
    "is_signature_name",
    "sign_bag",
]

NAMESPACE = "bagit"
"""What ``ssh-keygen -Y verify -n`` has to be told: a signature for another purpose is none."""
SIGNATURE_SUFFIX = ".sig"

_LARGEST_BYTES = 1 << 16
_MOST_TOLD = 5
_LARGEST_MANIFEST_BYTES = 1 << 30
_NAME = re.compile(r"tagmanifest-[A-Za-z0-9]+\.txt\.sig")

_PUBLIC_KEYS = (b"ssh-", b"ecdsa-", b"sk-")


class SignatureVerdict(enum.StrEnum):
    """What checking a signature gave."""

    KNOWN = "good, signer known"
    UNKNOWN = "good, signer unknown"
    """By none of the accepted signers."""
    UNJUDGED = "good, no signers named"
    """By the key that is told; nobody said whose signature is accepted."""
    BAD = "bad"
    UNREADABLE = "unreadable"


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
        match self.verdict:
            case SignatureVerdict.KNOWN:
                return f"signed by {self.signer} ({self.key})"
            case SignatureVerdict.UNKNOWN:
                return f"good signature, but its key is of no accepted signer ({self.key})"
            case SignatureVerdict.UNJUDGED:
                return f"good signature of the key {self.key}; no accepted signers were named"
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
    MisuseError
        The key is no Ed25519 key of OpenSSH, the passphrase is wrong, the bag has no tag manifest,
        or it is signed already.
    SurroundingsError
        The signature cannot be written.
    """
    from archiver.package import sshsig  # noqa: PLC0415 - few bags are signed

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
        signature = sshsig.Signature(
            public_key=public_key,
            namespace=NAMESPACE,
            hash_algorithm="sha512",
            value=private.sign(sshsig.signed_part(message, NAMESPACE, "sha512")),
        )
        files.write_whole(bag / (name + SIGNATURE_SUFFIX), sshsig.encode_signature(signature))
        made.append(
            SignatureCheck(
                file=name + SIGNATURE_SUFFIX,
                verdict=SignatureVerdict.UNJUDGED,
                key=sshsig.fingerprint(public_key),
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
    if content.lstrip().startswith(_PUBLIC_KEYS):
        raise MisuseError(
            "the file holds a public key, and a private one signs",
            where="--key",
            accepted=accepted,
            remedy="Name the file beside it that has the same name without .pub",
        )
    try:
        try:
            private = load_ssh_private_key(content, password=None)
        except TypeError:
            # It is protected, which the library says in this way.
            word = passphrase() if passphrase is not None else ""
            private = load_ssh_private_key(content, password=word.encode())
    except (ValueError, TypeError, UnsupportedAlgorithm) as error:
        raise MisuseError(
            f"the key cannot be read ({error})",
            where="--key",
            accepted=accepted,
            remedy="Check the file, and the passphrase if it has one",
        ) from error
    if not isinstance(private, Ed25519PrivateKey):
        raise MisuseError("the key is of another type", where="--key", accepted=accepted)
    return private


def check_signatures(
    bag: Path,
    names: Iterable[str],
    signers: Iterable[Signer] | None = None,
    *,
    asked: bool = False,
    tag_manifests: Sequence[str] = (),
) -> tuple[tuple[SignatureCheck, ...], tuple[Finding, ...]]:
    """Check the signatures of a bag.

    Parameters
    ----------
    bag : Path
    names : iterable of str
        Names in the bag's directory.
    signers : iterable of Signer, optional
        Who may have signed; without it a good signature is told with its key, and no more.
    asked : bool
        Whether a bag without a good signature of one of them is not as it should be.
    tag_manifests : sequence of str
        Names of what could be signed, to say where a signature is missing.

    Returns
    -------
    checks : tuple of SignatureCheck
    findings : tuple of Finding
    """
    signed = sorted(name for name in names if is_signature_name(name))
    known = None if signers is None else tuple(signers)
    if not signed:
        return (), _not_accepted((), known or (), tag_manifests) if asked else ()
    from archiver.package import sshsig  # noqa: PLC0415 - few bags are signed

    checks: list[SignatureCheck] = []
    findings: list[Finding] = []
    for name in signed:
        where = Where(file=name)
        try:
            content = files.read_bytes(bag / name, limit=_LARGEST_BYTES, follow=False)
            signature = sshsig.decode_signature(content)
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
    accepted = any(check.verdict is SignatureVerdict.KNOWN for check in checks)
    if asked and not accepted:
        findings += _not_accepted(checks, known or (), tag_manifests)
    else:
        findings += [
            SIGNATURE_UNKNOWN.at(
                Where(file=check.file), f"{check.key} is not among the accepted signers"
            )
            for check in checks
            if check.verdict is SignatureVerdict.UNKNOWN
        ]
    return tuple(checks), tuple(findings)


def _not_accepted(
    checks: Sequence[SignatureCheck], signers: Sequence[Signer], tag_manifests: Sequence[str]
) -> tuple[Finding, ...]:
    """Say what there is in place of the signature that was asked for."""
    names = [check.file for check in checks] or [
        name + SIGNATURE_SUFFIX for name in tag_manifests[:1]
    ]
    strangers = [check.key for check in checks if check.verdict is SignatureVerdict.UNKNOWN]
    found = "the bag is not signed"
    if strangers:
        found = f"the bag is signed, but with the key {', '.join(dict.fromkeys(strangers))}"
    elif checks:
        found = "the bag has no good signature"
    who = ", ".join(dict.fromkeys(signer.principals for signer in signers[:_MOST_TOLD]))
    more = " and others" if len(signers) > _MOST_TOLD else ""
    where = Where(file=names[0] if names else "tagmanifest-sha256.txt" + SIGNATURE_SUFFIX)
    return (
        SIGNATURE_NOT_ACCEPTED.at(
            where, found, accepted=f"a signature of an accepted signer: {who or 'nobody'}{more}"
        ),
    )


def _checked(
    name: str, signature: Signature, message: bytes, signers: tuple[Signer, ...] | None
) -> SignatureCheck:
    from datetime import UTC, datetime  # noqa: PLC0415 - only signed bags

    from cryptography.exceptions import InvalidSignature  # noqa: PLC0415
    from cryptography.hazmat.primitives.asymmetric.ed25519 import (  # noqa: PLC0415
        Ed25519PublicKey,
    )

    from archiver.package.sshsig import fingerprint, signed_part  # noqa: PLC0415

    key = fingerprint(signature.public_key)
    if signature.namespace != NAMESPACE:
        return SignatureCheck(file=name, verdict=SignatureVerdict.BAD, key=key)
    signed = signed_part(message, signature.namespace, signature.hash_algorithm)
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
    verdict = SignatureVerdict.UNJUDGED if signers is None else SignatureVerdict.UNKNOWN
    return SignatureCheck(file=name, verdict=verdict, key=key)
