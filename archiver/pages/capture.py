"""The capture chains on the page: everything between the air and the file."""

from __future__ import annotations

from collections.abc import Iterator

from archiver.pages.composing import anchor, facts_of, stated, stated_word, table_of
from archiver.pages.content import Basis, Block, Column, Fact, Line, Section, Subsection, own, said
from archiver.pages.figures import quantity
from archiver.session.records import CaptureChain, Device, Session

__all__ = ["capture_section"]


def capture_section(session: Session) -> Section | None:
    """Say with what the sound was captured."""
    if not session.chains:
        return None
    return Section(
        id="capture",
        title="How the sound was captured",
        short="Capture",
        blocks=tuple(
            Subsection(
                id=anchor("chain", chain.id),
                title=own(f"Chain {chain.id}"),
                blocks=tuple(_chain(chain)),
            )
            for chain in session.chains
        ),
    )


def _chain(chain: CaptureChain) -> Iterator[Block]:
    yield from facts_of(_devices(chain))
    rows: list[tuple[Line, ...]] = [
        (
            own(one.id),
            said(" ".join(text for text in (one.maker, one.model) if text)),
            said(one.serial or ""),
            said(one.pattern or ""),
            said(one.position or ""),
            own(quantity(one.distance)) if one.distance is not None else (),
            own(str(one.channel)) if one.channel is not None else (),
            said(one.note or ""),
        )
        for one in chain.microphones
    ]
    yield from table_of(
        "Microphones",
        (
            Column(head="Id"), Column(head="Make"), Column(head="Serial number"),
            Column(head="Pattern"), Column(head="Position"), Column(head="Distance"),
            Column(head="Channel", style="number"), Column(head="Note"),
        ),
        rows,
        basis=Basis.STATED,
    )  # fmt: skip


def _devices(chain: CaptureChain) -> Iterator[Fact]:
    yield stated("Preamplifier", _device(chain.preamplifier))
    yield stated("Converter", _device(chain.converter))
    yield stated("Recorder", _device(chain.recorder))
    yield stated_word("Sample rate", quantity(chain.sample_rate))
    yield stated_word("Bit depth", f"{chain.bit_depth} bit")
    yield stated("Channels", ", ".join(chain.channels))


def _device(device: Device | None) -> str | None:
    if device is None:
        return None
    texts = (
        " ".join(text for text in (device.maker, device.model) if text),
        f"serial number {device.serial}" if device.serial else "",
        f"gain {device.gain}" if device.gain else "",
        f"clock {device.clock}" if device.clock else "",
        f"firmware {device.firmware}" if device.firmware else "",
        device.note or "",
    )
    return ", ".join(text for text in texts if text)
