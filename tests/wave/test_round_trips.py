"""Every chunk: a record comes back from its bytes, and bytes come back from their record."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from archiver.errors import ArchiverError
from archiver.wave import adtl, axml, bext, cue, ds64, fact, format, info, ixml, md5  # noqa: A004
from tests.wave import strategies
from tests.wave.refusal import told

Decode = Callable[[bytes], Any]

CODECS: dict[str, tuple[Any, st.SearchStrategy[Any]]] = {
    "adtl": (adtl, strategies.adtl),
    "axml": (axml, strategies.axml),
    "bext": (bext, strategies.bexts()),
    "cue": (cue, strategies.cue),
    "ds64": (ds64, strategies.ds64),
    "fact": (fact, strategies.fact),
    "fmt": (format, strategies.formats()),
    "info": (info, strategies.info),
    "md5": (md5, strategies.md5),
}
# Where every payload that can be read comes back byte for byte, the canonical ones and others.
PREFIXES = {"adtl": b"adtl", "info": b"INFO"}


@pytest.mark.parametrize("name", CODECS)
@given(data=st.data())
def test_a_record_comes_back_from_its_bytes(name: str, data: st.DataObject) -> None:
    module, records = CODECS[name]
    record = data.draw(records)
    assert module.decode(module.encode(record)) == record


@pytest.mark.parametrize("name", CODECS)
@given(payload=st.one_of(st.binary(max_size=80), st.binary(min_size=602, max_size=700)))
@example(payload=b"\4\0\0\0ab\0\0")
@example(payload=b"INAM\x03\0\0\0ab\0" + b"IART\x01\0\0\0x\0")
@example(payload=b"INAM\x03\0\0\0abc" + b"\x07" + b"IART\xff\xff\xff\xff")
@example(payload=b"labl\x05\0\0\0\1\0\0\0\xe6\0")
@example(payload=b"\xff" * 700)
def test_hostile_bytes_come_back_or_are_refused_by_name(name: str, payload: bytes) -> None:
    module, _ = CODECS[name]
    whole = PREFIXES.get(name, b"") + payload
    record = None
    assert told(lambda: module.decode(whole))
    with contextlib.suppress(ArchiverError):
        record = module.decode(whole)
    assert record is None or module.encode(record) == whole


@given(content=strategies.content)
def test_ixml_content_comes_back_from_the_document_built_of_it(content: ixml.Content) -> None:
    built = ixml.decode(ixml.encode(ixml.build(content)))
    assert ixml.content(built) == content


@given(
    inner=st.sampled_from([b"", b"<TAKE>1</TAKE>", b"<X y='1'>\xc3\xa6</X><!-- c -->"]),
    tail=st.sampled_from([b"", b"\0", b"  \r\n\0\0"]),
)
def test_an_ixml_payload_comes_back_byte_for_byte(inner: bytes, tail: bytes) -> None:
    payload = b"<?xml version='1.0'  encoding=\"UTF-8\"?>\n<BWFXML>" + inner + b"</BWFXML>" + tail
    assert ixml.encode(ixml.decode(payload)) == payload


@given(payload=st.binary(max_size=60))
@example(payload=b"<BWFXML>" * 300)
@example(payload=b"<?xml version='1.0' encoding='klingon'?><BWFXML/>")
@example(payload="<BWFXML/>".encode("utf-16"))
@example(payload=b"\xff\xfe<")
def test_hostile_xml_comes_back_or_is_refused_by_name(payload: bytes) -> None:
    try:
        record = ixml.decode(payload)
    except ArchiverError:
        return
    assert ixml.encode(record) == payload
