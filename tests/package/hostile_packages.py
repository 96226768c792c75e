"""Packages that must be refused, each made byte by byte: what no honest program writes.

The forms are those of POSIX.1-2017 pax (tar), PKWARE APPNOTE 6.3.10 (zip), RFC 1952 (gzip) and
RFC 8878 (Zstandard). The kinds follow what is known of attacks on unpackers: CWE-22 (paths),
CWE-59 (links), CWE-409 (bombs), CVE-2025-62518 (two sizes of one tar entry), D. Fifield, "A
better zip bomb" (USENIX WOOT 2019, overlapping entries).
"""

from __future__ import annotations

import gzip
import struct
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import zstandard

from tests.package.small_bags import manifest_of

TOP = "lhm-2026-04-18"
BOMB_BYTES = 66 << 20


def bag_files(payload: dict[str, bytes] | None = None) -> dict[str, bytes]:
    """The files of a valid bag, by path in the bag."""
    payload = payload or {"masters/t01.wav": b"RIFF" * 300, "documents/notes.txt": b"no. 3\n"}
    files = {f"data/{name}": content for name, content in payload.items()}
    tags = {
        "bagit.txt": b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n",
        "manifest-sha256.txt": manifest_of(files, "sha256"),
    }
    return files | tags | {"tagmanifest-sha256.txt": manifest_of(tags, "sha256")}


@dataclass(frozen=True, kw_only=True)
class Hostile:
    """A package, and the code of the reason why it is refused."""

    name: str
    code: str
    content: bytes
    file_name: str


# tar


def octal(number: int, length: int) -> bytes:
    return b"%0*o\0" % (length - 1, number)


def header(
    name: bytes | str,
    content_size: int = 0,
    kind: bytes = b"0",
    *,
    link: bytes = b"",
    size: bytes | None = None,
    magic: bytes = b"ustar\x0000",
    prefix: bytes = b"",
    mode: bytes = b"0000644\0",
    mtime: bytes = b"00000000000\0",
) -> bytes:
    """A header of a tar, with a right checksum whatever it says."""
    raw = name.encode() if isinstance(name, str) else name
    parts = [
        raw.ljust(100, b"\0"),
        mode,
        octal(0, 8),
        octal(0, 8),
        size if size is not None else octal(content_size, 12),
        mtime,
        b" " * 8,
        kind,
        link.ljust(100, b"\0"),
        magic,
        bytes(32),
        bytes(32),
        octal(0, 8),
        octal(0, 8),
        prefix.ljust(155, b"\0"),
    ]
    block = b"".join(parts).ljust(512, b"\0")
    assert len(block) == 512
    return block[:148] + b"%06o\0 " % sum(block) + block[156:]


def padded(content: bytes) -> bytes:
    return content + bytes(-len(content) % 512)


def member(name: bytes | str, content: bytes = b"", kind: bytes = b"0", **fields: bytes) -> bytes:
    return header(name, len(content), kind, **fields) + padded(content)


def record(key: str, value: bytes) -> bytes:
    """A record of an extended header; its length counts itself."""
    rest = b" " + key.encode() + b"=" + value + b"\n"
    length = len(rest) + 1
    while len(str(length)) + len(rest) != length:
        length += 1
    return str(length).encode() + rest


def extended(*records: bytes, kind: bytes = b"x") -> bytes:
    return member("PaxHeaders/x", b"".join(records), kind)


END = bytes(1024)


def bag_members(top: str = TOP) -> bytes:
    return member(f"{top}/", kind=b"5") + b"".join(
        member(f"{top}/{path}", content) for path, content in sorted(bag_files().items())
    )


def tar_with(*members: bytes, end: bytes = END) -> bytes:
    """A tar of a valid bag and something more behind it."""
    return bag_members() + b"".join(members) + end


def evil(name: bytes | str) -> bytes:
    return tar_with(member(name, b"evil"))


def pax_name(name: bytes) -> bytes:
    return tar_with(extended(record("path", name)), member("x", b"evil"))


