"""The moments between which a session was held: what cannot be, and what is unlikely."""

from __future__ import annotations

from datetime import timedelta

from archiver.findings import Rule
from archiver.session import rules
from archiver.session.timestamp import UNREAD, Timestamp

__all__ = ["doubts"]

# From memory: the first experimental PCM recorders are of the end of the 1960s.
_FIRST_YEAR = 1970
_LONG = timedelta(days=7)


def doubts(start: Timestamp, end: Timestamp | None) -> tuple[tuple[Rule, str, str, str], ...]:
    """Say what is wrong or unlikely in the moments between which a session was held.

    Parameters
    ----------
    start : Timestamp
    end : Timestamp or None
        None if it is not stated.

    Returns
    -------
    tuple of (Rule, str, str, str)
        The rule, the field (``start`` or ``end``), what was found, and what is accepted.
    """
    if start is UNREAD:
        return ()
    found: list[tuple[Rule, str, str, str]] = []
    if start.moment.year < _FIRST_YEAR:
        found.append(
            (
                rules.SESSION_BEFORE_DIGITAL,
                "start",
                f"the session starts at {start.text}",
                f"a moment in {_FIRST_YEAR} or later",
            )
        )
    if end is None or end is UNREAD:
        return tuple(found)
    lasted = end.moment - start.moment
    if lasted < timedelta(0):
        found.append(
            (
                rules.SESSION_ENDS_EARLY,
                "end",
                f"the session ends at {end.text}, before its start at {start.text}",
                "an end after the start",
            )
        )
    elif lasted > _LONG and not found:
        # Of a start in a wrong century the length is no news.
        found.append(
            (
                rules.SESSION_VERY_LONG,
                "end",
                f"the session lasts {lasted.days} days, from {start.text} to {end.text}",
                f"at most {_LONG.days} days",
            )
        )
    return tuple(found)
