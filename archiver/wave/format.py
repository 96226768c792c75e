"""The ``fmt `` chunk: what the samples are.

Sources: EBU Tech 3285 v2, appendix A (WAVEFORMAT, PCM); Microsoft,
WAVEFORMATEXTENSIBLE, for the 40-byte form. Unknown coding tags are kept, not read.
"""

from __future__ import annotations

from dataclasses import dataclass

from archiver.errors import InputError
from archiver.signal.sampleformat import SampleFormat
from archiver.wave.layout import Field, Layout

__all__ = [
    "CODINGS",
    "EXTENSIBLE",
    "EXTENSION",
    "FIXED",
    "IEEE_FLOAT",
    "PCM",
    "Extension",
    "Format",
    "coding_name",
    "decode",
    "encode",
    "faults",
    "format_of",
    "sample_format",
    "speakers",
]

PCM = 0x0001
IEEE_FLOAT = 0x0003
EXTENSIBLE = 0xFFFE
_GUID_TAIL = bytes.fromhex("000000001000800000aa00389b71")
_AMBISONIC_TAIL = bytes.fromhex("00002107d3118644c8c1ca000000")

CODINGS = {
    0x0001: "PCM",
    0x0002: "Microsoft ADPCM",
    0x0003: "IEEE float",
    0x0006: "A-law",
    0x0007: "mu-law",
    0x0011: "IMA ADPCM",
    0x0031: "GSM 6.10",
    0x0050: "MPEG layer I or II",
    0x0055: "MPEG layer III",
    0x2000: "AC-3",
}
"""Registered coding tags that occur in sound recorders' files."""

_APPENDIX = "EBU Tech 3285 v2, appendix A"
_MICROSOFT = "WAVEFORMATEXTENSIBLE"

