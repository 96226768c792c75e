"""The record of a run: written and read back, and every other document refused in words."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver.describe.runrecord import (
    MasterRecord,
    PayloadRecord,
    RunRecord,
    decode_run,
    encode_run,
)
from archiver.errors import ArchiverError, InputError

text = st.text(st.characters(codec="utf-8"), max_size=12)
texts = st.lists(text, max_size=3).map(tuple)
number = st.integers(0, 2**63)
masters = st.builds(
    MasterRecord,
    takes=st.lists(text, min_size=1, max_size=3).map(tuple),
    capture=text,
    file=text,
    measurements=text,
    form=st.sampled_from(["RIFF", "RF64"]),
    data_offset_bytes=number,
    data_bytes=number,
    frames=number,
    samples_md5=text,
    moved_behind=texts,
)
payload = st.builds(
    PayloadRecord,
    file=text,
    take=st.none() | text,
    source=st.none() | text,
    derived_from=st.none() | text,
    treatment=st.none() | text,
)
runs = st.builds(
    RunRecord,
    session=text,
    version=st.integers(1, 99),
    replaces=text,
    replaces_version=st.none() | st.integers(1, 98),
    made=text,
    program=text,
    python=text,
    libraries=st.dictionaries(text, text, max_size=3),
    algorithms=texts,
    documents=texts,
    institution=text,
    serialisation=text,
    restricted_left_out=st.booleans(),
    masters=st.lists(masters, max_size=3).map(tuple),
    payload=st.lists(payload, max_size=3).map(tuple),
    steps=texts,
)
RUN = RunRecord(
    session="s",
    version=1,
    made="2026-05-03T00:00:00+00:00",
    program="archiver 0.1.0",
    python="CPython 3.11.0",
    libraries={"lxml": "6.0.0"},
    algorithms=("sha256",),
    documents=("premis",),
    payload=(PayloadRecord(file="data/documents/session.yaml"),),
)


@given(runs)
def test_what_was_written_is_read_back(run: RunRecord) -> None:
    assert decode_run(encode_run(run)) == run


@pytest.mark.parametrize("name", sorted(json.loads(encode_run(RUN))))
def test_a_member_that_is_missing_or_of_another_kind_is_named(name: str) -> None:
    document: dict[str, Any] = json.loads(encode_run(RUN))
    for wrong in (3.5, {"a": [1]}, [None]):
        document[name] = wrong
        with pytest.raises(InputError, match=name):
            decode_run(json.dumps(document).encode())


@given(st.binary(max_size=60) | st.recursive(
    st.none() | st.booleans() | st.integers() | text,
    lambda inner: st.lists(inner) | st.dictionaries(text, inner),
    max_leaves=5,
).map(lambda value: json.dumps(value).encode()))  # fmt: skip
def test_any_other_bytes_are_refused_as_input(content: bytes) -> None:
    with pytest.raises(ArchiverError):
        decode_run(content)