def _tars() -> dict[str, tuple[str, bytes]]:
    in_top = f"{TOP}/data"
    twice = member(f"{in_top}/b.txt", b"1") + member(f"{in_top}/b.txt", b"2")
    inner = padded(header(f"{TOP}/hidden.txt", 0))
    return {
        "climbs": ("path-climbs", evil(f"{TOP}/../../evil")),
        "climbs at once": ("path-climbs", evil("../evil")),
        "climbs in a directory": ("path-climbs", tar_with(member("../evil/", kind=b"5"))),
        "climbs with backslashes": ("path-climbs", evil(f"{TOP}\\..\\evil")),
        "climbs in an extended header": ("path-climbs", pax_name(b"../evil")),
        "climbs in a prefix": ("path-climbs", tar_with(member("evil", b"x", prefix=b".."))),
        "absolute": ("path-absolute", evil("/etc/evil")),
        "drive": ("path-drive", evil("C:/evil")),
        "drive without a slash": ("path-drive", evil("C:evil")),
        "drive below the top": ("path-drive", evil(f"{TOP}/C:/evil")),
        "network share": ("path-network", evil("//host/share/evil")),
        "network share of Windows": ("path-network", evil("\\\\host\\share\\evil")),
        "device namespace": ("path-network", evil("\\\\?\\C:\\evil")),
        "backslash": ("path-backslash", evil(f"{TOP}\\data\\evil")),
        "home": ("path-home", evil("~root/evil")),
        "home below the top": ("path-home", evil(f"{TOP}/~root/evil")),
        "variable": ("path-home", evil("%HOME%/evil")),
        "empty component": ("path-unclear", evil(f"{TOP}//evil")),
        "component of one dot": ("path-unclear", evil(f"{TOP}/./evil")),
        "no name": ("path-unclear", evil("")),
        "link out": ("link", tar_with(member(f"{in_top}/l", kind=b"2", link=b"/etc/passwd"))),
        "link inside": ("link", tar_with(member(f"{in_top}/l", kind=b"2", link=b"b.txt"))),
        "write through a link": (
            "link",
            tar_with(
                member(f"{in_top}/l", kind=b"2", link=b"../../.."), member(f"{in_top}/l/evil", b"x")
            ),
        ),
        "link in an extended header": (
            "link",
            tar_with(extended(record("linkpath", b"/etc")), member(f"{in_top}/l")),
        ),
        "long name of a link": ("link", tar_with(member("././@LongLink", b"/etc\0", b"K"))),
        "hard link": (
            "hard-link",
            tar_with(member(f"{in_top}/h", kind=b"1", link=b"../../secret")),
        ),
        "character device": ("device", tar_with(member(f"{in_top}/null", kind=b"3"))),
        "block device": ("device", tar_with(member(f"{in_top}/sda", kind=b"4"))),
        "pipe": ("pipe", tar_with(member(f"{in_top}/fifo", kind=b"6"))),
        "sparse of GNU": (
            "sparse",
            tar_with(member(f"{in_top}/s", kind=b"S", magic=b"ustar  \0")),
        ),
        "sparse of pax": (
            "sparse",
            tar_with(
                extended(
                    record("GNU.sparse.major", b"1"), record("GNU.sparse.realsize", b"9" * 12)
                ),
                member(f"{in_top}/s", b"1\n0\n512\n"),
            ),
        ),
        "contiguous": ("entry-unknown", tar_with(member(f"{in_top}/c", b"x", b"7"))),
        "rest of a volume": ("entry-unknown", tar_with(member(f"{in_top}/c", b"x", b"M"))),
        "name of a volume": ("entry-unknown", tar_with(member("volume", kind=b"V"))),
        "kind of nobody": ("entry-unknown", tar_with(member(f"{in_top}/c", b"x", b"Q"))),
        "names in two cases": (
            "names-one",
            tar_with(member(f"{in_top}/B.txt", b"1"), member(f"{in_top}/b.txt", b"2")),
        ),
        "directories in two cases": ("names-one", tar_with(member(f"{TOP}/DATA/b.txt", b"1"))),
        "names in two Unicode forms": (
            "names-one",
            tar_with(member(f"{in_top}/\u00e9.txt", b"1"), member(f"{in_top}/e\u0301.txt", b"2")),
        ),
        "twice": ("name-repeated", tar_with(twice)),
        "file and directory": (
            "path-conflict",
            tar_with(member(f"{in_top}/b", b"1"), member(f"{in_top}/b/evil", b"2")),
        ),
        "directory and file": ("path-conflict", evil(in_top)),
        "name of 300 bytes": ("name-long", pax_name(f"{in_top}/{'n' * 300}".encode())),
        "path of 5000 bytes": (
            "name-long",
            pax_name(f"{TOP}/{'/'.join(['n' * 120] * 42)}".encode()),
        ),
        "a hundred directories": ("path-deep", pax_name(f"{TOP}/{'d/' * 100}evil".encode())),
        "full stop at the end": ("name-trailing", evil(f"{in_top}/evil.")),
        "blank at the end": ("name-trailing", evil(f"{in_top}/evil ")),
        "directory with a full stop at the end": ("name-trailing", evil(f"{in_top}/d./evil")),
        "NUL in an extended header": ("name-nul", pax_name(f"{in_top}/ok.txt\0.exe".encode())),
        "NUL in a plain name": ("name-nul", evil(f"{in_top}/ok.txt\0.exe".encode())),
        "NUL in a long name": (
            "name-nul",
            tar_with(member("././@LongLink", b"a\0b\0", b"L"), member("x", b"evil")),
        ),
        "device of Windows": ("name-device", evil(f"{in_top}/CON")),
        "device of Windows with an ending": ("name-device", evil(f"{in_top}/nul.txt")),
        "port of Windows": ("name-device", evil(f"{in_top}/Com1.wav")),
        "port with a superscript": ("name-device", evil(f"{in_top}/lpt\u00b2.wav")),
        "stream of NTFS": ("name-character", evil(f"{in_top}/b.txt:evil")),
        "question mark": ("name-character", evil(f"{in_top}/what?.txt")),
        "line end in a name": ("name-character", evil(f"{in_top}/a\nb.txt")),
        "name in Latin-1": ("name-encoding", evil(f"{in_top}/caf".encode() + b"\xe9.txt")),
        "surrogate in a name": ("name-encoding", evil(f"{in_top}/".encode() + b"\xed\xa0\x80.txt")),
        "overlong slash": ("name-encoding", evil(f"{TOP}/..".encode() + b"\xc0\xafevil")),
        "names said to be binary": (
            "name-encoding",
            tar_with(extended(record("hdrcharset", b"BINARY")), member(f"{in_top}/b", b"1")),
        ),
        "two tops": ("several-tops", evil("other/evil")),
        "file at the top": ("top-no-directory", member("evil", b"x") + END),
        "second file at the top": ("several-tops", evil("evil.txt")),
        "hidden top": ("top-name", member(".ssh/authorized_keys", b"evil") + END),
        "negative size": (
            "size-impossible",
            tar_with(member(f"{in_top}/n", size=b"\xff" * 12)),
        ),
        "huge size": (
            "size-impossible",
            tar_with(member(f"{in_top}/n", size=b"\x80" + b"\x3f" + b"\xff" * 10)),
        ),
        "more than there is": (
            "truncated",
            tar_with(member(f"{in_top}/n", size=octal(10**6, 12))),
        ),
        "size of letters": ("header-field", tar_with(member(f"{in_top}/n", size=b"12345678abc\0"))),
        "mode of letters": ("header-field", tar_with(member(f"{in_top}/n", mode=b"rw-r--r-"))),
        "size behind a NUL": (
            "header-field",
            tar_with(member(f"{in_top}/n", size=b"\0" + octal(512, 11)), bytes(512)),
        ),
        "signed size": ("header-field", tar_with(member(f"{in_top}/n", size=b"-0000000001\0"))),
        "two sizes": (
            "headers-disagree",
            tar_with(extended(record("size", b"512")), member(f"{in_top}/n") + inner),
        ),
        "smaller second size": (
            "headers-disagree",
            tar_with(extended(record("size", b"0")), member(f"{in_top}/n", inner)),
        ),
        "negative second size": (
            "size-impossible",
            tar_with(extended(record("size", b"-512")), member(f"{in_top}/n")),
        ),
        "huge second size": (
            "size-impossible",
            tar_with(extended(record("size", b"9" * 20)), member(f"{in_top}/n")),
        ),
        "second size of letters": (
            "header-field",
            tar_with(extended(record("size", b"0x200")), member(f"{in_top}/n")),
        ),
        "two paths": (
            "headers-disagree",
            tar_with(
                extended(record("path", f"{in_top}/a".encode()), record("path", b"../evil")),
                member("x", b"1"),
            ),
        ),
        "record that says a wrong length": (
            "header-field",
            tar_with(extended(b"99 path=a\n"), member("x", b"1")),
        ),
        "record without a length": (
            "header-field",
            tar_with(extended(b"path=a\n"), member("x", b"1")),
        ),
        "huge extended header": (
            "header-field",
            tar_with(header("PaxHeaders/x", 1 << 30, b"x")),
        ),
        "chain of extended headers": (
            "header-chain",
            tar_with(
                extended(record("path", b"a")), extended(record("path", b"b")), member("x", b"1")
            ),
        ),
        "chain of long names": (
            "header-chain",
            tar_with(
                member("././@LongLink", b"a\0", b"L"),
                member("././@LongLink", b"b\0", b"L"),
                member("x", b"1"),
            ),
        ),
        "long name and extended header": (
            "header-chain",
            tar_with(
                member("././@LongLink", b"a\0", b"L"),
                extended(record("path", b"b")),
                member("x", b"1"),
            ),
        ),
        "header of all behind one of an entry": (
            "header-chain",
            tar_with(
                extended(record("path", f"{in_top}/a".encode())),
                extended(record("comment", b"b"), kind=b"g"),
                member("x", b"1"),
            ),
        ),
        "path of all entries": (
            "header-field",
            extended(record("path", b"../evil"), kind=b"g") + tar_with(),
        ),
        "size of all entries": (
            "header-field",
            extended(record("size", b"0"), kind=b"g") + tar_with(),
        ),
        "second package behind the end": ("unaccounted-data", tar_with() + evil(f"{TOP}/evil")),
        "entries behind one empty block": (
            "unaccounted-data",
            bag_members() + bytes(512) + member(f"{TOP}/evil", b"x") + END,
        ),
        "no end": ("truncated", bag_members()),
        "half an end": ("end-missing", bag_members() + bytes(512)),
        "extended header without entry": (
            "truncated",
            tar_with(extended(record("path", f"{in_top}/a".encode()))),
        ),
        "directory with content": ("header-field", tar_with(member(f"{in_top}/d/", b"x", b"5"))),
        "file with the name of a directory": (
            "headers-disagree",
            tar_with(member(f"{in_top}/d/", b"x", b"0")),
        ),
        "directory by one of two names": (
            "headers-disagree",
            tar_with(extended(record("path", f"{in_top}/d/".encode())), member("x", kind=b"\0")),
        ),
        "prefix that not all readers take": (
            "header-field",
            tar_with(member(f"{in_top}/p", b"x", magic=b"ustar  \0", prefix=b"..")),
        ),
        "name of the top that leaves no room": (
            "name-long",
            extended(record("path", f"{'n' * 201}/a".encode())) + member("x", b"1") + END,
        ),
        "header without magic": (
            "header-field",
            tar_with(member(f"{in_top}/v", b"x", magic=bytes(8))),
        ),
        "empty blocks": ("form-unknown", bytes(10240)),
        "nothing in the top directory": ("empty", member(f"{TOP}/", kind=b"5") + END),
    }


