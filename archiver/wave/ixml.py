"""The ``iXML`` chunk: production metadata as XML with the root ``BWFXML``.

Source: iXML specification (element names from its public list). Every element is
optional and unknown ones are kept. A payload is kept byte for byte, with the blanks
and NULs that writers leave behind the document; what we build is UTF-8.

Left out on purpose: ``BEXT`` and ``LOUDNESS``, which repeat what ``bext`` holds and
would have to be kept equal to it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from lxml import etree

from archiver.errors import ArchiverError
from archiver.wave.bext import Bext
from archiver.wave.format import Format
from archiver.wave.hardened import parse_xml
from archiver.wave.layout import broken

__all__ = [
    "VERSION",
    "Content",
    "Ixml",
    "Location",
    "Speed",
    "SyncPoint",
    "Track",
    "build",
    "content",
    "decode",
    "differences",
    "encode",
    "leaves",
    "merge",
]

VERSION = "2.0"
_ROOT = "BWFXML"
_TAIL = b"\0 \t\r\n"
_UTF_16 = (b"\xff\xfe", b"\xfe\xff")
_LOW = 0xFFFFFFFF


@dataclass(frozen=True, slots=True, kw_only=True)
class Ixml:
    """An ``iXML`` payload: the document, and what stands behind it."""

    document: bytes
    tail: bytes = b""


@dataclass(frozen=True, slots=True, kw_only=True)
class Speed:
    """``SPEED``: rate, depth and time stamp, which ``fmt `` and ``bext`` overrule."""

    note: str = ""
    file_sample_rate_hz: int | None = None
    audio_bit_depth: int | None = None
    digitizer_sample_rate_hz: int | None = None
    timestamp_frames: int | None = None
    timestamp_sample_rate_hz: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """``TRACK``: one channel; both indices count from 1."""

    channel_index: int
    interleave_index: int
    name: str = ""
    function: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SyncPoint:
    """``SYNC_POINT``: a position of 64 bits in frames."""

    kind: str = "RELATIVE"
    function: str = "MARKER_GENERIC"
    comment: str = ""
    frame: int = 0
    duration_frames: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Location:
    """``LOCATION``: where the sound was captured."""

    name: str = ""
    gps: str = ""
    altitude: str = ""
    kind: str = ""
    time: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Content:
    """What we write, as a plain record; empty members make no element.

    Parameters
    ----------
    project, scene, take, tape, note, file_uid : str
        ``PROJECT`` to ``FILE_UID``.
    take_type : str
        ``TAKE_TYPE``, such as ``ANNOUNCEMENT``.
    speed : Speed, optional
    original_filename, parent_filename, parent_uid : str
        ``HISTORY``.
    family_uid, family_name, file_set_index : str
        ``FILE_SET``.
    total_files : int, optional
        ``TOTAL_FILES`` of ``FILE_SET``.
    tracks : tuple of Track
    sync_points : tuple of SyncPoint
    location : Location, optional
    user : str
        ``USER`` as free text.
    """

    project: str = ""
    scene: str = ""
    take: str = ""
    tape: str = ""
    note: str = ""
    file_uid: str = ""
    take_type: str = ""
    speed: Speed | None = None
    original_filename: str = ""
    parent_filename: str = ""
    parent_uid: str = ""
    total_files: int | None = None
    family_uid: str = ""
    family_name: str = ""
    file_set_index: str = ""
    tracks: tuple[Track, ...] = ()
    sync_points: tuple[SyncPoint, ...] = ()
    location: Location | None = None
    user: str = ""


_TOP = {
    "PROJECT": "project",
    "SCENE": "scene",
    "TAKE": "take",
    "TAPE": "tape",
    "NOTE": "note",
    "FILE_UID": "file_uid",
    "TAKE_TYPE": "take_type",
    "USER": "user",
}
_HISTORY = {
    "ORIGINAL_FILENAME": "original_filename",
    "PARENT_FILENAME": "parent_filename",
    "PARENT_UID": "parent_uid",
}
_FILE_SET = {
    "FAMILY_UID": "family_uid",
    "FAMILY_NAME": "family_name",
    "FILE_SET_INDEX": "file_set_index",
}
_SPEED = {
    "FILE_SAMPLE_RATE": "file_sample_rate_hz",
    "AUDIO_BIT_DEPTH": "audio_bit_depth",
    "DIGITIZER_SAMPLE_RATE": "digitizer_sample_rate_hz",
    "TIMESTAMP_SAMPLE_RATE": "timestamp_sample_rate_hz",
}
_STAMP = "TIMESTAMP_SAMPLES_SINCE_MIDNIGHT"
_LOCATION = {
    "LOCATION_NAME": "name",
    "LOCATION_GPS": "gps",
    "LOCATION_ALTITUDE": "altitude",
    "LOCATION_TYPE": "kind",
    "LOCATION_TIME": "time",
}
# XML 1.0 (fifth edition), production 2: what a document may hold.
_ILLEGAL = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def decode(payload: bytes) -> Ixml:
    """Read an ``iXML`` payload.

    Raises
    ------
    InputError
        It is not a well-formed document with the root ``BWFXML``, or has a DOCTYPE.
    """
    end = len(payload) if payload.startswith(_UTF_16) else len(payload.rstrip(_TAIL))
    record = Ixml(document=payload[:end], tail=payload[end:])
    root = parse_xml(record.document, "iXML")
    if root.tag != _ROOT:
        raise broken("iXML", 0, f"the root element is {root.tag!s}", _ROOT)
    return record


def encode(record: Ixml) -> bytes:
    """Write an ``iXML`` payload."""
    return record.document + record.tail


def _add(parent: etree._Element, tag: str, value: str | int | None) -> None:
    if value not in (None, ""):
        element = etree.SubElement(parent, tag)
        element.text = _ILLEGAL.sub("\ufffd", str(value))


def _add_group(
    parent: etree._Element, tag: str, record: object, members: dict[str, str]
) -> etree._Element:
    group = etree.SubElement(parent, tag)
    for name, attribute in members.items():
        _add(group, name, getattr(record, attribute))
    return group


def _add_speed(root: etree._Element, speed: Speed) -> None:
    group = etree.SubElement(root, "SPEED")
    _add(group, "NOTE", speed.note)
    for name, attribute in _SPEED.items():
        if name == "TIMESTAMP_SAMPLE_RATE" and speed.timestamp_frames is not None:
            _add(group, f"{_STAMP}_HI", speed.timestamp_frames >> 32)
            _add(group, f"{_STAMP}_LO", speed.timestamp_frames & _LOW)
        _add(group, name, getattr(speed, attribute))


def build(record: Content) -> Ixml:
    """Write a record as a document: UTF-8, one element a line, always the same bytes.

    Characters that XML 1.0 does not allow become U+FFFD.
    """
    root = etree.Element(_ROOT)
    _add(root, "IXML_VERSION", VERSION)
    for name, attribute in _TOP.items():
        if name != "USER":
            _add(root, name, getattr(record, attribute))
    if record.speed is not None:
        _add_speed(root, record.speed)
    if record.sync_points:
        points = etree.SubElement(root, "SYNC_POINT_LIST")
        _add(points, "SYNC_POINT_COUNT", len(record.sync_points))
        for point in record.sync_points:
            group = etree.SubElement(points, "SYNC_POINT")
            _add(group, "SYNC_POINT_TYPE", point.kind)
            _add(group, "SYNC_POINT_FUNCTION", point.function)
            _add(group, "SYNC_POINT_COMMENT", point.comment)
            _add(group, "SYNC_POINT_LOW", point.frame & _LOW)
            _add(group, "SYNC_POINT_HIGH", point.frame >> 32)
            _add(group, "SYNC_POINT_EVENT_DURATION", point.duration_frames)
    if any(getattr(record, attribute) for attribute in _HISTORY.values()):
        _add_group(root, "HISTORY", record, _HISTORY)
    if record.total_files is not None or any(getattr(record, a) for a in _FILE_SET.values()):
        _add_group(root, "FILE_SET", record, {"TOTAL_FILES": "total_files", **_FILE_SET})
    if record.tracks:
        tracks = etree.SubElement(root, "TRACK_LIST")
        _add(tracks, "TRACK_COUNT", len(record.tracks))
        for track in record.tracks:
            group = etree.SubElement(tracks, "TRACK")
            _add(group, "CHANNEL_INDEX", track.channel_index)
            _add(group, "INTERLEAVE_INDEX", track.interleave_index)
            _add(group, "NAME", track.name)
            _add(group, "FUNCTION", track.function)
    if record.location is not None:
        _add_group(root, "LOCATION", record.location, _LOCATION)
    _add(root, "USER", record.user)
    etree.indent(root, space="  ")
    # A CR would come back as LF, so lxml writes it as a reference; the rest is plain UTF-8.
    document: bytes = etree.tostring(root, encoding="UTF-8", xml_declaration=True)
    return Ixml(document=document)


def _text(parent: etree._Element | None, tag: str) -> str:
    return "" if parent is None else parent.findtext(tag) or ""


def _number(parent: etree._Element | None, tag: str) -> int | None:
    text = _text(parent, tag).strip()
    return int(text) if text.isascii() and text.isdigit() and len(text) < 20 else None


def content(record: Ixml) -> Content:
    """Read the elements of :class:`Content` from a document, whoever wrote it.

    Raises
    ------
    InputError
        The document is not iXML.
    """
    root = parse_xml(record.document, "iXML")
    speed = root.find("SPEED")
    location = root.find("LOCATION")
    history, file_set = root.find("HISTORY"), root.find("FILE_SET")
    texts = {attribute: _text(root, name) for name, attribute in _TOP.items()}
    texts |= {attribute: _text(history, name) for name, attribute in _HISTORY.items()}
    texts |= {attribute: _text(file_set, name) for name, attribute in _FILE_SET.items()}
    return Content(
        **texts,
        total_files=_number(file_set, "TOTAL_FILES"),
        speed=None if speed is None else _speed(speed),
        tracks=tuple(
            Track(
                channel_index=_number(track, "CHANNEL_INDEX") or 0,
                interleave_index=_number(track, "INTERLEAVE_INDEX") or 0,
                name=_text(track, "NAME"),
                function=_text(track, "FUNCTION"),
            )
            for track in root.iterfind("TRACK_LIST/TRACK")
        ),
        sync_points=tuple(
            SyncPoint(
                kind=_text(point, "SYNC_POINT_TYPE"),
                function=_text(point, "SYNC_POINT_FUNCTION"),
                comment=_text(point, "SYNC_POINT_COMMENT"),
                frame=(_number(point, "SYNC_POINT_LOW") or 0)
                + ((_number(point, "SYNC_POINT_HIGH") or 0) << 32),
                duration_frames=_number(point, "SYNC_POINT_EVENT_DURATION") or 0,
            )
            for point in root.iterfind("SYNC_POINT_LIST/SYNC_POINT")
        ),
        location=None
        if location is None
        else Location(**{a: _text(location, name) for name, a in _LOCATION.items()}),
    )


def _speed(element: etree._Element) -> Speed:
    high, low = _number(element, f"{_STAMP}_HI"), _number(element, f"{_STAMP}_LO")
    return Speed(
        note=_text(element, "NOTE"),
        timestamp_frames=None if low is None else low + ((high or 0) << 32),
        **{attribute: _number(element, name) for name, attribute in _SPEED.items()},
    )


def leaves(record: Ixml) -> Iterator[tuple[str, str]]:
    """Yield path below the root and text of each element that has no child, in order.

    Raises
    ------
    InputError
        The document is not iXML.
    """
    root = parse_xml(record.document, "iXML")
    for element in root.iter(etree.Element):
        if len(element) or element is root:
            continue
        names = [str(element.tag), *(str(parent.tag) for parent in element.iterancestors())]
        yield "/".join(reversed(names[:-1])), (element.text or "").strip()


_BEXT = {
    "BWF_DESCRIPTION": "description",
    "BWF_ORIGINATOR": "originator",
    "BWF_ORIGINATOR_REFERENCE": "originator_reference",
    "BWF_ORIGINATION_DATE": "origination_date",
    "BWF_ORIGINATION_TIME": "origination_time",
}


def differences(record: Ixml, fmt: Format, bext: Bext) -> tuple[str, ...]:
    """List where a document disagrees with the chunks that count officially.

    ``SPEED`` repeats rate and depth of ``fmt ``, ``BEXT`` the texts of ``bext``. An
    element that is missing or empty does not disagree.

    Raises
    ------
    InputError
        The document is not iXML.
    """
    root = parse_xml(record.document, "iXML")
    found: list[str] = []
    speed = root.find("SPEED")
    for name, stated, true in (
        ("FILE_SAMPLE_RATE", _number(speed, "FILE_SAMPLE_RATE"), fmt.sample_rate_hz),
        ("AUDIO_BIT_DEPTH", _number(speed, "AUDIO_BIT_DEPTH"), fmt.valid_bits),
    ):
        if stated is not None and stated != true:
            found.append(f"{name} says {stated}, fmt {true}")
    for name, attribute in _BEXT.items():
        text, ours = _text(root.find("BEXT"), name).strip(), getattr(bext, attribute).strip()
        if text and text != ours:
            found.append(f"{name} says {text!r}, bext {ours!r}")
    return tuple(found)


def merge(existing: Ixml, ours: Ixml) -> tuple[Ixml, tuple[str, ...]]:
    """Add the top-level elements that a document lacks, changing none of its bytes.

    The new elements are put in front of the closing tag of the root. A document in
    UTF-16, or without such a tag, is kept as it is.

    Returns
    -------
    merged : Ixml
    added : tuple of str
        Names of the elements that were added.
    """
    theirs = parse_xml(existing.document, "iXML")
    present = {str(element.tag) for element in theirs}
    missing = [
        element
        for element in parse_xml(ours.document, "iXML")
        if str(element.tag) not in present and element.tag != "IXML_VERSION"
    ]
    closing = list(re.finditer(rb"</BWFXML\s*>", existing.document))
    if not missing or not closing or existing.document.startswith(_UTF_16):
        return existing, ()
    at = closing[-1].start()
    # ASCII with references is right in whatever character set the document declares.
    added = b"".join(
        b"  " + etree.tostring(element, encoding="us-ascii", with_tail=False) + b"\n"
        for element in missing
    )
    merged = Ixml(
        document=existing.document[:at] + added + existing.document[at:], tail=existing.tail
    )
    try:
        grown = len(parse_xml(merged.document, "iXML")) == len(theirs) + len(missing)
    except ArchiverError:
        grown = False
    # The last closing tag may stand in a comment behind the root: then nothing is added.
    return (merged, tuple(str(e.tag) for e in missing)) if grown else (existing, ())
