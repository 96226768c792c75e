"""What cameras write into videos and pictures: private values, and where they were made.

Videos are written by FFmpeg's libraries, with the entries that telephones make; pictures by
hand after Exif 2.32, the PNG Specification and ISO/IEC 14496-12.
"""

from __future__ import annotations

import struct
import zlib
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from archiver.findings import Finding, Severity
from archiver.pipeline.archive import archive_session
from archiver.pipeline.check import check_session
from tests.pipeline.making import make_session

EVA = """\
  - {id: ev, name: Eva Stein, role: performer, phone: +49 711 5550101, consent: {given: no}}
"""
PRIVATE = "describe-private-in-"
PLACE = "describe-position-in-file"


def session_with(folder: Path, name: str = "t1.wav") -> Path:
    made = make_session(
        folder,
        edit=lambda text: text.replace("operators:\n", f"operators:\n{EVA}", 1).replace(
            "t1.wav", name
        ),
    )
    if name != "t1.wav":
        (made / "takes/t1.wav").unlink()
    return made


def write_video(path: Path, entries: dict[str, str]) -> None:
    """A sound track in a container, with entries as a telephone writes them."""
    is_flac = path.suffix == ".mkv"
    codec, sample = ("flac", "s16") if is_flac else ("aac", "fltp")
    with av.open(str(path), "w") as container:
        container.metadata.update(entries)
        track = container.add_stream(codec, rate=48_000, layout="mono")
        assert isinstance(track, av.AudioStream)
        track.codec_context.format = av.AudioFormat(sample)
        data = np.zeros((1, 48_000), np.int16 if is_flac else np.float32)
        data[0, ::3] = 1000 if is_flac else 0.1
        fifo = av.AudioFifo()
        frame = av.AudioFrame.from_ndarray(data, sample, "mono")
        frame.sample_rate, frame.pts, frame.time_base = 48_000, 0, Fraction(1, 48_000)
        fifo.write(frame)
        while (part := fifo.read(1024, partial=True)) is not None:
            container.mux(track.encode(part))
        container.mux(track.encode(None))


def found(folder: Path) -> dict[str, Finding]:
    return {
        one.code: one
        for one in check_session(folder).findings
        if one.code.startswith(PRIVATE) or one.code == PLACE
    }


def box(kind: bytes, payload: bytes) -> bytes:
    return struct.pack(">I4s", 8 + len(payload), kind) + payload


@pytest.mark.parametrize("name", ["t1.mp4", "t1.mov", "t1.mkv"])
def test_a_name_in_the_entries_of_a_video_stops_the_deposit(tmp_path: Path, name: str) -> None:
    folder = session_with(tmp_path / "s", name)
    write_video(folder / "takes" / name, {"artist": "Eva Stein"})
    one = found(folder)["describe-private-in-video"]
    assert one.severity is Severity.ERROR
    assert one.where.file == f"takes/{name}"
    assert "operators[0].name" in one.message
    assert "Eva Stein" not in one.message
    assert archive_session(folder, tmp_path / "archive").bag is None
    assert not (tmp_path / "archive").exists()


def test_a_video_that_says_nothing_private_is_archived(tmp_path: Path) -> None:
    folder = session_with(tmp_path / "s", "t1.mp4")
    write_video(folder / "takes/t1.mp4", {"title": "A wax roll"})
    assert found(folder) == {}
    assert archive_session(folder, tmp_path / "archive").bag is not None


@pytest.mark.parametrize(
    ("encoding", "before"), [("utf-8", b"\x15\xc7"), ("latin-1", b"A"), ("utf-16-be", b"\0")]
)
def test_a_box_that_no_library_reads_is_searched(
    tmp_path: Path, encoding: str, before: bytes
) -> None:
    folder = session_with(tmp_path / "s", "t1.mp4")
    path = folder / "takes/t1.mp4"
    write_video(path, {})
    raw = path.read_bytes()
    path.write_bytes(raw + box(b"uuid", bytes(16) + before + "+49 711 5550101".encode(encoding)))
    assert "describe-private-in-video" in found(folder)


@pytest.mark.parametrize("name", ["t1.mp4", "t1.mov", "t1.mkv"])
def test_the_place_of_a_video_is_warned_of_and_not_told(tmp_path: Path, name: str) -> None:
    folder = session_with(tmp_path / "s", name)
    write_video(folder / "takes" / name, {"location": "+48.7758+009.1829/"})
    one = found(folder)[PLACE]
    assert one.severity is Severity.WARNING
    assert "48.7" not in f"{one.message}{one.remedy}"
    assert archive_session(folder, tmp_path / "archive").bag is not None


def tiff(artist: str, *, place: bool, order: str) -> bytes:
    """An Exif directory with an artist, and a GPS directory if a place is wanted."""
    text = artist.encode() + b"\0"
    count = 2 if place else 1
    end = 8 + 2 + 12 * count + 4
    head = {"<": b"II*\0", ">": b"MM\0*"}[order] + struct.pack(f"{order}I", 8)
    entries = struct.pack(f"{order}HHII", 0x013B, 2, len(text), end)
    gps = b""
    if place:
        entries += struct.pack(f"{order}HHII", 0x8825, 4, 1, end + len(text))
        gps = struct.pack(f"{order}H", 2)
        gps += struct.pack(f"{order}HHII", 2, 5, 3, 0) + struct.pack(f"{order}HHII", 4, 5, 3, 0)
        gps += bytes(4 + 24)
    return head + struct.pack(f"{order}H", count) + entries + bytes(4) + text + gps


