"""Digests of the sound: in any pieces, and to JSON and back.

Judges: hashlib over slices; MD5 test suite of RFC 1321 section A.5; the JSON Schema through
the jsonschema library.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver.custody.sound import (
    BlockDigester,
    SoundDigests,
    SpanDigester,
    decode_sound_digests,
    encode_sound_digests,
    sound_digests_path,
)
from archiver.errors import InputError
from archiver.schema_store import schema
from archiver.signal.sampleformat import SampleFormat
from tests.custody.strategies import formats, records

STEREO = SampleFormat(
    encoding="pcm", container_bits=16, valid_bits=16, channels=2, sample_rate_hz=8
)
SCHEMA = schema("sound-digests")


@given(formats, st.binary(max_size=2000), st.lists(st.integers(0, 200), max_size=20))
def test_digests_do_not_depend_on_the_pieces(
    form: SampleFormat, data: bytes, cuts: list[int]
) -> None:
    digester = BlockDigester(form)
    rest = data
    for cut in cuts:
        digester.feed(rest[:cut])
        rest = rest[cut:]
    digester.feed(memoryview(rest))
    step = form.sample_rate_hz * form.frame_bytes
    assert digester.blocks == tuple(
        hashlib.sha256(data[start : start + step]).hexdigest()
        for start in range(0, len(data), step)
    )
    assert digester.md5 == hashlib.md5(data, usedforsecurity=False).hexdigest()
    assert digester.data_bytes == len(data)


@pytest.mark.parametrize(
    ("data", "md5"),
    [
        # RFC 1321 section A.5.
        (b"", "d41d8cd98f00b204e9800998ecf8427e"),
        (b"abc", "900150983cd24fb0d6963f7d28e17f72"),
        (b"message digest", "f96b697d7cb7938d525a2f31aaf161d0"),
    ],
)
def test_md5_of_known_bytes(data: bytes, md5: str) -> None:
    digester = BlockDigester(STEREO)
    digester.feed(data)
    assert digester.md5 == md5


@given(st.binary(max_size=400), st.integers(0, 450), st.integers(0, 450), st.integers(1, 50))
def test_span_of_a_passing_file_is_cut_out_exactly(
    content: bytes, offset: int, length: int, step: int
) -> None:
    digester = BlockDigester(STEREO)
    span = SpanDigester(digester=digester, offset_bytes=offset, length_bytes=length)
    for start in range(0, len(content), step):
        span.feed(content[start : start + step])
    wanted = content[offset : offset + length]
    assert digester.md5 == hashlib.md5(wanted, usedforsecurity=False).hexdigest()
    assert digester.data_bytes == len(wanted)


def test_md5_is_left_out_on_request() -> None:
    digester = BlockDigester(STEREO, md5=False)
    digester.feed(b"abcd")
    assert digester.md5 == ""
    assert len(digester.blocks) == 1


@given(records)
def test_record_survives_json_and_meets_the_schema(record: SoundDigests) -> None:
    content = encode_sound_digests(record)
    assert decode_sound_digests(content) == record
    assert encode_sound_digests(decode_sound_digests(content)) == content
    jsonschema.validate(json.loads(content), SCHEMA)


def test_schema_is_closed_and_tells_of_every_field() -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    assert SCHEMA["$id"] == "https://archiver.invalid/schemas/sound-digests.schema.json"
    for part in (SCHEMA, SCHEMA["properties"]["sample_format"]):
        assert part["additionalProperties"] is False
        assert sorted(part["required"]) == sorted(part["properties"])
        for field in part["properties"].values():
            assert field["description"]
            for example in field["examples"]:
                jsonschema.validate(example, field)


RECORD = (
    b'{"schema": "sound-digests 1", "file": "data/masters/t.wav", "file_bytes": 50, '
    b'"sample_format": {"encoding": "pcm", "container_bits": 16, "valid_bits": 16, '
    b'"channels": 1, "sample_rate_hz": 8}, "data_offset_bytes": 44, "data_bytes": 0, '
    b'"md5": "d41d8cd98f00b204e9800998ecf8427e", "frames_per_block": 8, "block_sha256": []}'
)


def test_record_without_samples_is_read() -> None:
    record = decode_sound_digests(RECORD)
    assert record.frames == 0
    assert record.duration_s == 0


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        (b"sound-digests 1", b"sound-digests 9", "schema"),
        (b'"file": ', b'"fyle": ', "file is missing"),
        (b'"md5": ', b'"extra": 1, "md5": ', "extra is not known"),
        (b'"file_bytes": 50', b'"file_bytes": "50"', "file_bytes is no whole number"),
        (b'"file_bytes": 50', b'"file_bytes": true', "file_bytes is no whole number"),
        (b'"file_bytes": 50', b'"file_bytes": 50.0', "file_bytes is no whole number"),
        (b'"file_bytes": 50', b'"file_bytes": -1', "file_bytes is -1"),
        (b'"file_bytes": 50', b'"file_bytes": 43', "do not fit"),
        (b'"file_bytes": 50', b'"file_bytes": NaN', "not usable JSON"),
        (b'"file_bytes": 50', b'"file_bytes": ' + b"9" * 5000, "not usable JSON"),
        (b'"file_bytes": 50', b'"file_bytes": 50, "file_bytes": 50', "not usable JSON"),
        (b'"frames_per_block": 8', b'"frames_per_block": 0', "blocks of 0 frames"),
        (b'"block_sha256": []', b'"block_sha256": ["x"]', "1 block digests"),
        (b'"block_sha256": []', b'"block_sha256": [1]', "no list of texts"),
        (b'"block_sha256": []', b'"block_sha256": {}', "no list of texts"),
        (b"d41d8", b"D41d8", "the MD5 is"),
        (b'"pcm"', b'"mp3"', "sample encoding"),
        (b'"channels": 1', b'"channels": 0', "0 channels"),
        (b'{"encoding"', b'[{"encoding"', "not usable JSON"),
        (b'"schema"', b"\xff", "not usable JSON"),
    ],
)
def test_record_out_of_form_is_refused_with_the_field(
    before: bytes, after: bytes, told: str
) -> None:
    assert before in RECORD
    with pytest.raises(InputError, match=told):
        decode_sound_digests(RECORD.replace(before, after))


@pytest.mark.parametrize(
    "content", [b"", b"[]", b"1", b"null", b"[" * 100_000, b"\x00", b'{"a": "\\ud800"}']
)
def test_anything_else_is_refused(content: bytes) -> None:
    with pytest.raises(InputError):
        decode_sound_digests(content)


@given(records, st.binary(max_size=10), st.integers(0, 2000))
def test_mutated_record_is_read_or_refused(record: SoundDigests, junk: bytes, at: int) -> None:
    content = encode_sound_digests(record)
    mutated = content[:at] + junk + content[at + len(junk) :]
    try:
        again = decode_sound_digests(mutated)
    except InputError as error:
        told = str(error)
    else:
        told = again.file
    assert told is not None


def test_block_digest_of_another_form_is_refused() -> None:
    digester = BlockDigester(STEREO)
    digester.feed(b"abcd")
    content = encode_sound_digests(
        digester.result(file="data/m.wav", file_bytes=100, data_offset_bytes=44)
    )
    digest = digester.blocks[0].encode()
    with pytest.raises(InputError, match="digest 0"):
        decode_sound_digests(content.replace(digest, digest.upper()))


def test_path_of_a_record() -> None:
    assert sound_digests_path("t01") == "metadata/sound/t01.json"
    assert Path(sound_digests_path("t01")).suffix == ".json"
