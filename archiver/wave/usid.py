"""Unique source identifier in ``OriginatorReference``.

Source: EBU R 99-1999 (re-issued 2011): 32 characters, so that no NUL ends them.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from archiver.errors import InputError

__all__ = ["Usid", "format_usid", "parse"]

_PATTERN = re.compile(
    r"(?P<country>[A-Z]{2})(?P<organisation>.{3})(?P<recorder>.{12})"
    r"(?P<time>(?:[01][0-9]|2[0-3])[0-5][0-9][0-5][0-9])(?P<random>[0-9]{9})"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Usid:
    """The five parts of the identifier.

    Parameters
    ----------
    country : str
        ISO 3166-1 alpha-2.
    organisation : str
        Three characters, EBU facility code.
    recorder : str
        Twelve characters, from model and serial number.
    time : str
        ``HHMMSS``, the digits of ``OriginationTime``.
    random : str
        Nine digits made locally.

    Raises
    ------
    ValueError
        The parts do not make 32 ASCII characters of this form.
    """

    country: str
    organisation: str
    recorder: str
    time: str
    random: str

    def __post_init__(self) -> None:
        """Refuse parts that do not fit."""
        text = self.country + self.organisation + self.recorder + self.time + self.random
        match = _PATTERN.fullmatch(text)
        if match is None or not (text.isascii() and text.isprintable()):
            raise ValueError(f"{text!r} is not a unique source identifier of EBU R 99")
        if match.groupdict() != {name: getattr(self, name) for name in match.groupdict()}:
            raise ValueError(f"{text!r}: the parts have not 2, 3, 12, 6 and 9 characters")


def parse(text: str) -> Usid:
    """Read an identifier.

    Raises
    ------
    InputError
        It does not have the form of R 99.
    """
    match = _PATTERN.fullmatch(text)
    if match is None or not (text.isascii() and text.isprintable()):
        raise InputError(
            f"{text!r} is not a unique source identifier",
            where="chunk bext, OriginatorReference",
            accepted="32 characters: country 2, organisation 3, recorder 12, HHMMSS, 9 digits "
            "(EBU R 99)",
            remedy="Use the institution's own identifier instead, and say so in its profile",
        )
    return Usid(**match.groupdict())


def format_usid(usid: Usid) -> str:
    """Write an identifier: exactly 32 characters."""
    return usid.country + usid.organisation + usid.recorder + usid.time + usid.random
