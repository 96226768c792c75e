"""Where a place is: a path of this machine, or a URL that carries nothing secret."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from urllib.parse import quote, unquote, urlsplit
from urllib.request import url2pathname

from archiver.errors import MisuseError

__all__ = ["Address", "Kind", "address_of", "refuse_password"]


class Kind(StrEnum):
    """By which protocol a place is reached."""

    LOCAL = "folder"
    SFTP = "sftp"
    S3 = "s3"
    WEBDAV = "webdav"


_KINDS = {
    "sftp": Kind.SFTP,
    "ssh": Kind.SFTP,
    "s3": Kind.S3,
    "webdav": Kind.WEBDAV,
    "webdavs": Kind.WEBDAV,
}
_ACCEPTED = (
    "a folder that is there, sftp://user@host/folder, s3://bucket/folder, or"
    " webdavs://user@host/folder"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Address:
    """Where a place is.

    Parameters
    ----------
    kind : Kind
        By which protocol it is reached.
    shown : str
        As it may be shown and recorded, without a slash at the end.
    path : str
        Below the host or bucket, decoded, without slashes around it except the one that an
        absolute path of SFTP begins with; the whole path if it is local.
    host : str
        Host; of S3 the bucket; empty if it is local.
    port : int, optional
        Where it is not the usual one.
    user : str
        Whose account; empty if the URL does not say.
    secure : bool
        Whether others on the way cannot read along.
    """

    kind: Kind
    shown: str
    path: str
    host: str = ""
    port: int | None = None
    user: str = ""
    secure: bool = True

    def of(self, folder: str, name: str) -> str:
        """Return where a name below the place lies, as it may be shown."""
        parts = [part for part in (*folder.split("/"), name) if part]
        if self.kind is Kind.LOCAL:
            return str(Path(self.shown, *parts))
        return "/".join((self.shown, *map(quote, parts)))


def refuse_password(url: str) -> None:
    """Refuse a URL that carries a password, or may do so, and do not repeat it.

    Raises
    ------
    MisuseError
        It does.
    """
    scheme, _, rest = url.partition("://")
    authority = re.split("[/?#]", rest, maxsplit=1)[0]
    account, at, host = authority.rpartition("@")
    if at and ":" in unquote(account):
        raise MisuseError(
            "carries a password, and a URL ends up in logs, histories and records",
            where=f"{scheme}://…@{host}",
            accepted="the URL without the password",
            remedy="Change that password where it may have been seen, and give the new one"
            " through the environment, the keyring or, for SFTP, an ssh key; see 'Places and"
            " credentials' in the README",
        )
    # A password with a slash in it looks like this, so it is not repeated either.
    after = host.rpartition("]")[2] if host.startswith("[") else host
    port = after.partition(":")[2]
    if port and not port.isdecimal():
        raise MisuseError(
            "is not a URL that can be read: what follows the colon is no port",
            where=f"{scheme}://…",
            accepted=_ACCEPTED,
        )


def address_of(location: str | Path) -> Address:
    """Read a path or URL.

    Raises
    ------
    MisuseError
        It carries a password, or is of a kind that is not known here. The message does not
        repeat what may be secret.
    """
    text = str(location)
    if not text.strip():
        raise MisuseError("names no place", where=repr(text), accepted=_ACCEPTED)
    scheme, separator, _ = text.partition("://")
    if isinstance(location, Path) or not separator:
        return Address(kind=Kind.LOCAL, shown=text, path=text)
    scheme = scheme.lower()
    refuse_password(text)
    try:
        parts = urlsplit(text)
        port, host = parts.port, parts.hostname or ""
    except ValueError as error:
        raise MisuseError(
            "is not a URL that can be read",
            where=f"{scheme}://…",
            accepted=_ACCEPTED,
        ) from error
    bare = f"{scheme}://{'…@' if '@' in parts.netloc else ''}{host}"
    if parts.query or parts.fragment:
        raise MisuseError(
            "has a part after ? or #, where keys and signatures are put",
            where=bare,
            accepted="the URL without it; %3F and %23 for these characters in a name",
        )
    if scheme == "file":
        if parts.netloc.lower() not in {"", "localhost"}:
            raise MisuseError(
                "is a file URL of another machine",
                where=bare,
                accepted="file:///folder, or the path under which that folder is mounted here",
            )
        path = url2pathname(parts.path)
        if not path:
            raise MisuseError("names no folder", where=bare, accepted="file:///folder")
        return Address(kind=Kind.LOCAL, shown=path, path=path)
    kind = _KINDS.get(scheme)
    if kind is None:
        raise MisuseError(
            "is a URL of a kind to which nothing can be sent", where=bare, accepted=_ACCEPTED
        )
    user = unquote(parts.username or "")
    if not host or (kind is Kind.S3 and (user or port)):
        raise MisuseError(
            "names no bucket alone" if kind is Kind.S3 else "names no host",
            where=bare,
            accepted=_ACCEPTED,
        )
    try:
        # As whatever looks the name up will do: labels that are empty or too long have no form.
        host.encode("idna")
    except UnicodeError as error:
        raise MisuseError("names a host that cannot be", where=bare, accepted=_ACCEPTED) from error
    path = unquote(parts.path)
    if any(part in {".", ".."} for part in path.split("/")):
        raise MisuseError("goes through . or ..", where=bare, accepted="a path without them")
    return Address(
        kind=kind,
        shown=text.rstrip("/"),
        path=path.rstrip("/") if kind is Kind.SFTP else path.strip("/"),
        # A bucket's name is taken as it was written; urlsplit makes a host lower case.
        host=parts.netloc if kind is Kind.S3 else host,
        port=port,
        user=user,
        secure=scheme != "webdav",
    )