FIXED = Layout(
    "fmt",
    (
        Field(name="wFormatTag", offset=0, code="H", clause=_APPENDIX),
        Field(name="nChannels", offset=2, code="H", clause=_APPENDIX),
        Field(name="nSamplesPerSec", offset=4, code="I", clause=_APPENDIX, unit="Hz"),
        Field(name="nAvgBytesPerSec", offset=8, code="I", clause=_APPENDIX, unit="byte/s"),
        Field(name="nBlockAlign", offset=12, code="H", clause=_APPENDIX, unit="byte"),
        Field(name="wBitsPerSample", offset=14, code="H", clause=_APPENDIX, unit="bit"),
    ),
)
EXTENSION = Layout(
    "fmt",
    (
        Field(name="cbSize", offset=16, code="H", clause=_MICROSOFT, unit="byte"),
        Field(name="wValidBitsPerSample", offset=18, code="H", clause=_MICROSOFT, unit="bit"),
        Field(name="dwChannelMask", offset=20, code="I", clause=_MICROSOFT),
        Field(name="SubFormat", offset=24, code="16s", clause=_MICROSOFT),
    ),
)
_SPEAKERS = (
    "FL", "FR", "FC", "LFE", "BL", "BR", "FLC", "FRC", "BC", "SL", "SR", "TC", "TFL", "TFC",
    "TFR", "TBL", "TBC", "TBR",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Extension:
    """The fields that ``WAVE_FORMAT_EXTENSIBLE`` adds."""

    extension_bytes: int
    valid_bits_per_sample: int
    channel_mask: int
    sub_format: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Format:
    """A ``fmt `` payload.

    Parameters
    ----------
    format_tag, channels, sample_rate_hz, average_bytes_per_second, block_align_bytes, \
    bits_per_sample : int
        ``wFormatTag`` to ``wBitsPerSample``.
    extension : Extension, optional
        Present for ``WAVE_FORMAT_EXTENSIBLE`` of at least 40 bytes.
    rest : bytes
        What follows, byte for byte: ``cbSize`` and the data of other codings.
    """

    format_tag: int
    channels: int
    sample_rate_hz: int
    average_bytes_per_second: int
    block_align_bytes: int
    bits_per_sample: int
    extension: Extension | None = None
    rest: bytes = b""

    @property
    def coding(self) -> int | None:
        """The coding tag, taken from the SubFormat of the extensible form; None if unknown."""
        if self.extension is None:
            return self.format_tag
        guid = self.extension.sub_format
        if guid[2:] in (_GUID_TAIL, _AMBISONIC_TAIL):
            return int.from_bytes(guid[:2], "little")
        return None

    @property
    def container_bits(self) -> int:
        """Bits that one sample takes in the file."""
        return self.block_align_bytes * 8 // self.channels if self.channels else 0

    @property
    def valid_bits(self) -> int:
        """Bits of a sample that carry sound."""
        if self.extension is not None and self.extension.valid_bits_per_sample:
            return self.extension.valid_bits_per_sample
        return self.bits_per_sample


def decode(payload: bytes) -> Format:
    """Read a ``fmt `` payload.

    Raises
    ------
    InputError
        It is shorter than 16 bytes.
    """
    tag, channels, rate, byte_rate, block_align, bits = FIXED.unpack(payload)
    extension = None
    at = FIXED.size
    if tag == EXTENSIBLE and len(payload) >= at + EXTENSION.size:
        size, valid, mask, guid = EXTENSION.unpack(payload, at)
        extension = Extension(
            extension_bytes=size, valid_bits_per_sample=valid, channel_mask=mask, sub_format=guid
        )
        at += EXTENSION.size
    return Format(
        format_tag=tag,
        channels=channels,
        sample_rate_hz=rate,
        average_bytes_per_second=byte_rate,
        block_align_bytes=block_align,
        bits_per_sample=bits,
        extension=extension,
        rest=payload[at:],
    )


def encode(record: Format) -> bytes:
    """Write a ``fmt `` payload."""
    payload = FIXED.pack(
        record.format_tag,
        record.channels,
        record.sample_rate_hz,
        record.average_bytes_per_second,
        record.block_align_bytes,
        record.bits_per_sample,
    )
    if record.extension is not None:
        payload += EXTENSION.pack(
            record.extension.extension_bytes,
            record.extension.valid_bits_per_sample,
            record.extension.channel_mask,
            record.extension.sub_format,
        )
    return payload + record.rest


def coding_name(record: Format) -> str:
    """Name the coding for people."""
    coding = record.coding
    if coding is None:
        guid = record.extension.sub_format.hex() if record.extension else ""
        return f"unknown coding, SubFormat {guid}"
    return CODINGS.get(coding, f"unknown coding, tag {coding:#06x}")


def speakers(mask: int) -> tuple[str, ...]:
    """Name the loudspeaker positions of a ``dwChannelMask``, in the order of the channels."""
    return tuple(name for bit, name in enumerate(_SPEAKERS) if mask >> bit & 1)


def faults(record: Format) -> tuple[str, ...]:
    """List contradictions that make the samples unreadable; empty when there are none.

    The container of linear samples is ``nBlockAlign / nChannels`` whole bytes and
    holds ``wBitsPerSample`` rounded up per sample (EBU Tech 3285 v2, appendix A).
    """
    found: list[str] = []
    if record.channels == 0:
        found.append("nChannels is 0")
    if record.sample_rate_hz == 0:
        found.append("nSamplesPerSec is 0")
    if record.coding not in (PCM, IEEE_FLOAT):
        return tuple(found)
    if record.bits_per_sample == 0:
        found.append("wBitsPerSample is 0")
    elif record.channels:
        block_align = record.channels * ((record.bits_per_sample + 7) // 8)
        if record.block_align_bytes != block_align:
            found.append(
                f"nBlockAlign is {record.block_align_bytes}, but {record.channels} channels of "
                f"{record.bits_per_sample} bits take {block_align}"
            )
    if record.extension is not None and (
        record.extension.valid_bits_per_sample > record.bits_per_sample
    ):
        found.append(
            f"wValidBitsPerSample is {record.extension.valid_bits_per_sample}, more than "
            f"the {record.bits_per_sample} of wBitsPerSample"
        )
    return tuple(found)


_PCM_BYTES = (1, 2, 3, 4)
_FLOAT_BITS = (32, 64)


def sample_format(record: Format) -> SampleFormat:
    """Say how the samples are stored.

    Raises
    ------
    InputError
        The coding is not linear PCM of 1 to 32 bits or IEEE float of 32 or 64 bits,
        or the fields contradict one another.
    """
    accepted = "linear PCM of 8 to 32 bits or IEEE float of 32 or 64 bits"
    contradictions = faults(record)
    if contradictions:
        raise InputError(
            "; ".join(contradictions),
            where="chunk fmt",
            accepted=accepted,
            remedy="Find out the true format and repair a copy of the file",
        )
    coding = record.coding
    sample_bytes = record.container_bits // 8
    if coding == PCM and sample_bytes in _PCM_BYTES:
        encoding = "pcm"
    elif coding == IEEE_FLOAT and record.bits_per_sample in _FLOAT_BITS:
        encoding = "float"
    else:
        raise InputError(
            f"the sound is coded as {coding_name(record)} with {record.bits_per_sample} bits",
            where="chunk fmt",
            accepted=accepted,
            remedy="Decode it with an audio editor to linear PCM, and say so in the remarks",
        )
    return SampleFormat(
        encoding=encoding,  # type: ignore[arg-type]
        container_bits=record.container_bits,
        valid_bits=record.valid_bits,
        channels=record.channels,
        sample_rate_hz=record.sample_rate_hz,
    )


_MASKS = {1: 0x4, 2: 0x3}


def format_of(samples: SampleFormat) -> Format:
    """Describe samples for a file that had no ``fmt `` of its own.

    One or two channels of 8, 16 or 24 bit PCM get the 16-byte form, float of one or two
    channels the 18-byte form, everything else ``WAVE_FORMAT_EXTENSIBLE``. Positions
    beyond two channels are not known here, so ``dwChannelMask`` is 0.
    """
    sample_bytes = samples.container_bits // 8
    block_align = samples.channels * sample_bytes
    tag = PCM if samples.encoding == "pcm" else IEEE_FLOAT
    plain = samples.channels <= 2 and samples.valid_bits == samples.container_bits
    base = Format(
        format_tag=tag,
        channels=samples.channels,
        sample_rate_hz=samples.sample_rate_hz,
        average_bytes_per_second=min(samples.sample_rate_hz * block_align, 0xFFFFFFFF),
        block_align_bytes=block_align,
        bits_per_sample=samples.container_bits,
        rest=b"" if tag == PCM else b"\0\0",
    )
    if plain and (tag == IEEE_FLOAT or samples.container_bits in (8, 16, 24)):
        return base
    return Format(
        format_tag=EXTENSIBLE,
        channels=base.channels,
        sample_rate_hz=base.sample_rate_hz,
        average_bytes_per_second=base.average_bytes_per_second,
        block_align_bytes=base.block_align_bytes,
        bits_per_sample=base.bits_per_sample,
        extension=Extension(
            extension_bytes=22,
            valid_bits_per_sample=samples.valid_bits,
            channel_mask=_MASKS.get(samples.channels, 0),
            sub_format=tag.to_bytes(2, "little") + _GUID_TAIL,
        ),
    )