# zip


@dataclass(kw_only=True)
class Zipped:
    """An entry of a zip; what is None is what an honest program would write."""

    name: bytes | str
    content: bytes = b""
    method: int = 0
    flags: int = 1 << 11
    attributes: int = 0o100644 << 16
    packed: bytes | None = None
    size: int | None = None
    checksum: int | None = None
    extra: bytes = b""
    central_extra: bytes = b""
    disk: int = 0
    needs: int = 20
    local_name: bytes | str | None = None
    local_method: int | None = None
    local_flags: int | None = None
    local_size: int | None = None
    local_checksum: int | None = None
    packed_size: int | None = None
    offset: int | None = None
    descriptor: bytes = b""

    def body(self) -> bytes:
        if self.packed is not None:
            return self.packed
        if self.method != 8:
            return self.content
        deflate = zlib.compressobj(9, zlib.DEFLATED, -15)
        return deflate.compress(self.content) + deflate.flush()


def _or(value: int | None, otherwise: int) -> int:
    return otherwise if value is None else value


def raw(name: bytes | str) -> bytes:
    return name.encode() if isinstance(name, str) else name


def zip_of(
    entries: Sequence[Zipped],
    *,
    before: bytes = b"",
    gap: bytes = b"",
    behind: bytes = b"",
    count: int | None = None,
    comment: bytes = b"",
    disk: int = 0,
    directory_tail: bytes = b"",
    shift: int = 0,
) -> bytes:
    """A zip with whatever its entries say."""
    content = bytearray(before)
    directory = bytearray()
    for entry in entries:
        body = entry.body()
        size = _or(entry.size, len(entry.content))
        checksum = _or(entry.checksum, zlib.crc32(entry.content))
        offset = _or(entry.offset, len(content))
        local_name = raw(entry.name if entry.local_name is None else entry.local_name)
        described = bool(_or(entry.local_flags, entry.flags) & 8)
        if entry.offset is None:
            content += struct.pack(
                "<4s5H3L2H",
                b"PK\x03\x04",
                20,
                _or(entry.local_flags, entry.flags),
                _or(entry.local_method, entry.method),
                0,
                0x5C92,
                0 if described else _or(entry.local_checksum, checksum),
                0 if described else _or(entry.packed_size, len(body)),
                0 if described else _or(entry.local_size, size),
                len(local_name),
                len(entry.extra),
            )
            content += local_name + entry.extra + body + entry.descriptor + gap
        directory += struct.pack(
            "<4s6H3L5H2L",
            b"PK\x01\x02",
            (3 << 8) | 20,
            entry.needs,
            entry.flags,
            entry.method,
            0,
            0x5C92,
            checksum,
            _or(entry.packed_size, len(body)),
            size,
            len(raw(entry.name)),
            len(entry.central_extra),
            0,
            entry.disk,
            0,
            entry.attributes,
            offset,
        )
        directory += raw(entry.name) + entry.central_extra
    directory += directory_tail
    number = _or(count, len(entries))
    end = struct.pack(
        "<4s4H2LH",
        b"PK\x05\x06",
        disk,
        disk,
        number,
        number,
        len(directory),
        len(content) + shift,
        len(comment),
    )
    return bytes(content) + bytes(directory) + end + comment + behind


