"""Paths in a bag: how they are written in manifests, which are dangerous, which travel badly.

Sources: RFC 8493 sections 2.1.3 (percent-encoding), 5.1 (paths that leave the bag), 6.1
(case, normalisation and the names that Windows refuses). Stricter rules for the names
that this program makes are the house's own.
"""

# ruff: noqa: RUF001 - letters of other alphabets are what the table of transliterations is for

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence

from archiver.findings import Finding, Where
from archiver.package.rules import NAME_CHANGED

__all__ = [
    "collisions",
    "danger",
    "decode_path",
    "encode_path",
    "folded",
    "has_stray_percent",
    "name_finding",
    "normalised",
    "obstacles",
    "safe_name",
    "safe_names",
    "shown",
    "travel_well",
]

_MUST_ENCODE = re.compile(r"[\n\r%]")
_ENCODED = re.compile(r"%(?:0[AaDd]|25)")
_STRAY = re.compile(r"%(?!0[AaDd]|25)")
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\u200e\u200f\u202a-\u202e\u2066-\u2069]")
_DRIVE = re.compile(r"[A-Za-z]:")
_VARIABLE = re.compile(r"%[^%/]+%")
_REFUSED_ON_WINDOWS = re.compile(r'[<>:"\\|?*\x00-\x1f]')
_RESERVED_ON_WINDOWS = re.compile(
    r"(?:con|prn|aux|nul|com[0-9\u00b9\u00b2\u00b3]|lpt[0-9\u00b9\u00b2\u00b3])(?:\.|$)",
    re.IGNORECASE,
)
_LONGEST_COMPONENT = 255
# Nearly all paths are of this kind, and need no closer look than for reserved names.
_PORTABLE = re.compile(
    r"(?:[A-Za-z0-9_.-]{0,200}[A-Za-z0-9_-]/)*[A-Za-z0-9_.-]{0,200}[A-Za-z0-9_-]"
)
_HARMLESS = re.compile(r"[A-Za-z0-9_./\n-]*")
# What reserved names begin with; most names that begin so are harmless, but not many do.
_SUSPICIOUS = ("con", "prn", "aux", "nul", "com", "lpt")
_RESERVED_COMPONENT = re.compile(
    r"(?:^|/)(?:con|prn|aux|nul|com[0-9]|lpt[0-9])(?:[./]|$)", re.IGNORECASE
)


def encode_path(path: str) -> str:
    """Write a path for a manifest line: LF, CR and ``%`` are encoded, and only these.

    Source: RFC 8493 section 2.1.3.
    """
    return _MUST_ENCODE.sub(lambda found: f"%{ord(found[0]):02X}", path)


def decode_path(text: str) -> str:
    """Read a path from a manifest line, in one pass from left to right.

    ``%250A`` gives the characters ``%0A``. Other percent signs stay as they are.

    Source: RFC 8493 section 2.1.3.
    """
    return _ENCODED.sub(lambda found: chr(int(found[0][1:], 16)), text)


def has_stray_percent(text: str) -> bool:
    """Say whether a ``%`` stands that RFC 8493 section 2.1.3 does not allow there."""
    return _STRAY.search(text) is not None


def shown(text: str) -> str:
    """Make a name fit to be shown: characters that steer a terminal or hide are escaped."""
    if text.isascii() and text.isprintable():
        return text
    return _CONTROL.sub(
        lambda found: (
            f"\\x{ord(found[0]):02x}" if ord(found[0]) < 256 else f"\\u{ord(found[0]):04x}"
        ),
        text.encode("utf-8", "backslashreplace").decode("utf-8"),
    )


def normalised(path: str) -> str:
    """Bring a name to Unicode form NFC, the form in which names are compared.

    Source: RFC 8493 section 6.1.1.
    """
    return path if path.isascii() else unicodedata.normalize("NFC", path)


def folded(path: str) -> str:
    """Bring a name to the form that a file system without case and with one form holds."""
    if path.isascii():
        return path.lower()
    return unicodedata.normalize("NFC", unicodedata.normalize("NFD", path).casefold())


def danger(path: str) -> str:
    """Say why a path must not be opened, or return an empty string.

    Judged without touching a disk, and alike on every system.

    Source: RFC 8493 section 5.1; the list is the house's own.
    """
    if not path:
        return "it is empty"
    if "\0" in path:
        return "it holds a NUL character"
    if path.startswith(("/", "\\")):
        return "it is absolute"
    if _DRIVE.match(path):
        return "it names a drive"
    if path.startswith("~"):
        return "it begins with a tilde, which stands for a home directory"
    if _VARIABLE.match(path):
        return "it begins with the name of a variable"
    if ".." in path and ".." in re.split(r"[/\\]", path):
        return "it climbs out of its directory with '..'"
    return ""


def obstacles(path: str) -> tuple[str, ...]:
    """List why another system would refuse a path, or change it.

    Returns
    -------
    tuple of str
        Reasons, each naming the component; empty when the path travels well.

    Source: RFC 8493 section 6.1.2; trailing blank and full stop are common practice.
    """
    if _PORTABLE.fullmatch(path) and not _RESERVED_COMPONENT.search(path):
        return ()
    reasons: list[str] = []
    for component in path.split("/"):
        name = shown(component)
        if found := _REFUSED_ON_WINDOWS.search(component):
            reasons.append(f"Windows refuses the character {shown(found[0])!r} in {name!r}")
        if _RESERVED_ON_WINDOWS.match(component):
            reasons.append(f"Windows reserves the name {name!r}")
        if component.endswith((" ", ".")):
            reasons.append(f"Windows drops the last character of {name!r}")
        if len(component.encode("utf-8", "surrogatepass")) > _LONGEST_COMPONENT:
            reasons.append(f"{name[:40]!r}... is longer than {_LONGEST_COMPONENT} bytes")
        if any(0xD800 <= ord(letter) <= 0xDFFF for letter in component):
            reasons.append(f"{name!r} is not Unicode text")
    return tuple(reasons)


