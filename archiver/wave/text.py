"""Text in chunks: which character set it is in, and how to bring it into ASCII and a width.

``bext`` takes ASCII (EBU Tech 3285 v2, clause 2.3); real files hold UTF-8 or
ISO 8859-1 too. Letters without a base letter in Unicode follow the recommended
transliterations of ICAO Doc 9303 part 3, section 6 (from memory); other marks are
dropped by Unicode compatibility decomposition (Unicode Standard Annex 15).
"""

# ruff: noqa: RUF001, RUF002 - a table of look-alikes has look-alikes in it

from __future__ import annotations

import enum
import re
import unicodedata
from dataclasses import dataclass

__all__ = [
    "Charset",
    "FittedText",
    "charset_of",
    "cut_at_word",
    "decode_text",
    "fit_ascii",
    "transliterate",
]


class Charset(enum.StrEnum):
    """Character set of a stored text, by its registered name."""

    ASCII = "US-ASCII"
    UTF_8 = "UTF-8"
    LATIN_1 = "ISO-8859-1"


def charset_of(raw: bytes) -> Charset:
    """Say which set reads these bytes: ASCII, else UTF-8, else ISO 8859-1."""
    if raw.isascii():
        return Charset.ASCII
    try:
        raw.decode("utf-8")
    except UnicodeDecodeError:
        return Charset.LATIN_1
    return Charset.UTF_8


def decode_text(raw: bytes) -> tuple[str, Charset]:
    """Read bytes as text; no byte sequence is refused, and encoding gives the same bytes back.

    Returns
    -------
    text : str
    charset : Charset
        The set that was used.
    """
    charset = charset_of(raw)
    return raw.decode(charset), charset


_LETTERS = {
    "Æ": "AE", "æ": "ae", "Ø": "OE", "ø": "oe", "Å": "AA", "å": "aa", "Ä": "AE", "ä": "ae",
    "Ö": "OE", "ö": "oe", "Ü": "UE", "ü": "ue", "ß": "ss", "ẞ": "SS", "Þ": "TH", "þ": "th",
    "Ð": "D", "ð": "d", "Đ": "D", "đ": "d", "Œ": "OE", "œ": "oe", "Ł": "L", "ł": "l",
    "ı": "i", "Ħ": "H", "ħ": "h", "Ŋ": "N", "ŋ": "n", "Ŧ": "T", "ŧ": "t", "ĸ": "q",
}  # fmt: skip
_MARKS = {
    "‘": "'", "’": "'", "‚": "'", "‛": "'", "“": '"', "”": '"', "„": '"', "‟": '"',
    "«": '"', "»": '"', "‹": "'", "›": "'", "′": "'", "″": '"', "‐": "-", "‑": "-",
    "‒": "-", "–": "-", "—": "-", "―": "-", "−": "-", "⁄": "/", "×": "x", "÷": "/",
    "·": ".", "•": "*", "°": " deg", "±": "+/-", "§": "section ", "€": "EUR", "£": "GBP",
    "©": "(c)", "®": "(R)", "≈": "~", "≤": "<=", "≥": ">=", "¿": "?", "¡": "!", "∅": "diam. ",
    "⌀": "diam. ", "µ": "u", "μ": "u", "Ω": " ohm", "♯": "#", "♭": "b",
}  # fmt: skip
_TABLE = str.maketrans({**_LETTERS, **_MARKS})
# Without a blank, three and a half would become thirty-one halves.
_BEFORE_FRACTION = re.compile(r"(?<=[0-9])(?=[¼-¾⅐-⅞])")


def transliterate(text: str) -> str:
    """Bring text into printable ASCII.

    Line ends stay; other control characters become blanks; what has no ASCII
    form becomes ``?``.

    Examples
    --------
    >>> transliterate("Café “Blåbær” — 2 × 3½ in")
    'Cafe "Blaabaer" - 2 x 3 1/2 in'
    """
    # NFC first: a letter and its mark typed as two characters must meet the table as one.
    spread = _BEFORE_FRACTION.sub(" ", unicodedata.normalize("NFC", text)).translate(_TABLE)
    spread = unicodedata.normalize("NFKD", spread).translate(_TABLE)
    kept: list[str] = []
    for character in spread:
        if unicodedata.combining(character) or unicodedata.category(character) == "Cf":
            continue
        if character in "\r\n" or " " <= character <= "~":
            kept.append(character)
        elif character.isspace() or unicodedata.category(character) == "Cc":
            kept.append(" ")
        else:
            kept.append("?")
    return "".join(kept)


def cut_at_word(text: str, width: int) -> str:
    """Shorten text to ``width`` characters at the end of a word, if one ends in the last half.

    Examples
    --------
    >>> cut_at_word("wax cylinder office machine", 16)
    'wax cylinder'
    >>> cut_at_word("LHM-2026-04-18-0001-A", 8)
    'LHM-2026'
    """
    if len(text) <= width:
        return text
    if text[width].isspace():
        return text[:width].rstrip()
    head = text[:width]
    end = max((at for at, character in enumerate(head) if character.isspace()), default=-1)
    if end < width // 2:
        return head.rstrip()
    return head[:end].rstrip(" \t\r\n,;:-")


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedText:
    """A text brought into an ASCII field, and what that changed."""

    text: str
    original: str
    transliterated: bool
    cut: bool


def fit_ascii(text: str, width: int) -> FittedText:
    """Bring text into ASCII and into a width, in this order.

    Parameters
    ----------
    text : str
        Any text.
    width : int
        Bytes of the field, such as 256 for ``Description``.
    """
    ascii_text = transliterate(text)
    fitted = cut_at_word(ascii_text, width)
    return FittedText(
        text=fitted,
        original=text,
        transliterated=ascii_text != text,
        cut=fitted != ascii_text,
    )