def large(
    content: bytes,
    *,
    record: bytes = b"PK\x06\x06",
    disk: int = 0,
    disks: int = 1,
    entry_disk: int = 0,
    shift: int = 0,
    more: int = 0,
    far: int = 0,
) -> bytes:
    """The same zip with the records of a large one; honest unless it is told otherwise."""
    body, end = content[:-22], content[-22:]
    count, length, offset = struct.unpack_from("<HLL", end, 10)
    large_end = struct.pack(
        "<4sQ2H2L4Q", record, 44, 45, 45, entry_disk, entry_disk, count, count, length, offset
    )
    locator = struct.pack("<4sLQL", b"PK\x06\x07", disk, len(body) + far, disks)
    small = struct.pack("<HHLL", 0xFFFF, 0xFFFF, length + more, 0xFFFFFFFF)
    return body + large_end + bytes(shift) + locator + end[:8] + small + end[20:]


def bag_entries(top: str = TOP) -> list[Zipped]:
    return [
        Zipped(name=f"{top}/{path}", content=content)
        for path, content in sorted(bag_files().items())
    ]


def _second_directory() -> bytes:
    """A zip with another directory in its last comment, which readers of large zips follow."""
    content = bytearray(zip_of(bag_entries()))
    count, length, offset = struct.unpack_from("<HLL", content, len(content) - 12)
    other = zip_of([Zipped(name="evil.txt")])
    (other_length,) = struct.unpack_from("<L", other, len(other) - 10)
    directory = other[-22 - other_length : -22]
    at = offset + length
    records = struct.pack(
        "<4sQ2H2L4Q", b"PK\x06\x06", 44, 45, 45, 0, 0, 1, 1, len(directory), at
    ) + struct.pack("<4sLQL", b"PK\x06\x07", 0, at + len(directory), 1)
    comment = directory + records
    struct.pack_into("<H", content, content.rindex(b"PK\x01\x02") + 32, len(comment))
    struct.pack_into("<L", content, len(content) - 10, length + len(comment))
    assert count == len(bag_entries())
    return bytes(content[:at]) + comment + bytes(content[at:])


