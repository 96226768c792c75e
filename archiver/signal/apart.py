"""Measuring a take in a process of its own.

What measures is one long chain of small numerical steps. Beside it, in the same
interpreter, the digests and the writing would wait for each other's turn, and the
numerical libraries would have to be loaded before anything else can begin. A process
of its own does without both: it loads while the sheet is read, and measures while the
first process digests and writes. The bytes go to it through memory that both share,
where the system offers that, else through a pipe, and the measurements come back; it
opens no file. The figures are those of :class:`archiver.signal.take.TakeMeter`, which
it runs.

What is sent: a size in eight bytes, signed, little-endian, and that many bytes. A size
below 0 means that the bytes lie in the next slot of the shared memory; each such piece
is answered by one byte when the slot is free again.
"""

from __future__ import annotations

import contextlib
import mmap
import os
import pickle
import subprocess
import sys
from collections.abc import Iterator, Sequence
from types import TracebackType
from typing import IO, TYPE_CHECKING, Any, Self

from archiver.errors import DefectError, SurroundingsError
from archiver.signal.sampleformat import Bytes, SampleFormat

if TYPE_CHECKING:
    from archiver.signal.stream import Consumer
    from archiver.signal.take import TakeMeasurements

__all__ = ["ApartMeter", "MeterProcess", "serve"]

# The path is handed over, so that the same modules are found however this process was begun.
_START = (
    "import sys; sys.path[:] = sys.argv[2:]; "
    "from archiver.signal.apart import main; main(int(sys.argv[1]))"
)
_SIZE_BYTES = 8
_SECONDS_TO_END = 5.0
_SLOTS = 4
_SLOT_BYTES = 2 << 20
_FREE = b"+"
_NO_MEMORY = -1


class MeterProcess:
    """A process that measures one take after another.

    Parameters
    ----------
    command : sequence of str, optional
        How to start it; by default this interpreter with this package.
    share : bool
        Whether to share memory with it, where the system can.

    Raises
    ------
    OSError
        No process can be started here; measure in this one instead.
    """

    def __init__(self, command: Sequence[str] | None = None, *, share: bool = True) -> None:
        if not sys.executable or getattr(sys, "frozen", False):
            raise OSError("there is no interpreter to start")
        handle, self._slots = _shared_memory() if share else (_NO_MEMORY, None)
        try:
            self._process = subprocess.Popen(  # noqa: S603 - our own interpreter
                command or [sys.executable, "-c", _START, str(handle), *sys.path],
                bufsize=0,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                **_options(handle),
            )
        finally:
            if handle != _NO_MEMORY:
                os.close(handle)
        if self._process.stdin is None or self._process.stdout is None:  # pragma: no cover
            raise DefectError("a process was started without pipes")
        self._to: IO[bytes] = self._process.stdin
        self._from: IO[bytes] = self._process.stdout
        self._sent = 0
        self._freed = 0

    def meter(self, fmt: SampleFormat, meanings: Sequence[str]) -> ApartMeter:
        """Return the meter of the next take; it must be read out before another is asked for.

        Parameters
        ----------
        fmt : SampleFormat
            Format of the samples.
        meanings : sequence of str
            What each channel carries, for the weights of the loudness; no weights are
            applied where they are not one a channel.
        """
        self.send(pickle.dumps((fmt, tuple(meanings))))
        return ApartMeter(self)

    def send(self, piece: Bytes) -> None:
        """Send one piece; an empty one ends a take.

        Raises
        ------
        SurroundingsError
            The process has ended.
        """
        try:
            _write(self._to, _size(len(piece)))
            _write(self._to, piece)
        except OSError as error:
            raise self._ended() from error

    def pass_on(self, samples: Bytes) -> None:
        """Pass sample bytes on, as many as there are.

        Raises
        ------
        SurroundingsError
            The process has ended.
        """
        if self._slots is None:
            if len(samples):
                self.send(samples)
            return
        view = memoryview(samples).cast("B")
        for at in range(0, len(view), _SLOT_BYTES):
            part = view[at : at + _SLOT_BYTES]
            while self._sent - self._freed >= _SLOTS:
                self._await_free()
            place = self._sent % _SLOTS * _SLOT_BYTES
            self._slots[place : place + len(part)] = part
            try:
                _write(self._to, _size(-len(part)))
            except OSError as error:
                raise self._ended() from error
            self._sent += 1

    def _await_free(self) -> None:
        free = self._from.read(self._sent - self._freed)
        if not free:
            raise self._ended()
        self._freed += len(free)

    def receive(self) -> Any:
        """Return what the process answers.

        Raises
        ------
        SurroundingsError
            The process has ended.
        """
        while self._freed < self._sent:
            self._await_free()
        answer = _read(self._from)
        if answer is None:
            raise self._ended()
        return pickle.loads(answer)  # noqa: S301 - from our own process, through our own pipe

    def _ended(self) -> SurroundingsError:
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(_SECONDS_TO_END)
        return SurroundingsError(
            f"the process that measures has ended (status {self._process.returncode})",
            remedy="Make sure that there is memory enough and that nothing ends processes of "
            "this program, then run again",
        )

    def close(self) -> None:
        """End the process; one that does not end by itself is killed."""
        with contextlib.suppress(OSError):
            self._to.close()
        try:
            self._process.wait(_SECONDS_TO_END)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._from.close()
        if self._slots is not None:
            self._slots.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if error is not None:
            self._process.kill()
        self.close()