def travel_well(paths: Sequence[str]) -> bool:
    """Say of many paths in one look that all are harmless: no obstacle and no collision.

    A bag of ten thousand files is looked through in a thousandth of the time that it takes
    path by path. A no only says that a closer look is needed.
    """
    text = "\n".join(paths)
    if not _HARMLESS.fullmatch(text) or text.count("\n") != max(0, len(paths) - 1):
        return False
    if max(map(len, paths), default=0) > _LONGEST_COMPONENT:
        return False
    text = f"\n{text}\n".lower()
    if any(f"{before}{word}" in text for word in _SUSPICIOUS for before in "/\n"):
        return False
    if any(f".{after}" in text for after in "/\n"):
        return False
    return len(set(text.split("\n"))) == len(paths) + 1


def collisions(paths: Iterable[str]) -> tuple[tuple[str, ...], ...]:
    """Group the paths that are one name where case or Unicode form is not kept apart.

    Source: RFC 8493 section 6.1.
    """
    groups: dict[str, list[str]] = {}
    for path in paths:
        groups.setdefault(folded(path), []).append(path)
    return tuple(tuple(sorted(group)) for group in groups.values() if len(set(group)) > 1)


# Letters that Unicode does not take apart into a base letter and a mark, and two
# alphabets; every letter not covered becomes its code point, so that nothing is lost.
_LETTERS = {
    "æ": "ae", "œ": "oe", "ø": "o", "ß": "ss", "đ": "d", "ð": "d", "þ": "th", "ł": "l",
    "ħ": "h", "ı": "i", "ŋ": "ng", "ĸ": "k", "ŧ": "t", "&": "and", "€": "eur", "£": "gbp",
    "α": "a", "β": "v", "γ": "g", "δ": "d", "ε": "e", "ζ": "z", "η": "i", "θ": "th", "ι": "i",
    "κ": "k", "λ": "l", "μ": "m", "ν": "n", "ξ": "x", "ο": "o", "π": "p", "ρ": "r", "σ": "s",
    "ς": "s", "τ": "t", "υ": "y", "φ": "f", "χ": "ch", "ψ": "ps", "ω": "o",
    "а": "a", "б": "b", "в": "v", "г": "g", "д": "d", "е": "e", "ж": "zh", "з": "z", "и": "i",
    "к": "k", "л": "l", "м": "m", "н": "n", "о": "o", "п": "p", "р": "r", "с": "s", "т": "t",
    "у": "u", "ф": "f", "х": "kh", "ц": "ts", "ч": "ch", "ш": "sh", "щ": "shch", "ъ": "",
    "ы": "y", "ь": "", "э": "e", "ю": "yu", "я": "ya", "і": "i", "є": "ye", "ґ": "g", "ђ": "d",
    "ј": "j", "љ": "lj", "њ": "nj", "ћ": "c", "џ": "dz",
}  # fmt: skip
_KEPT = re.compile(r"[a-z0-9._]")
_LONGEST_SAFE = 100
_LONGEST_SUFFIX = 12


def _letters(text: str) -> str:
    parts: list[str] = []
    for letter in unicodedata.normalize("NFKD", unicodedata.normalize("NFKC", text).casefold()):
        if _KEPT.match(letter):
            parts.append(letter)
        elif letter in _LETTERS:
            parts.append(_LETTERS[letter])
        elif unicodedata.category(letter).startswith("M"):
            continue
        elif unicodedata.category(letter).startswith(("L", "N")):
            parts.append(f"u{ord(letter):04x}")
        else:
            parts.append("-")
    return "".join(parts)


def safe_name(text: str) -> str:
    """Make a file name that every system takes: ``[a-z0-9][a-z0-9._-]*``.

    Letters are transliterated, anything else becomes a hyphen; the extension is kept
    when the name is cut at 100 characters. The result of a safe name is that name.

    Parameters
    ----------
    text : str
        One component, not a path.
    """
    name = re.sub(r"-+", "-", _letters(text))
    name = re.sub(r"-*\.[-.]*", ".", name).strip("-.").lstrip("_-.")
    if not name:
        name = "unnamed"
    if _RESERVED_ON_WINDOWS.match(name):
        name = f"x-{name}"
    if len(name) > _LONGEST_SAFE:
        stem, dot, suffix = name.rpartition(".")
        if not dot or len(suffix) > _LONGEST_SUFFIX:
            stem, dot, suffix = name, "", ""
        name = stem[: _LONGEST_SAFE - len(dot + suffix)].rstrip("-._") + dot + suffix
    return name


def safe_names(texts: Sequence[str]) -> tuple[str, ...]:
    """Make safe names that are all different, in the order given.

    A name that is already taken gets ``-2``, ``-3`` and so on before its extension.
    """
    taken: set[str] = set()
    names: list[str] = []
    for text in texts:
        name = first = safe_name(text)
        stem, dot, suffix = first.rpartition(".")
        if not dot:
            stem, suffix = first, ""
        count = 1
        while name in taken:
            count += 1
            mark = f"-{count}"
            room = _LONGEST_SAFE - len(mark + dot + suffix)
            name = stem[:room].rstrip("-._") + mark + dot + suffix
        taken.add(name)
        names.append(name)
    return tuple(names)


def name_finding(original: str, name: str, *, where: Where) -> Finding | None:
    """Tell that a file is kept under another name; None if it is the same."""
    if original == name:
        return None
    return NAME_CHANGED.at(where, f"the file {shown(original)!r} is named {name!r} in the bag")
