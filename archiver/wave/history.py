r"""``CodingHistory``: one line for each coding step of the sound.

Source: EBU R 98-1999. A line is ``A=...,F=...,B=...,W=...,M=...,T=...`` ended by
CR LF, of those parameters that apply. Lines are added, never rewritten. Readers meet
trailing commas, unknown keys, LF alone, a missing last line end, NUL or blanks at the
end; all of that is read, and what deviates is said.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

__all__ = ["CodingStep", "HistoryLine", "append", "format_step", "parse"]

_END = "\r\n"
_MOST_LINES = 2000
_MOST_PARTS = 64
_LINE = re.compile(r"([^\r\n]*)(\r\n|\r|\n|\Z)")
_ORDER = "AFBWMT"
_ALGORITHMS = (
    "ANALOGUE", "PCM", "MPEG1L1", "MPEG1L2", "MPEG1L3", "MPEG2L1", "MPEG2L2", "MPEG2L3",
)  # fmt: skip
_MODES = ("mono", "stereo", "dual-mono", "joint-stereo")


@dataclass(frozen=True, slots=True, kw_only=True)
class CodingStep:
    """One step: coding algorithm and what goes with it.

    Parameters
    ----------
    algorithm : str
        ``A``: ``ANALOGUE``, ``PCM``, ``MPEG1L1`` and so on.
    sampling_frequency_hz : int, optional
        ``F``. The rates above 48000 are not in the list of 1999, but are true.
    bit_rate_kbit_s : int, optional
        ``B``: per channel, MPEG only.
    word_length_bits : int, optional
        ``W``.
    mode : str
        ``M``: ``mono``, ``stereo``, ``dual-mono``, ``joint-stereo``; empty for more
        than two channels, which have no word.
    text : str
        ``T``: ASCII without a comma, parts divided by ``;``.
    other : tuple of (str, str)
        Unknown keys with their values.
    """

    algorithm: str = ""
    sampling_frequency_hz: int | None = None
    bit_rate_kbit_s: int | None = None
    word_length_bits: int | None = None
    mode: str = ""
    text: str = ""
    other: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryLine:
    """A line as it stands, what it says, and how it deviates from R 98."""

    raw: str
    step: CodingStep
    deviations: tuple[str, ...] = ()


def _number(key: str, value: str, deviations: list[str]) -> int | None:
    if value.isascii() and value.isdigit() and len(value) <= 9:
        return int(value)
    deviations.append(f"{key}={value[:40]} is not a number")
    return None


def _parse_line(raw: str, ending: str) -> HistoryLine:
    deviations: list[str] = []
    if ending != _END:
        named = {"\n": "LF alone", "\r": "CR alone", "": "no line end"}[ending]
        deviations.append(f"{named} instead of CR LF")
    found: dict[str, str] = {}
    other: list[tuple[str, str]] = []
    parts = raw.strip(" \t").split(",", _MOST_PARTS)
    if len(parts) > 1 and not parts[-1].strip():
        deviations.append("comma at the end")
        parts.pop()
    if raw != raw.strip(" \t"):
        deviations.append("blanks around the line")
    for part in parts:
        key, equals, value = part.strip().partition("=")
        if not equals:
            if "T" in found:
                # The free text may hold no comma, but people write one.
                found["T"] += "," + part
                deviations.append("comma inside T")
            else:
                other.append(("", part))
                deviations.append(f"{part.strip()[:40]!r} has no key")
        elif key in _ORDER and len(key) == 1 and key not in found:
            found[key] = value
        else:
            other.append((key, value))
            deviations.append(f"key {key[:40]} is {'repeated' if key in found else 'unknown'}")
    keys = [key for key in found if key in _ORDER]
    if keys != sorted(keys, key=_ORDER.index):
        deviations.append("keys are not in the order A F B W M T")
    algorithm = found.get("A", "")
    if algorithm not in _ALGORITHMS:
        deviations.append(f"A={algorithm[:40]} is not in the list" if algorithm else "A is missing")
    mode = found.get("M", "")
    if mode and mode not in _MODES:
        deviations.append(f"M={mode[:40]} is not in the list")
    numbers = {key: _number(key, found[key], deviations) for key in "FBW" if key in found}
    other += [(key, found[key]) for key, number in numbers.items() if number is None]
    return HistoryLine(
        raw=raw,
        step=CodingStep(
            algorithm=algorithm,
            sampling_frequency_hz=numbers.get("F"),
            bit_rate_kbit_s=numbers.get("B"),
            word_length_bits=numbers.get("W"),
            mode=mode,
            text=found.get("T", ""),
            other=tuple(other),
        ),
        deviations=tuple(deviations),
    )


def parse(history: str) -> tuple[HistoryLine, ...]:
    """Read a coding history; every text is read, and deviations are told by line.

    Of a hostile text, the first 2000 lines with 64 parts each are told apart.
    """
    lines: list[HistoryLine] = []
    for match in _LINE.finditer(history.rstrip("\0 ")):
        raw, ending = match.groups()
        if len(lines) == _MOST_LINES:
            break
        if raw.strip():
            lines.append(_parse_line(raw, ending))
    return tuple(lines)


def format_step(step: CodingStep) -> str:
    r"""Write a line, CR LF included.

    Raises
    ------
    ValueError
        A value holds a comma or a line end, or is not ASCII.

    Examples
    --------
    >>> format_step(CodingStep(algorithm="PCM", sampling_frequency_hz=96000,
    ...                        word_length_bits=24, mode="mono", text="A/D"))
    'A=PCM,F=96000,W=24,M=mono,T=A/D\r\n'
    """
    pairs = [
        ("A", step.algorithm),
        ("F", "" if step.sampling_frequency_hz is None else str(step.sampling_frequency_hz)),
        ("B", "" if step.bit_rate_kbit_s is None else str(step.bit_rate_kbit_s)),
        ("W", "" if step.word_length_bits is None else str(step.word_length_bits)),
        ("M", step.mode),
        ("T", step.text),
        *step.other,
    ]
    for key, value in pairs:
        if not value.isascii() or any(character in value for character in ",\r\n\0"):
            raise ValueError(f"{key}={value!r}: ASCII without comma, line end and NUL is accepted")
    return ",".join(f"{key}={value}" for key, value in pairs if value) + _END


def append(history: str, steps: str) -> tuple[str, bool]:
    """Add lines to a history.

    Parameters
    ----------
    history : str
        What stands there; blanks and NULs at its end go.
    steps : str
        Lines to add, each ended by CR LF.

    Returns
    -------
    history : str
    ended : bool
        Whether the last old line had to be given its line end.
    """
    if not steps:
        return history, False
    kept = history.rstrip("\0 ")
    if not kept:
        return steps, False
    if kept.endswith(_END):
        return kept + steps, False
    return kept.rstrip("\r\n") + _END + steps, True