def zip_with(*entries: Zipped) -> bytes:
    return zip_of([*bag_entries(), *entries])


def _end_of_entries() -> int:
    (offset,) = struct.unpack_from("<L", zip_of(bag_entries()), len(zip_of(bag_entries())) - 6)
    return int(offset)


def _long_local_name() -> bytes:
    """The last entry says of its own header that it is longer than the zip has room for."""
    content = bytearray(zip_with(Zipped(name=f"{TOP}/data/k", content=b"x")))
    local = content.rindex(b"PK\x03\x04")
    content[local + 26 : local + 28] = b"\xff\xff"
    return bytes(content)


def _zips() -> dict[str, tuple[str, bytes]]:
    def named(name: bytes | str) -> bytes:
        return zip_with(Zipped(name=name, content=b"evil"))

    def of_kind(mode: int) -> bytes:
        return zip_with(Zipped(name=f"{TOP}/data/k", content=b"/etc", attributes=mode << 16))

    data = f"{TOP}/data"
    twin = Zipped(name=f"{data}/b.txt", content=b"evil", offset=0)
    zeros = bytes(1 << 20)
    half = bag_entries()
    half[0].descriptor = b"gap"
    return {
        "climbs": ("path-climbs", named(f"{TOP}/../../evil")),
        "climbs with backslashes": ("path-climbs", named("..\\evil")),
        "absolute": ("path-absolute", named("/evil")),
        "drive": ("path-drive", named("C:\\evil")),
        "network share": ("path-network", named("\\\\host\\share\\evil")),
        "backslash": ("path-backslash", named(f"{TOP}\\data\\evil")),
        "NUL": ("name-nul", named(f"{data}/ok.txt\0.exe")),
        "name in code page 437": ("name-encoding", named(f"{data}/caf".encode() + b"\x82.txt")),
        "device of Windows": ("name-device", named(f"{data}/aux.txt")),
        "full stop at the end": ("name-trailing", named(f"{data}/evil.")),
        "names in two cases": ("names-one", named(f"{data}/DOCUMENTS/notes.txt")),
        "twice": ("name-repeated", named(f"{data}/documents/notes.txt")),
        "two tops": ("several-tops", named("other/evil")),
        "link": ("link", of_kind(0o120777)),
        "character device": ("device", of_kind(0o020666)),
        "block device": ("device", of_kind(0o060666)),
        "pipe": ("pipe", of_kind(0o010666)),
        "socket": ("pipe", of_kind(0o140666)),
        "link of Windows": (
            "link",
            zip_with(Zipped(name=f"{data}/k", content=b"x", attributes=0x400)),
        ),
        "directory by its attributes": (
            "headers-disagree",
            zip_with(Zipped(name=f"{data}/k", attributes=0o040755 << 16)),
        ),
        "file by its attributes": ("headers-disagree", zip_with(Zipped(name=f"{data}/k/"))),
        "directory with content": (
            "header-field",
            zip_with(Zipped(name=f"{data}/k/", content=b"x", attributes=0o040755 << 16)),
        ),
        "encrypted": (
            "encrypted",
            zip_with(Zipped(name=f"{data}/k", content=b"x", flags=1 | 1 << 11)),
        ),
        "encrypted by a strong method": (
            "encrypted",
            zip_with(Zipped(name=f"{data}/k", content=b"x", flags=1 << 6)),
        ),
        "encrypted by AES": ("encrypted", zip_with(Zipped(name=f"{data}/k", method=99))),
        "encrypted before the content only": (
            "encrypted",
            zip_with(Zipped(name=f"{data}/k", content=b"x", local_flags=1 | 1 << 11)),
        ),
        "packed by bzip2": ("method-unknown", zip_with(Zipped(name=f"{data}/k", method=12))),
        "packed by Zstandard": ("method-unknown", zip_with(Zipped(name=f"{data}/k", method=93))),
        "two entries of one content": ("entries-overlap", zip_with(twin)),
        "entry inside an entry": (
            "entries-overlap",
            zip_of([*bag_entries(), Zipped(name=f"{data}/z", content=b"", offset=40)]),
        ),
        "two names": (
            "headers-disagree",
            zip_with(Zipped(name=f"{data}/k", content=b"x", local_name="../evil")),
        ),
        "two sizes": (
            "headers-disagree",
            zip_with(Zipped(name=f"{data}/k", content=b"x" * 9, local_size=4)),
        ),
        "two methods": (
            "headers-disagree",
            zip_with(Zipped(name=f"{data}/k", content=b"x", local_method=8)),
        ),
        "two checksums": (
            "headers-disagree",
            zip_with(Zipped(name=f"{data}/k", content=b"x", local_checksum=7)),
        ),
        "two flags": (
            "headers-disagree",
            zip_with(Zipped(name=f"{data}/k", content=b"x", local_flags=0)),
        ),
        "two names by an extra field": (
            "headers-disagree",
            zip_with(
                Zipped(
                    name=f"{data}/k",
                    content=b"x",
                    central_extra=struct.pack("<2HBL", 0x7075, 12, 1, 0) + b"../evil",
                )
            ),
        ),
        "two sizes when stored": (
            "headers-disagree",
            zip_with(Zipped(name=f"{data}/k", content=b"x" * 9, size=5)),
        ),
        "descriptor that says something else": (
            "headers-disagree",
            zip_with(
                Zipped(
                    name=f"{data}/k",
                    content=b"x",
                    flags=8 | 1 << 11,
                    descriptor=struct.pack("<4s3L", b"PK\x07\x08", 1, 2, 3),
                )
            ),
        ),
        "something before the first entry": (
            "unaccounted-data",
            zip_of(bag_entries(), before=b"PK\x03\x04" + bytes(60)),
        ),
        "program before the first entry": (
            "form-unknown",
            zip_of(bag_entries(), before=b"MZ" * 99),
        ),
        "something between the entries": ("unaccounted-data", zip_of(half)),
        "entry that is in no directory": (
            "unaccounted-data",
            zip_of(bag_entries(), gap=b"PK\x03\x04" + bytes(26)),
        ),
        "something behind the end": ("end-missing", zip_of(bag_entries(), behind=b"evil")),
        "directory that holds more": (
            "unaccounted-data",
            zip_of(bag_entries(), directory_tail=b"evil"),
        ),
        "fewer entries than the directory": ("unaccounted-data", zip_of(bag_entries(), count=3)),
        "more entries than the directory": ("header-damaged", zip_of(bag_entries(), count=9)),
        "directory elsewhere": ("end-missing", zip_of(bag_entries(), shift=8)),
        "several disks": ("several-disks", zip_of(bag_entries(), disk=1)),
        "entry on another disk": ("several-disks", zip_with(Zipped(name=f"{data}/k", disk=2))),
        "end of a large zip that is not there": (
            "end-missing",
            zip_of(bag_entries())[:-6] + b"\xff\xff\xff\xff\0\0",
        ),
        "large zip over several disks": (
            "several-disks",
            large(zip_of(bag_entries()), disks=2),
        ),
        "large zip that begins on another disk": (
            "several-disks",
            large(zip_of(bag_entries()), entry_disk=1),
        ),
        "record of a large zip that is none": (
            "end-missing",
            large(zip_of(bag_entries()), record=b"evil"),
        ),
        "record of a large zip elsewhere": ("end-missing", large(zip_of(bag_entries()), far=99)),
        "something behind the record of a large zip": (
            "end-missing",
            large(zip_of(bag_entries()), shift=4),
        ),
        "two ends that disagree": ("headers-disagree", large(zip_of(bag_entries()), more=1)),
        "content that runs into the directory": (
            "entries-overlap",
            zip_with(Zipped(name=f"{data}/k", method=8, size=9, packed_size=50)),
        ),
        "something behind the last entry": (
            "unaccounted-data",
            zip_with(Zipped(name=f"{data}/k", content=b"x", descriptor=b"evil")),
        ),
        "entry without a header": (
            "header-damaged",
            zip_of([*bag_entries(), Zipped(name=f"{data}/k", offset=_end_of_entries())]),
        ),
        "header that runs into the directory": (
            "header-damaged",
            _long_local_name(),
        ),
        "size of a large zip that is missing": (
            "header-field",
            zip_with(
                Zipped(
                    name=f"{data}/k",
                    method=8,
                    size=0xFFFFFFFF,
                    packed_size=0xFFFFFFFF,
                    central_extra=struct.pack("<2HQ", 1, 8, 5),
                )
            ),
        ),
        "records of a large zip in a comment": ("headers-disagree", _second_directory()),
        "version of the format to come": (
            "method-unknown",
            zip_with(Zipped(name=f"{data}/k", needs=64)),
        ),
        "directory that hides something": (
            "unaccounted-data",
            zip_with(
                Zipped(
                    name=f"{data}/",
                    method=8,
                    attributes=0o040755 << 16,
                    packed=Zipped(name="", method=8).body() + b"evil",
                )
            ),
        ),
        "file that is a directory to DOS": (
            "headers-disagree",
            zip_with(Zipped(name=f"{data}/k", attributes=0x10)),
        ),
        "end that is not there": ("end-missing", zip_of(bag_entries())[:-22]),
        "no entry": ("empty", zip_of([])),
        "announces less than it is": (
            "more-than-announced",
            zip_with(Zipped(name=f"{data}/k", content=zeros, method=8, size=100)),
        ),
        "announces more than it is": (
            "entry-damaged",
            zip_with(Zipped(name=f"{data}/k", content=b"x" * 50, method=8, size=100)),
        ),
        "wrong checksum": (
            "entry-damaged",
            zip_with(Zipped(name=f"{data}/k", content=b"x", checksum=7)),
        ),
        "compressed data that is none": (
            "compression-damaged",
            zip_with(Zipped(name=f"{data}/k", content=b"x" * 9, method=8, packed=b"\xff" * 20)),
        ),
        "compressed data that does not end": (
            "compression-damaged",
            zip_with(
                Zipped(
                    name=f"{data}/k",
                    content=b"x" * 9,
                    method=8,
                    packed=Zipped(name="", content=b"x" * 9, method=8).body()[:-1],
                )
            ),
        ),
        "something behind the compressed data": (
            "unaccounted-data",
            zip_with(
                Zipped(
                    name=f"{data}/k",
                    content=b"x" * 9,
                    method=8,
                    packed=Zipped(name="", content=b"x" * 9, method=8).body() + b"evil",
                )
            ),
        ),
        "bomb": (
            "ratio",
            zip_with(Zipped(name=f"{data}/k", content=bytes(BOMB_BYTES), method=8)),
        ),
        "bomb that only announces": (
            "ratio",
            zip_with(Zipped(name=f"{data}/k", method=8, size=0xFFFFFFFE)),
        ),
        "impossible size of a large zip": (
            "size-impossible",
            zip_with(
                Zipped(
                    name=f"{data}/k",
                    method=8,
                    size=0xFFFFFFFF,
                    central_extra=struct.pack("<2HQ", 1, 8, 1 << 63),
                )
            ),
        ),
        "two extra fields of a large zip": (
            "headers-disagree",
            zip_with(Zipped(name=f"{data}/k", central_extra=struct.pack("<2HQ", 1, 8, 5) * 2)),
        ),
        "extra field beyond the header": (
            "header-field",
            zip_with(Zipped(name=f"{data}/k", central_extra=struct.pack("<2H", 9, 500))),
        ),
    }


