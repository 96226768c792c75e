"""What was left open shows in the test that left it open, and not in one that comes later."""

from __future__ import annotations

import gc
from collections.abc import Iterator

import pytest


@pytest.fixture(autouse=True)
def _what_is_left_open_shows_here() -> Iterator[None]:
    """Collect what a test has just made; a warning of the collector is an error of this test."""
    yield
    # Of the young only: to look through all that was ever loaded takes as long as many a test.
    gc.collect(1)


@pytest.fixture(autouse=True, scope="module")
def _what_is_left_open_shows_in_this_module() -> Iterator[None]:
    """Collect everything, since what a long test made may have grown old in it."""
    yield
    gc.collect()
