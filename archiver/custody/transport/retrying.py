"""Trying again after a cut: how often, how long to wait, and what ends the patience."""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

from archiver.errors import SurroundingsError

__all__ = ["CutError", "Persistence", "Retries"]

_Result = TypeVar("_Result")


class CutError(Exception):
    """The line was cut, or the far end said that it is busy; the same may work a little later.

    Parameters
    ----------
    reason : str
        What happened, without a full stop; nothing secret.
    """

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


def _silently(waiting: str) -> None:
    """Say nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Retries:
    """How long to go on after cuts.

    Parameters
    ----------
    attempts : int
        Tries in a row that may fail without a byte more having arrived.
    first_wait_s, longest_wait_s : float
        The longest wait after the first failure; it doubles with each, up to the second value.
    sleep : callable
        Waits that many seconds.
    chance : callable
        A number from 0 up to 1. The wait is that share of the longest, so that many senders
        whom one failure cut off do not all come back at the same moment.
    tell : callable
        Told in a sentence when a wait begins.
    """

    attempts: int = 8
    first_wait_s: float = 1.0
    longest_wait_s: float = 60.0
    sleep: Callable[[float], None] = time.sleep
    chance: Callable[[], float] = random.random
    tell: Callable[[str], None] = _silently

    def __post_init__(self) -> None:
        if self.attempts < 1:
            raise ValueError(f"attempts must be at least 1, not {self.attempts}")
        if not 0 <= self.first_wait_s <= self.longest_wait_s:
            raise ValueError("first_wait_s must not be negative, nor above longest_wait_s")

    def wait_s(self, failures: int) -> float:
        """Return how long to wait after that many failures in a row, in seconds."""
        # A large exponent would overflow long before it matters.
        longest = min(self.longest_wait_s, self.first_wait_s * 2.0 ** min(failures - 1, 32))
        return longest * self.chance()


class Persistence:
    """The patience of one job.

    Parameters
    ----------
    retries : Retries
        How long to go on.
    where : str
        The place, for messages.
    """

    def __init__(self, retries: Retries, where: str) -> None:
        self._retries = retries
        self.where = where
        self._failures = 0
        self.attempts = 1

    def progress(self) -> None:
        """Something arrived: the next failure is a first one again."""
        self._failures = 0

    def call(self, action: Callable[[], _Result]) -> _Result:
        """Do something until it works; it must be harmless to do it twice.

        Raises
        ------
        SurroundingsError
            The line was cut too often in a row.
        """
        while True:
            try:
                result = action()
            except CutError as cut:
                self._failures += 1
                if self._failures >= self._retries.attempts:
                    raise SurroundingsError(
                        f"was cut off, {self._failures} times in a row ({cut.reason})",
                        where=self.where,
                        remedy="Check the network and the far end, then run again:"
                        " what has arrived is kept and not sent again",
                    ) from cut
                self.attempts += 1
                wait_s = self._retries.wait_s(self._failures)
                self._retries.tell(
                    f"{self.where}: {cut.reason}; trying again in {wait_s:.1f} s"
                    f" ({self._failures} of {self._retries.attempts - 1})"
                )
                self._retries.sleep(wait_s)
            else:
                self.progress()
                return result