# gzip and Zstandard


def zstd(content: bytes, *, checksum: bool = False) -> bytes:
    return zstandard.ZstdCompressor(write_checksum=checksum).compress(content)


def _large_file(size: int) -> bytes:
    return header(f"{TOP}/data/zeros", size) + bytes(size + -size % 512) + END


def _wide_window() -> bytes:
    # Magic number, a descriptor without content size, window of 2**(10+20) bytes, one empty block.
    return b"\x28\xb5\x2f\xfd\x00" + bytes([20 << 3]) + b"\x01\x00\x00"


def _announcing_zstd() -> bytes:
    # Magic number, a content size in eight bytes and no window, one empty block.
    return b"\x28\xb5\x2f\xfd\xe0" + struct.pack("<Q", 1 << 60) + b"\x01\x00\x00"


def _lying_zstd() -> bytes:
    content = bytearray(zstd(tar_with()))
    # One byte of descriptor, then the content size in two bytes, 256 less than it is.
    assert content[4] == 0x60
    content[5:7] = struct.pack("<H", len(tar_with()) - 256 - 512)
    return bytes(content)


def _gzips() -> dict[str, tuple[str, bytes]]:
    good = gzip.compress(tar_with(), mtime=0)
    return {
        "bomb": ("ratio", gzip.compress(_large_file(BOMB_BYTES), 9, mtime=0)),
        "bomb that only announces": (
            "ratio",
            gzip.compress(bag_members() + header(f"{TOP}/data/n", 1 << 32), mtime=0),
        ),
        "something behind it": ("unaccounted-data", good + b"evil"),
        "wrong checksum": ("compression-damaged", good[:-8] + bytes(4) + good[-4:]),
        "wrong length": ("compression-damaged", good[:-4] + bytes(4)),
        "end cut off": ("truncated", good[:-1]),
        "text inside": ("header-field", gzip.compress(b"no tar at all\n" * 100, mtime=0)),
        "climbs": ("path-climbs", gzip.compress(evil("../evil"), mtime=0)),
    }


