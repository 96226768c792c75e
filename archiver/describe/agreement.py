"""Stated against captured: where the sheet and the capture files disagree.

The sheet says what was meant, the file what came; neither is changed. A difference is
a finding, because in thirty years nobody can tell which of the two was right.
"""

from __future__ import annotations

from datetime import timedelta

from archiver.findings import Finding, Rule, Severity
from archiver.session.records import Session, Take
from archiver.signal.sampleformat import SampleFormat

__all__ = ["disagreements", "overlaps"]

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
TAKE_OVERLAPS = Rule(
    code="take-overlaps",
    severity=Severity.WARNING,
    reason="One chain cannot capture two takes at once: a start time or a file is wrong.",
    remedy="Check the start times of both takes and that each names its own file.",
)
TAKE_OUTLASTS_SESSION = Rule(
    code="take-outlasts-session",
    severity=Severity.WARNING,
    reason="A take that goes on after the end of the session has a wrong time or a wrong file.",
    remedy="Check the start of the take and the end of the session.",
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


def overlaps(session: Session, durations_s: dict[str, float]) -> tuple[Finding, ...]:
    """Compare starts and lengths of takes of one chain with each other and the session.

    Parameters
    ----------
    session : Session
        What the sheet says.
    durations_s : dict of str to float
        Length of each take's capture in seconds, by take id.
    """
    found: list[Finding] = []
    timed = sorted(
        (take for take in session.takes if take.start is not None and take.id in durations_s),
        key=lambda take: take.start.moment if take.start else session.start.moment,
    )
    last: dict[str, Take] = {}
    for take in timed:
        assert take.start is not None  # noqa: S101 - filtered above, for the type checker
        end = take.start.moment + timedelta(seconds=durations_s[take.id])
        if session.end is not None and end > session.end.moment:
            found.append(
                TAKE_OUTLASTS_SESSION.at(
                    session.locate(f"{take.at}.start"),
                    f"take {take.id} starts {take.start.text} and lasts "
                    f"{durations_s[take.id]:.1f} s; the session ends {session.end.text}",
                )
            )
        key = take.chain or ""
        before = last.get(key)
        if before is not None and before.start is not None:
            gap = (take.start.moment - before.start.moment).total_seconds()
            # Starts are written to the second at best.
            if gap + 1 < durations_s[before.id]:
                found.append(
                    TAKE_OVERLAPS.at(
                        session.locate(f"{take.at}.start"),
                        f"take {take.id} starts {gap:.0f} s after take {before.id}, which "
                        f"lasts {durations_s[before.id]:.1f} s",
                    )
                )
        last[key] = take
    return tuple(found)
