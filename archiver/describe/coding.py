"""The coding history of a master: one line a step, from the sound to this program.

Source: EBU R 98-1999. First the analogue source, then the conversion, then every
later step, as the US federal guideline on embedded metadata (FADGI, v2, 2012) asks.
"""

from __future__ import annotations

from collections.abc import Iterable

from archiver.session.records import CaptureChain, Device, Microphone, Session, Take
from archiver.signal.sampleformat import SampleFormat
from archiver.wave.history import CodingStep, format_step
from archiver.wave.text import transliterate

__all__ = ["capture_steps", "own_step"]

_MODES = {1: "mono", 2: "stereo"}


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


def capture_steps(session: Session, take: Take, samples: SampleFormat) -> str:
    r"""Return the lines for what happened before the capture file existed.

    Parameters
    ----------
    session, take
        The record; the take's chain gives the devices.
    samples : SampleFormat
        As captured: rate, depth and channels are those of the file, not of the sheet.

    Returns
    -------
    str
        ASCII, each line ended by CR LF. Empty when the take has no known chain.
    """
    chain = session.chain_of(take)
    if chain is None:
        return ""
    mode = _MODES.get(samples.channels, "")
    steps = [_machine_step(session, take), _microphone_step(chain, mode)]
    converter = chain.converter or chain.recorder
    steps.append(
        CodingStep(
            algorithm="PCM",
            sampling_frequency_hz=samples.sample_rate_hz,
            word_length_bits=samples.valid_bits,
            mode=mode,
            text=_plain((*(_device(converter) if converter else ()), "A/D")),
        )
    )
    return "".join(format_step(step) for step in steps if step is not None)


def own_step(samples: SampleFormat, program: str, done: str) -> str:
    """Return the line of this program's own step.

    Parameters
    ----------
    samples : SampleFormat
        Of the master.
    program : str
        Name and version.
    done : str
        What was done, such as ``metadata only``.
    """
    return format_step(
        CodingStep(
            algorithm="PCM",
            sampling_frequency_hz=samples.sample_rate_hz,
            word_length_bits=samples.valid_bits,
            mode=_MODES.get(samples.channels, ""),
            text=_plain((program, done, "samples unchanged")),
        )
    )
