"""How often something is tried again, and how long is waited."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver.custody.transport.retrying import CutError, Persistence, Retries
from archiver.errors import MisuseError, SurroundingsError


class Unlucky:
    """Fails a number of times."""

    def __init__(self, failures: int) -> None:
        self.left = failures

    def __call__(self) -> str:
        if self.left:
            self.left -= 1
            raise CutError("the line was cut")
        return "done"


def test_waits_double_up_to_the_longest() -> None:
    waits: list[float] = []
    retries = Retries(
        attempts=8, first_wait_s=1, longest_wait_s=10, sleep=waits.append, chance=lambda: 1.0
    )
    persistence = Persistence(retries, "sftp://example.org/in")
    assert persistence.call(Unlucky(6)) == "done"
    assert waits == [1, 2, 4, 8, 10, 10]
    assert persistence.attempts == 7


@given(st.integers(1, 10_000), st.floats(0, 1, exclude_max=True))
def test_chance_only_shortens_a_wait(failures: int, chance: float) -> None:
    retries = Retries(first_wait_s=0.5, longest_wait_s=60, chance=lambda: chance)
    assert 0 <= retries.wait_s(failures) <= min(60, 0.5 * 2 ** min(failures - 1, 40))


def test_patience_ends_and_says_after_what() -> None:
    waits: list[float] = []
    persistence = Persistence(Retries(attempts=3, sleep=waits.append), "sftp://example.org/in")
    with pytest.raises(SurroundingsError, match=r"3 times in a row \(the line was cut\)"):
        persistence.call(Unlucky(3))
    assert len(waits) == 2


def test_progress_makes_the_next_failure_a_first_one() -> None:
    persistence = Persistence(Retries(attempts=2, sleep=lambda _: None), "x")
    for _ in range(20):
        assert persistence.call(Unlucky(1)) == "done"
    assert persistence.attempts == 21


def test_what_will_not_work_later_is_not_tried_again() -> None:
    calls: list[int] = []

    def refused() -> None:
        calls.append(1)
        raise MisuseError("is taken")

    with pytest.raises(MisuseError):
        Persistence(Retries(sleep=lambda _: None), "x").call(refused)
    assert len(calls) == 1


def test_a_wait_is_told() -> None:
    told: list[str] = []
    retries = Retries(attempts=3, sleep=lambda _: None, tell=told.append, chance=lambda: 0.5)
    Persistence(retries, "sftp://example.org/in").call(Unlucky(1))
    assert told == [
        "sftp://example.org/in: the line was cut; trying again in 0.5 s (1 of 2)",
    ]


@pytest.mark.parametrize(
    "wrong", [{"attempts": 0}, {"first_wait_s": -1.0}, {"first_wait_s": 9.0, "longest_wait_s": 8.0}]
)
def test_no_patience_that_cannot_be_had(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="must"):
        Retries(**wrong)  # type: ignore[arg-type]
