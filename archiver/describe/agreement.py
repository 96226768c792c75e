"""Stated against captured: where the sheet and the capture files disagree.

The sheet says what was meant, the file what came; neither is changed. A difference is
a finding, because in thirty years nobody can tell which of the two was right.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from archiver.findings import Finding, Rule, Severity
from archiver.session.records import Session, Take
from archiver.signal.sampleformat import SampleFormat
from archiver.telling import count, listed
from archiver.wave.coding import SoundCoding

__all__ = ["all_disagreements", "disagreements"]

RATE_DIFFERS = Rule(
    code="capture-rate-differs",
    severity=Severity.ERROR,
    reason="A wrong sample rate turns into a wrong speed and pitch for every later listener.",
    remedy="Correct sample_rate in the chain, or hand in the file that the recorder wrote.",
)
DEPTH_DIFFERS = Rule(
    code="capture-depth-differs",
    severity=Severity.WARNING,
    reason="Another depth than the recorder was set to means that a program came in between.",
    remedy="Correct bit_depth in the chain, or hand in the file that the recorder wrote.",
)
CHANNELS_DIFFER = Rule(
    code="capture-channels-differ",
    severity=Severity.ERROR,
    reason="Nobody can tell later what a channel without a meaning, or the missing one, held.",
    remedy="Give channels in the chain, or in the take where it differs, one meaning a channel.",
)


_SOUND_FILES = ("WAVE", "FLAC", "AIFF")
_OWN_CHAIN = (
    "If a camera or telephone made this file beside the recorder, give the take a chain of its "
    "own with that device as recorder, and the {value} of the file"
)
_NO_DEPTH = "; bit_depth is that of its converter, and is not compared with lossy sound"


def _remedy(rule: Rule, value: str, coding: SoundCoding | None) -> str:
    """Return what to do; a file of another device is no wrong setting of the recorder."""
    if coding is None or coding.container in _SOUND_FILES:
        return rule.remedy
    own = _OWN_CHAIN.format(value=value) + ("" if coding.is_exact else _NO_DEPTH)
    return f"{own}. Else: {rule.remedy[0].lower()}{rule.remedy[1:]}"


@dataclass(frozen=True, slots=True)
class _Difference:
    """One way in which a capture differs; ``field`` is that of the chain."""

    rule: Rule
    field: str
    holds: str
    states: str
    accepted: str


def all_disagreements(
    session: Session, captured: Iterable[tuple[Take, SampleFormat, SoundCoding | None]]
) -> tuple[Finding, ...]:
    """Compare the formats of all captures with their chains; takes that differ alike are told once.

    Parameters
    ----------
    session : Session
    captured : iterable of (Take, SampleFormat, SoundCoding or None)
        As for :func:`disagreements`, in the order of the sheet.
    """
    alike: dict[tuple[_Difference, str, str], list[Take]] = {}
    of_chain: dict[str, int] = {}
    for take, samples, coding in captured:
        chain = session.chain_of(take)
        if chain is None:
            continue
        of_chain[chain.id] = of_chain.get(chain.id, 0) + 1
        for one in _differences(session, take, samples, coding):
            remedy = _remedy(one.rule, one.field, coding)
            alike.setdefault((one, remedy, chain.id), []).append(take)
    found: list[Finding] = []
    for (one, remedy, chain_id), takes in alike.items():
        chain = session.chain_of(takes[0])
        where = session.locate(f"{takes[0].at}.file")
        files = list(dict.fromkeys(take.file for take in takes))
        subject = files[0]
        if len(takes) > 1:
            subject = f"{subject} (takes {listed([take.id for take in takes])})"
        if len(files) > 1:
            subject = f"each of the takes {listed([take.id for take in takes])}"
        if len(takes) == of_chain[chain_id] > 1 and chain is not None:
            # What is wrong in all of them is more likely wrong in the chain.
            where = session.locate(f"{chain.at}.{one.field}")
        found.append(
            one.rule.at(
                where, f"{subject} {one.holds}; {one.states}", accepted=one.accepted, remedy=remedy
            )
        )
    return tuple(found)


def disagreements(
    session: Session, take: Take, samples: SampleFormat, *, coding: SoundCoding | None = None
) -> tuple[Finding, ...]:
    """Compare one capture's format with its chain.

    Parameters
    ----------
    session, take
        What the sheet says.
    samples : SampleFormat
        What the file holds.
    coding : SoundCoding, optional
        Of the sound in the file. The depth of lossy sound is that of a decoder, not of the
        recorder, so that it says nothing.

    Returns
    -------
    tuple of Finding
        Empty when they agree or when the chain is unknown.
    """
    return all_disagreements(session, [(take, samples, coding)])


def _differences(
    session: Session, take: Take, samples: SampleFormat, coding: SoundCoding | None
) -> Iterator[_Difference]:
    chain = session.chain_of(take)
    if chain is None:
        return
    stated_hz = chain.sample_rate.value
    if round(stated_hz) != samples.sample_rate_hz:
        yield _Difference(
            RATE_DIFFERS,
            "sample_rate",
            f"was captured at {samples.sample_rate_hz} Hz",
            f"chain {chain.id} states {chain.sample_rate.text}",
            f"{stated_hz:g} Hz",
        )
    if (coding is None or coding.is_exact) and chain.bit_depth != samples.valid_bits:
        yield _Difference(
            DEPTH_DIFFERS,
            "bit_depth",
            f"has {count(samples.valid_bits, 'bit')} a sample",
            f"chain {chain.id} states {chain.bit_depth}",
            f"{chain.bit_depth} bits",
        )
    meanings = session.channels_of(take)
    if len(meanings) != samples.channels:
        yield _Difference(
            CHANNELS_DIFFER,
            "channels",
            f"has {count(samples.channels, 'channel')}",
            f"the sheet gives {count(len(meanings), 'meaning')}: {', '.join(meanings) or 'none'}",
            f"{count(samples.channels, 'meaning')}, in the order of the channels",
        )
