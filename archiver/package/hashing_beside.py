"""Hash what is handed over in a thread beside the reading, one digest after the other."""

from __future__ import annotations

import hashlib
import queue
import threading
from types import TracebackType
from typing import Self

__all__ = ["HashingBeside"]

_WAITING_BLOCKS = 4
_WORTH_A_THREAD_BYTES = 1 << 20
"""Below this handing over takes longer than hashing."""


class HashingBeside:
    """Computes digests, of large contents in a thread of its own.

    Use as a context manager: on leaving, no thread is left. Blocks must not be changed after
    they were handed over.
    """

    def __init__(self) -> None:
        self._waiting: queue.Queue[bytes | memoryview | None] | None = None
        self._thread: threading.Thread | None = None
        self._hasher = hashlib.sha256(usedforsecurity=False)
        self._beside = False
        self._error: BaseException | None = None

    def __enter__(self) -> Self:
        """Begin; the thread is started when it is needed."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """End the thread."""
        if self._waiting is not None and self._thread is not None:
            self._waiting.put(None)
            self._thread.join()

    def begin(self, algorithm: str, expected_bytes: int | None) -> None:
        """Begin a digest.

        Parameters
        ----------
        algorithm : str
            As :mod:`hashlib` names it.
        expected_bytes : int, optional
            How much will come, if it is known.
        """
        self._hasher = hashlib.new(algorithm, usedforsecurity=False)
        self._beside = expected_bytes is None or expected_bytes >= _WORTH_A_THREAD_BYTES
        if self._beside and self._waiting is None:
            self._waiting = queue.Queue(_WAITING_BLOCKS)
            self._thread = threading.Thread(target=self._run, name="hash", daemon=True)
            self._thread.start()

    def update(self, block: bytes | memoryview) -> None:
        """Take a block in; waits while too many are waiting."""
        if self._beside and self._waiting is not None:
            self._waiting.put(block)
        else:
            self._hasher.update(block)

    def digest(self) -> str:
        """Return the digest of all blocks, in lower-case hexadecimal."""
        if self._beside and self._waiting is not None:
            self._waiting.join()
        if self._error is not None:
            raise self._error
        return self._hasher.hexdigest()

    def _run(self) -> None:
        assert self._waiting is not None  # noqa: S101 - for the type checker
        while (block := self._waiting.get()) is not None:
            # After a failure blocks are only taken, so that nobody waits for ever.
            try:
                if self._error is None:
                    self._hasher.update(block)
            except BaseException as error:  # noqa: BLE001 - raised again by whoever asks
                self._error = error
            self._waiting.task_done()