def jpeg(exif: bytes) -> bytes:
    app1 = b"Exif\0\0" + exif
    return b"\xff\xd8\xff\xe1" + struct.pack(">H", 2 + len(app1)) + app1 + b"\xff\xd9"


def png_chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def png(*chunks: bytes) -> bytes:
    head = png_chunk(b"IHDR", struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0))
    data = png_chunk(b"IDAT", zlib.compress(b"\0\0"))
    return b"\x89PNG\r\n\x1a\n" + head + b"".join(chunks) + data + png_chunk(b"IEND", b"")


XMP = b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><a exif:GPSLatitude="48,46.5N"/></x:xmpmeta>'
PICTURES = {
    "exif.jpg": jpeg(tiff("Eva Stein", place=False, order="<")),
    "exif.tif": tiff("Eva Stein", place=False, order=">"),
    "exif.png": png(png_chunk(b"eXIf", tiff("Eva Stein", place=False, order=">"))),
    "packed.png": png(png_chunk(b"zTXt", b"Author\0\0" + zlib.compress(b"Eva Stein"))),
    "packed-utf8.png": png(
        png_chunk(b"iTXt", b"Author\0\1\0de\0Autor\0" + zlib.compress(b"Eva  Stein"))
    ),
    "iptc.jpg": b"\xff\xd8\xff\xed\0\x20Photoshop 3.0\x00\x1c\x02\x50\0\x09Eva Stein\xff\xd9",
    "phone.heic": box(b"ftyp", b"heic\0\0\0\0mif1") + box(b"mdat", b"x\0Eva Stein\0"),
    "web.webp": b"RIFF\x1c\0\0\0WEBPXMP \x10\0\0\0<a>Eva Stein</a>",
}
PLACED = {
    "exif.jpg": jpeg(tiff("N. N.", place=True, order="<")),
    "exif.tif": tiff("N. N.", place=True, order=">"),
    "exif.png": png(png_chunk(b"eXIf", tiff("N. N.", place=True, order=">"))),
    "xmp.jpg": b"\xff\xd8\xff\xe1\0\x80http://ns.adobe.com/xap/1.0/\0" + XMP + b"\xff\xd9",
    "phone.heic": box(b"ftyp", b"heic\0\0\0\0mif1")
    + box(b"mdat", b"\0\0\0\6Exif\0\0" + tiff("N. N.", place=True, order="<")),
}


@pytest.mark.parametrize("folder_name", ["photographs", "documents"])
@pytest.mark.parametrize("name", PICTURES)
def test_a_name_in_a_picture_stops_the_deposit(tmp_path: Path, name: str, folder_name: str) -> None:
    folder = session_with(tmp_path / "s")
    (folder / folder_name / name).write_bytes(PICTURES[name])
    one = found(folder)["describe-private-in-picture"]
    assert one.severity is Severity.ERROR
    assert one.where.file == f"{folder_name}/{name}"


@pytest.mark.parametrize("name", PLACED)
def test_the_place_of_a_picture_is_warned_of(tmp_path: Path, name: str) -> None:
    folder = make_session(tmp_path / "s")
    (folder / "photographs" / name).write_bytes(PLACED[name])
    (one,) = found(folder).values()
    assert (one.code, one.severity) == (PLACE, Severity.WARNING)


def test_a_picture_without_a_place_and_other_bytes_say_nothing(tmp_path: Path) -> None:
    folder = session_with(tmp_path / "s")
    (folder / "photographs/a.jpg").write_bytes(jpeg(tiff("N. N.", place=False, order="<")))
    (folder / "photographs/b.jpg").write_bytes(b"\xff\xd8\xff" + b"II*\0\xff\xff\xff\xff" * 3)
    (folder / "documents/c.odt").write_bytes(b"PK\3\4 GPSLatitude Eva Stein \xff")
    assert found(folder) == {}


def test_a_restricted_picture_may_say_all(tmp_path: Path) -> None:
    folder = make_session(
        tmp_path / "s",
        edit=lambda text: (
            text.replace("operators:\n", f"operators:\n{EVA}", 1)
            + "documents:\n  - {file: documents/a.jpg, caption: A receipt, restricted: yes}\n"
        ),
    )
    (folder / "documents/a.jpg").write_bytes(jpeg(tiff("Eva Stein", place=True, order="<")))
    assert found(folder) == {}


def test_a_short_name_is_found_in_a_field_and_not_in_noise(tmp_path: Path) -> None:
    folder = make_session(
        tmp_path / "s",
        edit=lambda text: text.replace(
            "operators:\n", f"operators:\n{EVA.replace('Eva Stein', 'Max')}", 1
        ),
    )
    place = folder / "photographs/a.jpg"
    place.write_bytes(b"\xff\xd8\xff" + b"\x91Max\x80 aMax1 ContentMaximum" * 9)
    assert found(folder) == {}
    place.write_bytes(jpeg(tiff("Max", place=False, order="<").replace(b"Max\0", b"\0Max\0")))
    assert set(found(folder)) == {"describe-private-in-picture"}
