"""What is taken of a damaged package is what the standard library reads in it, or nothing is.

Two readers that understand one package differently are how something is brought past a check.
Judges: :mod:`tarfile` and :mod:`zipfile` of Python. Damage aims at the fields of headers, and
the checksum of a header of a tar is made right again, since chance alone hardly ever does.
"""

from __future__ import annotations

import io
import os
import random
import struct
import tarfile
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from archiver import files
from archiver.errors import ArchiverError
from archiver.package.unpacking import unpack
from tests.faults import FaultySeam
from tests.package.hostile_packages import (
    TOP,
    bag_entries,
    bag_files,
    extended,
    large,
    member,
    record,
    tar_with,
    zip_of,
)
from tests.package.small_bags import contents

COUNT = int(os.environ.get("ARCHIVER_DAMAGES", "300"))
PIECES = (
    *(bytes([byte]) for byte in (0, 9, 0x20, 0x2F, 0x30, 0x31, 0x35, 0x37, 0x4C, 0x67, 0x78)),
    *(b"\x80", b"\xff", b"\0\0\0\0", b"\xff\xff\xff\xff", b"\xff\xff", b"..", b"PK\x06\x07"),
)
# Name, mode, owner, group, size, time, kind, link, magic, devices, prefix, the rest.
TAR_FIELDS = (0, 100, 108, 116, 124, 136, 156, 157, 257, 329, 345, 500)


def tars() -> list[bytes]:
    """The same bag as different programs write it."""
    with_names = b"".join(
        extended(record("path", f"{TOP}/{path}".encode())) + member("x", content)
        for path, content in sorted(bag_files().items())
    )
    return [tar_with(), with_names + bytes(1024)]


def zips() -> list[bytes]:
    """The same bag stored, deflated, and with the records of a large zip."""
    deflated = io.BytesIO()
    with zipfile.ZipFile(deflated, "w", zipfile.ZIP_DEFLATED) as writing:
        for path, content in bag_files().items():
            writing.writestr(f"{TOP}/{path}", content)
    return [zip_of(bag_entries()), deflated.getvalue(), large(zip_of(bag_entries()))]


def damaged_tar(content: bytes, chance: random.Random) -> bytes:
    """Write something into a field of a header, and make its checksum right."""
    headers, position = [], 0
    while content[position : position + 512] != bytes(512):
        headers.append(position)
        size = int(content[position + 124 : position + 135], 8)
        position += 512 + size + -size % 512
    damaged = bytearray(content)
    at = chance.choice(headers)
    field = at + chance.choice(TAR_FIELDS) + chance.choice((0, 0, 1, 2, 6))
    piece = chance.choice(PIECES)
    damaged[field : field + len(piece)] = piece
    header = damaged[at : at + 512]
    header[148:156] = b" " * 8
    damaged[at + 148 : at + 156] = b"%06o\0 " % sum(header)
    return bytes(damaged)


def damaged_zip(content: bytes, chance: random.Random) -> bytes:
    """Write something into a header, and into its twin when there is one."""
    damaged = bytearray(content)
    kinds = {b"PK\x03\x04": 30, b"PK\x01\x02": 46, b"PK\x05\x06": 22, b"PK\x06\x06": 56}
    headers = [at for at in range(len(content) - 3) if content[at : at + 4] in kinds]
    at = chance.choice(headers)
    field = chance.randrange(4, kinds[content[at : at + 4]])
    piece = chance.choice(PIECES)
    damaged[at + field : at + field + len(piece)] = piece
    if content[at : at + 4] == b"PK\x01\x02" and 8 <= field < 28:
        (local,) = struct.unpack_from("<L", content, at + 42)
        damaged[local + field - 2 : local + field - 2 + len(piece)] = piece
    return bytes(damaged)


def read_by_tarfile(package: Path) -> dict[str, bytes]:
    with tarfile.open(package) as reading:
        return {
            member.name: found.read()
            for member in reading
            if (found := reading.extractfile(member)) is not None
        }


def read_by_zipfile(package: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(package) as reading:
        return {info.filename: reading.read(info) for info in reading.infolist()}


@pytest.mark.parametrize(
    ("form", "whole", "damage", "judge"),
    [
        ("tar", tars(), damaged_tar, read_by_tarfile),
        ("zip", zips(), damaged_zip, read_by_zipfile),
    ],
    ids=["tar", "zip"],
)
def test_what_is_taken_is_what_another_reader_finds(
    form: str,
    whole: list[bytes],
    damage: Callable[[bytes, random.Random], bytes],
    judge: Callable[[Path], dict[str, bytes]],
    tmp_path: Path,
) -> None:
    package = tmp_path / f"{TOP}.{form}"
    taken = refused = 0
    for seed in range(COUNT):
        chance = random.Random(seed)  # noqa: S311 - damage that can be repeated
        package.write_bytes(damage(chance.choice(whole), chance))
        try:
            with files.use(FaultySeam()):
                unpacked = unpack(package, tmp_path / "target")
        except ArchiverError:
            assert [path.name for path in tmp_path.iterdir()] == [package.name], seed
            refused += 1
            continue
        found = {f"{unpacked.root.name}/{p}": c for p, c in contents(unpacked.root).items()}
        assert list(found.values()) == list(dict(sorted(bag_files().items())).values()), seed
        assert judge(package) == found, seed
        files.discard(tmp_path / "target")
        taken += 1
    assert taken > COUNT / 20
    assert refused > COUNT / 3