def _zstds() -> dict[str, tuple[str, bytes]]:
    good = zstd(tar_with(), checksum=True)
    return {
        "bomb": ("ratio", zstd(_large_file(BOMB_BYTES))),
        "bomb that only announces": ("ratio", _announcing_zstd()),
        "wide window": ("window", _wide_window()),
        "something behind it": ("unaccounted-data", good + b"evil"),
        "wrong checksum": ("compression-damaged", good[:-4] + bytes(4)),
        "announces less than it is": ("compression-damaged", _lying_zstd()),
        "end cut off": ("truncated", good[:-1]),
        "link": ("link", zstd(tar_with(member(f"{TOP}/l", kind=b"2", link=b"/")))),
    }


def _others() -> dict[str, tuple[str, bytes, str]]:
    return {
        "zip that is called tar": ("form-disagrees", zip_of(bag_entries()), "x.tar"),
        "tar that is called zip": ("form-disagrees", tar_with(), "x.zip"),
        "text": ("form-unknown", b"not a package\n" * 60, "x.txt"),
        "empty file": ("form-unknown", b"", "x.bin"),
        "empty file that is called tar": ("truncated", b"", "x.tar"),
        "another archive": ("form-unknown", b"7z\xbc\xaf\x27\x1c" + bytes(600), "x.7z"),
    }


