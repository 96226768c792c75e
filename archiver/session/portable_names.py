"""File names that every operating system can hold, and that stay apart there.

Windows: reserved device names, forbidden characters, no full stop or blank at the
end (Microsoft, "Naming Files, Paths, and Namespaces", from memory). macOS and
Windows do not tell capitals from small letters; macOS does not tell the composed
from the decomposed form of a letter (Unicode Standard Annex 15).
"""

from __future__ import annotations

import re
import unicodedata

__all__ = ["device_name", "same_elsewhere", "shown", "why_not_portable"]

_DEVICES = frozenset(
    ["con", "prn", "aux", "nul", "conin$", "conout$"]
    + [f"{port}{digit}" for port in ("com", "lpt") for digit in "0123456789¹²³"]
)
_FORBIDDEN = re.compile(r'[<>:"|?*\\\x00-\x1f\x7f]')
_LONGEST = 255


def why_not_portable(path: str) -> str | None:
    """Say why another operating system would refuse a path; None if none would.

    Parameters
    ----------
    path : str
        Relative, with ``/``.
    """
    for name in path.split("/"):
        reason = _why_not(name)
        if reason is not None:
            return reason
    return None


def _why_not(name: str) -> str | None:
    if any("\ud800" <= character <= "\udfff" for character in name):
        return "holds bytes that are not UTF-8"
    if forbidden := _FORBIDDEN.search(name):
        return f"holds {forbidden[0]!r}, which Windows does not allow in a name"
    if name[-1:] in (".", " "):
        ending = "full stop" if name.endswith(".") else "blank"
        return f"ends with a {ending}, which Windows drops"
    if (device := device_name(name)) is not None:
        return device
    if len(name.encode("utf-8")) > _LONGEST:
        return f"is longer than {_LONGEST} bytes"
    return None


def device_name(name: str) -> str | None:
    """Say that Windows takes a name for a device, with any ending; None if it does not."""
    stem = name.partition(".")[0].rstrip(" ")
    return f"is the device {stem.upper()} in Windows" if stem.lower() in _DEVICES else None


def same_elsewhere(path: str) -> str:
    """Return a key that is equal for paths which are one name on another system."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", path).casefold())


def shown(path: str) -> str:
    """Return a path as it can be printed, whatever bytes its name has."""
    return path.encode("utf-8", "backslashreplace").decode("utf-8")
