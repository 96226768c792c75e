"""The room as others see it: its names, its rules, and what it loads."""

from __future__ import annotations

import io
import subprocess
import sys
from pathlib import Path
from typing import BinaryIO, cast

import pytest

import archiver.wave
from archiver import files
from archiver.errors import SurroundingsError
from archiver.findings import RULES, Rule
from archiver.wave import rules
from archiver.wave.bext import Bext
from archiver.wave.capture import open_capture
from archiver.wave.container import walk
from archiver.wave.master import MasterChunks, MasterWriter
from tests.faults import FaultySeam
from tests.wave import build
from tests.wave.test_master import plain_format


def test_every_name_of_the_room_is_found_and_the_list_is_sorted() -> None:
    names = archiver.wave.__all__
    assert names == sorted(names)
    assert all(
        getattr(archiver.wave, name).__module__.startswith("archiver.wave") for name in names
    )
    assert {name for home in archiver.wave._HOMES.values() for name in home} == set(names)


def test_an_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'absent'"):
        _ = archiver.wave.absent


def test_every_rule_is_registered_under_its_own_subject() -> None:
    ours = [rule for rule in vars(rules).values() if isinstance(rule, Rule)]
    assert len(ours) > 20
    for rule in ours:
        assert RULES[rule.code] is rule
        assert rule.code.startswith(("capture-", "master-"))
        assert rule.reason
        assert rule.remedy


def test_laying_a_file_open_loads_no_decoder(tmp_path: Path) -> None:
    path = build.put(tmp_path, build.wave())
    script = (
        "import sys, pathlib; from archiver.wave.inspect import inspect; "
        f"inspect(pathlib.Path({str(path)!r})); "
        "print(sorted({'av', 'soundfile', 'numpy', 'scipy'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"


def test_the_walk_reads_no_sample(tmp_path: Path) -> None:
    path = build.put(tmp_path, build.wave(bytes(100_000)))
    seam = FaultySeam(unreadable_from={path.name: 50_000})
    with files.use(seam), files.open_read(path, buffering=0) as file:
        assert walk(file, "take.wav").findings == ()


def test_a_medium_that_fails_while_reading_is_named_with_the_byte(tmp_path: Path) -> None:
    path = build.put(tmp_path, build.wave(bytes(100_000)))
    # Reading fails from a byte in the second block on.
    seam = FaultySeam(unreadable_from={path.name: 30_000}, errno=5)
    with files.use(seam), open_capture(path, "take.wav") as capture:
        blocks = capture.blocks(10_000)
        next(blocks)
        with pytest.raises(SurroundingsError, match="read past byte 20044"):
            next(blocks)
    assert seam.open_files == 0


class Stutter(io.FileIO):
    """A file that never gives more than a thousand bytes at once."""

    def read(self, size: int | None = -1, /) -> bytes:
        return super().read(min(size, 1000) if size and size > 0 else 1000) or b""


class Stuttering(files.OperatingSystem):
    """The real file system, read through a :class:`Stutter`."""

    def open_read(self, path: Path | str, buffering: int, *, follow: bool) -> BinaryIO:
        assert follow
        assert buffering in (-1, 0)
        return cast("BinaryIO", Stutter(path))


def test_short_readings_are_put_together(tmp_path: Path) -> None:
    samples = bytes(range(256)) * 40
    path = build.put(tmp_path, build.wave(samples))
    with files.use(Stuttering()), open_capture(path, "take.wav") as capture:
        blocks = list(capture.blocks(2048))
    assert [len(block) for block in blocks] == [4096, 4096, 2048]
    assert b"".join(blocks) == samples


def test_a_full_disk_is_told_as_such(tmp_path: Path) -> None:
    chunks = MasterChunks(format=plain_format(), bext=Bext())
    seam = FaultySeam(capacity_bytes=100_000)
    with files.use(seam), files.create(tmp_path / "m.wav") as file:
        writer = MasterWriter(file, chunks, None)
        writer.write(bytes(99_999))
        with pytest.raises(SurroundingsError, match="disk is full"):
            writer.write(bytes(30_000))
