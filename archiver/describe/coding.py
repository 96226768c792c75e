"""The coding history of a master: one line a step, from the sound to this program.

Source: EBU R 98-1999. First the analogue source, then the conversion, then every
later step, as the US federal guideline on embedded metadata (FADGI, v2, 2012) asks.

The list of algorithms in R 98 ends with MPEG layer III. AAC, Opus and other lossy codings
are named as they are, for each value of the list would say something false of them; as
with sample rates above 48 kHz, what is true goes before the list of 1999. ``T`` says the
coding in words. A lossless coding gives back the samples of the converter, and its step
is that of PCM.
"""

from __future__ import annotations

from collections.abc import Iterable

from archiver.session.records import CaptureChain, Device, Microphone, Session, Take
from archiver.signal.sampleformat import SampleFormat
from archiver.wave.coding import Fidelity, SoundCoding
from archiver.wave.history import CodingStep, format_step
from archiver.wave.text import transliterate

__all__ = ["capture_steps", "own_step"]

_MODES = {1: "mono", 2: "stereo"}
_LAYERS = {
    f"MPEG-{part} layer {layer}": f"MPEG{part}L{number}"
    for part in (1, 2)
    for number, layer in enumerate(("I", "II", "III"), start=1)
}


def _plain(parts: Iterable[str | None]) -> str:
    # Commas part the parameters of a line and semicolons the parts of T= (R 98).
    kept = (transliterate(part).replace(",", " ").replace(";", " ") for part in parts if part)
    return ";".join(" ".join(part.split()) for part in kept)


def _device(device: Device | Microphone) -> tuple[str | None, ...]:
    name = " ".join(part for part in (device.maker, device.model) if part)
    return name or None, f"SN{device.serial}" if device.serial else None


def _machine_step(session: Session, take: Take) -> CodingStep | None:
    setup, machine = session.setup_of(take), session.machine_of(take)
    if setup is None or machine is None or not take.kind.plays:
        return None
    medium = session.medium_of(take)
    serial = next((mark.text for mark in machine.marks if mark.kind == "serial number"), None)
    stylus = setup.stylus.kind if setup.stylus else None
    return CodingStep(
        algorithm="ANALOGUE",
        mode="mono",
        text=_plain(
            (
                f"{machine.maker.name if machine.maker else ''} {machine.name}",
                f"SN{serial}" if serial else None,
                setup.nominal_speed.text if setup.nominal_speed else None,
                stylus,
                f"{medium.kind} {medium.label or medium.id}" if medium else None,
            )
        ),
    )


def _microphone_step(chain: CaptureChain, mode: str) -> CodingStep:
    parts: list[str | None] = []
    for microphone in chain.microphones:
        parts += _device(microphone)
    if chain.preamplifier:
        parts += _device(chain.preamplifier)
    return CodingStep(algorithm="ANALOGUE", mode=mode, text=_plain(parts))


def _algorithm(coding: SoundCoding) -> str:
    known = _LAYERS.get(coding.codec)
    if known is not None:
        return known
    return "".join(one for one in transliterate(coding.codec).upper() if one.isalnum())


def _capture_step(
    samples: SampleFormat, coding: SoundCoding, parts: list[str | None]
) -> CodingStep:
    """Return the step that made the capture file: conversion, and the coding in that file."""
    rate, mode = samples.sample_rate_hz, _MODES.get(samples.channels, "")
    if coding.is_decoded:
        parts = [*parts, coding.kind, coding.bit_rate, coding.keeps]
    if coding.is_exact:
        return CodingStep(
            algorithm="PCM",
            sampling_frequency_hz=rate,
            word_length_bits=samples.valid_bits,
            mode=mode,
            text=_plain(parts),
        )
    # A lossy coding has no word length; R 98 gives the bit rate for MPEG layers, per channel.
    is_layer = coding.codec in _LAYERS and coding.bit_rate_bit_s is not None
    return CodingStep(
        algorithm=_algorithm(coding),
        sampling_frequency_hz=rate,
        bit_rate_kbit_s=(
            round((coding.bit_rate_bit_s or 0) / 1000 / samples.channels) if is_layer else None
        ),
        mode=mode,
        text=_plain(parts),
    )


def capture_steps(session: Session, take: Take, samples: SampleFormat, coding: SoundCoding) -> str:
    r"""Return the lines for what happened before the capture file existed.

    Parameters
    ----------
    session, take
        The record; the take's chain gives the devices.
    samples : SampleFormat
        As captured: rate, depth and channels are those of the file, not of the sheet.
    coding : SoundCoding
        How the capture file holds the sound.

    Returns
    -------
    str
        ASCII, each line ended by CR LF. Empty when the take has no known chain and its
        capture file holds linear samples that are not decoded.
    """
    chain = session.chain_of(take)
    if chain is None:
        return format_step(_capture_step(samples, coding, [])) if coding.is_decoded else ""
    mode = _MODES.get(samples.channels, "")
    steps = [_machine_step(session, take), _microphone_step(chain, mode)]
    converter = chain.converter or chain.recorder
    device = _device(converter) if converter else ()
    steps.append(_capture_step(samples, coding, [*device, "A/D"]))
    return "".join(format_step(step) for step in steps if step is not None)


def own_step(samples: SampleFormat, coding: SoundCoding, program: str) -> str:
    """Return the line of this program's own step.

    Parameters
    ----------
    samples : SampleFormat
        Of the master.
    coding : SoundCoding
        How the capture file holds the sound.
    program : str
        Name and version.
    """
    done: tuple[str, ...] = ("metadata added", "samples unchanged")
    if coding.is_decoded:
        with_what = f"decoded from {coding.name} by {coding.decoder}"
        if coding.fidelity is Fidelity.LINEAR:
            with_what = f"taken out of {coding.container} by {coding.decoder}"
        done = (with_what, "samples unchanged")
        if not coding.is_exact:
            done = (with_what, "decoded samples unchanged")
    return format_step(
        CodingStep(
            algorithm="PCM",
            sampling_frequency_hz=samples.sample_rate_hz,
            word_length_bits=samples.valid_bits,
            mode=_MODES.get(samples.channels, ""),
            text=_plain((program, *done)),
        )
    )
