"""Hypothesis strategies of custody: sample formats, sound, records."""

from __future__ import annotations

from hypothesis import strategies as st

from archiver.custody.sound import BlockDigester, SoundDigests
from archiver.signal.sampleformat import SampleFormat

formats = st.builds(
    lambda kind, channels, rate: SampleFormat(
        encoding=kind[0],
        container_bits=kind[1],
        valid_bits=kind[1],
        channels=channels,
        sample_rate_hz=rate,
    ),
    st.sampled_from([("pcm", 8), ("pcm", 16), ("pcm", 24), ("pcm", 32), ("float", 64)]),
    st.integers(1, 8),
    st.integers(1, 20),
)


def record_of(form: SampleFormat, data: bytes, offset: int, after: int) -> SoundDigests:
    """The record of a file with these samples at this offset."""
    digester = BlockDigester(form)
    digester.feed(data)
    return digester.result(
        file="data/masters/t01.wav",
        file_bytes=offset + len(data) + after,
        data_offset_bytes=offset,
    )


records = st.builds(
    record_of, formats, st.binary(max_size=600), st.integers(0, 5000), st.integers(0, 100)
)
