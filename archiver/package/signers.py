"""Who may have signed: the list of accepted signers, as ``ssh-keygen`` takes it.

Source: ssh-keygen(1), ALLOWED SIGNERS.
"""

from __future__ import annotations

import base64
import fnmatch
import re
import shlex
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime

from archiver.errors import InputError, MisuseError
from archiver.package.sshsig import KEY_TYPE, Signature, Strings

__all__ = ["Signer", "read_signers"]

_TIME = re.compile(r"(\d{8})(\d{4}(\d{2})?)?(Z?)")


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


def read_signers(text: str, where: str = "the list of signers") -> tuple[Signer, ...]:
    """Read a list of accepted signers, as ``ssh-keygen`` takes it.

    Keys of other types than Ed25519 and certificate authorities are passed over.

    Raises
    ------
    MisuseError
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
            raise MisuseError(
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
    if parts[0] != KEY_TYPE.decode():
        return None
    strings = Strings(base64.b64decode(parts[1], validate=True))
    try:
        kind, key = strings.string(), strings.string()
    except InputError as error:
        raise ValueError("the key is cut short") from error
    if kind != KEY_TYPE or len(key) != 32:
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