def _damaged_bags() -> dict[str, tuple[str, bytes]]:
    def tar_of(files: dict[str, bytes]) -> bytes:
        return b"".join(member(f"{TOP}/{path}", c) for path, c in files.items()) + END

    files = bag_files()
    changed = {**files, "data/documents/notes.txt": b"no. 4\n"}
    missing = {path: c for path, c in files.items() if path != "data/documents/notes.txt"}
    return {
        "file that stands in no manifest": ("bag-differs", evil(f"{TOP}/data/extra.txt")),
        "changed file": ("bag-differs", tar_of(changed)),
        "missing file": ("bag-differs", tar_of(missing)),
        "no bag": ("no-bag", tar_of({"readme.txt": b"hello"})),
    }


def hostile_packages() -> list[Hostile]:
    """All of them, with the names that they arrive under."""
    kinds: list[tuple[str, str, Callable[[], dict[str, tuple[str, bytes]]]]] = [
        ("tar", f"{TOP}.tar", _tars),
        ("zip", f"{TOP}.zip", _zips),
        ("gzip", f"{TOP}.tar.gz", _gzips),
        ("zstd", f"{TOP}.tar.zst", _zstds),
        ("bag", f"{TOP}.tar", _damaged_bags),
    ]
    found = [
        Hostile(name=f"{kind}: {name}", code=f"package-{code}", content=content, file_name=file)
        for kind, file, make in kinds
        for name, (code, content) in make().items()
    ]
    found += [
        Hostile(name=name, code=f"package-{code}", content=content, file_name=file)
        for name, (code, content, file) in _others().items()
    ]
    return found
