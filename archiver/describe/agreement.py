"""Stated against captured: where the sheet and the capture files disagree.

The sheet says what was meant, the file what came; neither is changed. A difference is
a finding, because in thirty years nobody can tell which of the two was right.
"""

from __future__ import annotations

from archiver.findings import Finding, Rule, Severity
from archiver.session.records import Session, Take
from archiver.signal.sampleformat import SampleFormat
from archiver.telling import count
from archiver.wave.coding import SoundCoding

__all__ = ["disagreements"]

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
    chain = session.chain_of(take)
    if chain is None:
        return ()
    where = session.locate(f"{take.at}.file")
    found: list[Finding] = []
    stated_hz = chain.sample_rate.value
    if round(stated_hz) != samples.sample_rate_hz:
        found.append(
            RATE_DIFFERS.at(
                where,
                f"{take.file} was captured at {samples.sample_rate_hz} Hz; chain {chain.id} "
                f"states {chain.sample_rate.text}",
                accepted=f"{stated_hz:g} Hz",
                remedy=_remedy(RATE_DIFFERS, "sample_rate", coding),
            )
        )
    if (coding is None or coding.is_exact) and chain.bit_depth != samples.valid_bits:
        found.append(
            DEPTH_DIFFERS.at(
                where,
                f"{take.file} has {count(samples.valid_bits, 'bit')} a sample; chain "
                f"{chain.id} states {chain.bit_depth}",
                accepted=f"{chain.bit_depth} bits",
                remedy=_remedy(DEPTH_DIFFERS, "bit_depth", coding),
            )
        )
    meanings = session.channels_of(take)
    if len(meanings) != samples.channels:
        found.append(
            CHANNELS_DIFFER.at(
                where,
                f"{take.file} has {count(samples.channels, 'channel')}; the sheet gives "
                f"{count(len(meanings), 'meaning')}: {', '.join(meanings) or 'none'}",
                accepted=f"{count(samples.channels, 'meaning')}, in the order of the channels",
                remedy=_remedy(CHANNELS_DIFFER, "channels", coding),
            )
        )
    return tuple(found)
