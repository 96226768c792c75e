"""Stated against captured: where the sheet and the capture files disagree.

The sheet says what was meant, the file what came; neither is changed. A difference is
a finding, because in thirty years nobody can tell which of the two was right.
"""

from __future__ import annotations

from archiver.findings import Finding, Rule, Severity
from archiver.session.records import Session, Take
from archiver.signal.sampleformat import SampleFormat

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


def _plural(count: int, word: str) -> str:
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


def disagreements(
    session: Session, take: Take, samples: SampleFormat, *, container_only: bool = False
) -> tuple[Finding, ...]:
    """Compare one capture's format with its chain.

    Parameters
    ----------
    session, take
        What the sheet says.
    samples : SampleFormat
        What the file holds.
    container_only : bool
        The depth is that of a decoder, not of the recorder (lossy sound of a video), so
        that it says nothing.

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
            )
        )
    if not container_only and chain.bit_depth != samples.valid_bits:
        found.append(
            DEPTH_DIFFERS.at(
                where,
                f"{take.file} has {_plural(samples.valid_bits, 'bit')} a sample; chain "
                f"{chain.id} states {chain.bit_depth}",
                accepted=f"{chain.bit_depth} bits",
            )
        )
    meanings = session.channels_of(take)
    if len(meanings) != samples.channels:
        found.append(
            CHANNELS_DIFFER.at(
                where,
                f"{take.file} has {_plural(samples.channels, 'channel')}; the sheet gives "
                f"{_plural(len(meanings), 'meaning')}: {', '.join(meanings) or 'none'}",
                accepted=f"{_plural(samples.channels, 'meaning')}, in the order of the channels",
            )
        )
    return tuple(found)
