"""The single pass: one reading of the samples that serves hashing, copying and metering.

Each consumer runs in a thread of its own behind a short queue; hashing and the
array operations of the meters release the interpreter lock, so they run side by
side. Memory is bounded by the depth of the queues.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING, Protocol, TypeAlias, TypeVar

from archiver.signal.sampleformat import Bytes

if TYPE_CHECKING:  # numpy takes a while to load, and hashing alone does not need it
    from archiver.signal.samples import Block

__all__ = ["Consumer", "Meter", "run_pass"]

ResultT_co = TypeVar("ResultT_co", covariant=True)

Consumer: TypeAlias = Callable[[Bytes], object]

QUEUE_BLOCKS = 3
"""Blocks that may wait for a slow consumer before reading pauses."""


class Meter(Protocol[ResultT_co]):
    """Measures a stream; the same samples in any blocks give the same result."""

    def feed(self, block: Block) -> None:
        """Take the next frames in; blocks arrive in order and without a gap."""

    def result(self) -> ResultT_co:
        """Return the measurement of all that was fed; called once, at the end."""


class _Lane:
    """One consumer in its own thread."""

    def __init__(self, consumer: Consumer, failed: threading.Event) -> None:
        self._consumer = consumer
        self._failed = failed
        self._waiting: queue.Queue[Bytes | None] = queue.Queue(QUEUE_BLOCKS)
        self.error: BaseException | None = None
        self._thread = threading.Thread(target=self._run, name="pass", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while (block := self._waiting.get()) is not None:
            # After a failure anywhere, blocks are only drained, so that the reader
            # never waits for a queue that nobody empties.
            if self._failed.is_set():
                continue
            try:
                self._consumer(block)
            except BaseException as error:  # noqa: BLE001 - raised again by the reader
                self.error = error
                self._failed.set()

    def put(self, block: Bytes) -> None:
        self._waiting.put(block)

    def finish(self) -> None:
        self._waiting.put(None)
        self._thread.join()


def run_pass(
    blocks: Iterable[Bytes],
    consumers: Sequence[Consumer],
    on_bytes: Callable[[int], object] | None = None,
) -> int:
    """Hand every block to every consumer, in order.

    Parameters
    ----------
    blocks : iterable of bytes-like
        Each block must stay unchanged after it was handed over: ``bytes``, or a
        view of a buffer that is not used again.
    consumers : sequence of callable
        Each is called with one block at a time, in a thread of its own.
    on_bytes : callable, optional
        Called in the caller's thread with the length of each block, for progress.

    Returns
    -------
    int
        Bytes handed over.

    Raises
    ------
    BaseException
        Whatever the blocks or a consumer raise, after all threads have ended; of
        several failing consumers, that of the first in the sequence.
    """
    failed = threading.Event()
    lanes = [_Lane(consumer, failed) for consumer in consumers]
    total = 0
    try:
        for block in blocks:
            if failed.is_set():
                break
            for lane in lanes:
                lane.put(block)
            size = len(block)
            total += size
            if on_bytes is not None:
                on_bytes(size)
    except BaseException:
        failed.set()
        raise
    finally:
        for lane in lanes:
            lane.finish()
    for lane in lanes:
        if lane.error is not None:
            raise lane.error
    return total