class ApartMeter:
    """Meters one take in the other process, as a :class:`~archiver.signal.take.TakeMeter` does."""

    def __init__(self, process: MeterProcess) -> None:
        self._process = process

    def consumers(self) -> tuple[Consumer, ...]:
        """Return the consumer; it needs all the bytes, in order."""
        return (self._process.pass_on,)

    def result(self) -> TakeMeasurements:
        """Return the measurements; call it once, after the last byte.

        Raises
        ------
        InputError
            The format cannot be measured.
        SurroundingsError
            The process has ended.
        """
        self._process.send(b"")
        answer = self._process.receive()
        if isinstance(answer, BaseException):
            raise answer
        measured: TakeMeasurements = answer
        return measured


def _options(handle: int) -> dict[str, Any]:
    # In a group of its own: Ctrl-C is for the first process, which then ends the other.
    if sys.platform == "win32":
        return {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP}
    return {"process_group": 0, "pass_fds": () if handle == _NO_MEMORY else (handle,)}


def _shared_memory() -> tuple[int, mmap.mmap | None]:
    """Return memory without a name, and the handle for another process; Linux alone has it."""
    if sys.platform != "linux":
        return _NO_MEMORY, None
    try:
        handle = os.memfd_create("samples")
    except (AttributeError, OSError):
        return _NO_MEMORY, None
    try:
        os.ftruncate(handle, _SLOTS * _SLOT_BYTES)
        return handle, mmap.mmap(handle, _SLOTS * _SLOT_BYTES)
    except OSError:
        os.close(handle)
        return _NO_MEMORY, None


def _size(count: int) -> bytes:
    return count.to_bytes(_SIZE_BYTES, "little", signed=True)


def _write(pipe: IO[bytes], piece: Bytes) -> None:
    view = memoryview(piece).cast("B")
    while len(view):
        view = view[pipe.write(view) :]


def _read(pipe: IO[bytes]) -> bytearray | None:
    """Return the next piece; None when the other side has gone."""
    head = _exactly(pipe, _SIZE_BYTES)
    if head is None:
        return None
    return _exactly(pipe, int.from_bytes(head, "little", signed=True))


def _exactly(pipe: IO[bytes], size: int) -> bytearray | None:
    piece = bytearray(size)
    left = memoryview(piece)
    while left:
        count = pipe.readinto(left)  # type: ignore[attr-defined] # the pipes are unbuffered
        if not count:
            return None
        left = left[count:]
    return piece


class _Gone(Exception):  # noqa: N818 - no error: the first process has nothing more to ask
    pass


class _Incoming:
    """The pieces that come in, each to be used before the next is asked for."""

    def __init__(self, source: IO[bytes], sink: IO[bytes], slots: mmap.mmap | None) -> None:
        self._source = source
        self._sink = sink
        self._slots = None if slots is None else memoryview(slots)
        self._slot = 0

    def pieces(self) -> Iterator[Bytes]:
        """Yield the sample bytes of one take."""
        while True:
            head = _exactly(self._source, _SIZE_BYTES)
            if head is None:
                raise _Gone
            size = int.from_bytes(head, "little", signed=True)
            if size < 0 and self._slots is not None:
                place = self._slot * _SLOT_BYTES
                self._slot = (self._slot + 1) % _SLOTS
                yield self._slots[place : place - size]
                _write(self._sink, _FREE)
                continue
            piece = _exactly(self._source, size)
            if piece is None:
                raise _Gone
            if not piece:
                return
            yield piece


def serve(source: IO[bytes], sink: IO[bytes], slots: mmap.mmap | None = None) -> None:
    """Measure takes as they come through ``source`` and answer through ``sink``, to its end.

    Each take is a pickled pair of format and meanings of the channels, pieces of sample
    bytes, and an empty piece; the answer is the pickled measurements, or an exception.
    """
    from archiver.signal.loudness import channel_weights  # noqa: PLC0415 - slow to load
    from archiver.signal.stream import run_pass  # noqa: PLC0415 - slow to load
    from archiver.signal.take import TakeMeter  # noqa: PLC0415 - slow to load

    incoming = _Incoming(source, sink, slots)
    while (request := _read(source)) is not None:
        pieces = incoming.pieces()
        answer: object
        try:
            fmt, meanings = pickle.loads(request)  # noqa: S301 - from our own process
            weights = channel_weights(meanings) if len(meanings) == fmt.channels else None
            meter = TakeMeter(fmt, weights)
            consumers = meter.consumers()
            if len(consumers) == 1:
                for piece in pieces:
                    consumers[0](piece)
            else:
                # Threads keep a piece for longer than a slot is theirs.
                run_pass((bytes(piece) for piece in pieces), consumers)
            answer = meter.result()
        except _Gone:
            return
        except Exception as error:  # noqa: BLE001 - raised again where it can be told
            answer = error
            try:
                for _ in pieces:
                    pass
            except _Gone:
                return
        content = _pickled(answer)
        _write(sink, _size(len(content)))
        _write(sink, content)


def _pickled(answer: object) -> bytes:
    try:
        return pickle.dumps(answer)
    except Exception as error:  # noqa: BLE001 - an exception of a library may hold anything
        return pickle.dumps(DefectError(f"{answer!r} cannot be handed over: {error}"))


def _mapped(handle: int) -> mmap.mmap | None:
    return None if handle == _NO_MEMORY else mmap.mmap(handle, _SLOTS * _SLOT_BYTES)


def main(handle: int) -> None:
    """Serve the process that started this one; ``handle`` is that of the shared memory, or -1."""
    source: Any = getattr(sys.stdin.buffer, "raw", sys.stdin.buffer)
    sink: Any = getattr(sys.stdout.buffer, "raw", sys.stdout.buffer)
    with contextlib.suppress(OSError):  # the other side has gone
        serve(source, sink, _mapped(handle))
    # Nothing is open or unwritten: taking the libraries down in order would only cost time.
    os._exit(0)
