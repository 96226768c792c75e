"""How the sound of a capture file is coded there, and what its decoding keeps.

A master holds linear samples. Whether these are the recorder's own, or what a decoder
made of a coding that had left something out, no later listener can hear for certain; so
it is written down here, as found in the file.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from archiver.errors import InputError

__all__ = ["Fidelity", "SoundCoding"]


class Fidelity(enum.StrEnum):
    """What a coding keeps of the samples that it was given."""

    LINEAR = "linear"
    LOSSLESS = "lossless"
    LOSSY = "lossy"
    UNKNOWN = "unknown"


_KEEPS = {
    Fidelity.LINEAR: "samples as they stand",
    Fidelity.LOSSLESS: "lossless",
    Fidelity.LOSSY: "lossy",
    Fidelity.UNKNOWN: "lossless or lossy, the file does not say",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundCoding:
    """The coding of the sound in a capture file.

    Parameters
    ----------
    container : str
        Kind of the file: ``MP4``, ``QuickTime``, ``Matroska``, ``FLAC``, ``AIFF``, ``WAVE``.
    codec : str
        Short name in the words of its standard, such as ``AAC``, ``ALAC`` or ``PCM``.
    profile : str
        Such as ``LC`` of AAC; empty where there is none or the file does not say.
    fidelity : Fidelity
    bit_rate_bit_s : int, optional
        Bytes of the coded sound by its length, in bit/s; None until it was read to the end,
        and where it says nothing beyond rate and depth.
    decoder : str
        Library that decodes it, with version; empty where nothing is decoded.
    """

    container: str
    codec: str
    profile: str = ""
    fidelity: Fidelity
    bit_rate_bit_s: int | None = None
    decoder: str = ""

    @property
    def is_exact(self) -> bool:
        """Whether decoding gives the samples that the recorder coded."""
        return self.fidelity in (Fidelity.LINEAR, Fidelity.LOSSLESS)

    @property
    def is_decoded(self) -> bool:
        """Whether a decoder stands between the file and the samples of the master."""
        return self.container != "WAVE"

    @property
    def name(self) -> str:
        """Codec and profile: ``AAC LC``."""
        return f"{self.codec} {self.profile}".rstrip()

    @property
    def kind(self) -> str:
        """Codec and file: ``AAC LC in MP4``."""
        same = self.codec == self.container
        return self.name if same else f"{self.name} in {self.container}"

    @property
    def keeps(self) -> str:
        """What the coding keeps, in words."""
        return _KEEPS[self.fidelity]

    @property
    def bit_rate(self) -> str:
        """The bit rate in kbit/s with its unit; empty while it is not known."""
        return "" if self.bit_rate_bit_s is None else f"{self.bit_rate_bit_s / 1000:.0f} kbit/s"

    def __str__(self) -> str:
        """Say it in one line: ``AAC LC in MP4, 128 kbit/s, lossy``."""
        parts = (self.kind, self.bit_rate, self.keeps)
        return ", ".join(part for part in parts if part)

    def as_json(self) -> dict[str, Any]:
        """Return the members of a record, without those that are not known."""
        members: dict[str, Any] = {
            "container": self.container,
            "codec": self.codec,
            "profile": self.profile,
            "fidelity": str(self.fidelity),
            "bit_rate_bit_s": self.bit_rate_bit_s,
            "decoder": self.decoder,
        }
        return {name: value for name, value in members.items() if value not in (None, "")}

    @classmethod
    def from_json(cls, members: Mapping[str, Any], where: str) -> SoundCoding:
        """Read back what :meth:`as_json` wrote.

        Raises
        ------
        InputError
            It is of another form.
        """
        texts = {name: members.get(name, "") for name in ("container", "codec", "profile")}
        texts["decoder"] = members.get("decoder", "")
        rate = members.get("bit_rate_bit_s")
        fine = all(isinstance(text, str) for text in texts.values()) and texts["codec"]
        fine = fine and (rate is None or (isinstance(rate, int) and not isinstance(rate, bool)))
        if not fine or members.get("fidelity") not in list(Fidelity):
            raise InputError(
                "is no coding of sound",
                where=where,
                accepted=f"container, codec, and fidelity: {', '.join(Fidelity)}",
                remedy="The record was changed after it was written, or by another version",
            )
        return cls(fidelity=Fidelity(members["fidelity"]), bit_rate_bit_s=rate, **texts)
