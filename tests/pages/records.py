"""Records of the sample session as a bag would hold them; the figures are made up."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

from archiver.describe.facts import (
    Archive,
    FileFacts,
    FileRole,
    Levels,
    Library,
    MasterFacts,
    RunFacts,
)
from archiver.describe.mediatypes import media_type_of
from archiver.describe.motion_record import motion_record
from archiver.describe.sound_record import sound_record
from archiver.describe.withholding import withhold
from archiver.findings import Finding, Severity, Where
from archiver.pages.facts import Links, PageFacts
from archiver.session.load import load_session
from archiver.session.records import Session
from archiver.signal.sampleformat import SampleFormat

FORMAT: dict[str, Any] = {
    "encoding": "pcm", "container_bits": 24, "valid_bits": 24, "channels": 1,
    "sample_rate_hz": 48_000,
}  # fmt: skip
LINKS = Links(
    picture=lambda file: f"../{file.path}",
    file=lambda path: f"../{path}",
    cover=lambda file: f"../{file.path}",
)


def sample(folder: Path) -> Session:
    """Read the public record of the sample session."""
    loaded = load_session(folder)
    assert loaded.session is not None
    return withhold(loaded.session).session


def measurement(number: int) -> dict[str, Any]:
    """Return a report of measurements; the level rises and falls in steps."""
    course = [None] * 4 + [round(-60.0 + (number + 3) * step % 37, 1) for step in range(120)]
    bands = [
        {
            "nominal_hz": nominal,
            "level_dbfs": -70.0 + at,
            "programme_dbfs": -70.0 + 5 * min(at, 12 - at),
            "noise_dbfs": -80.0 + at,
        }
        for at, nominal in enumerate([31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0])
    ]
    span = {"start_s": 1.0, "end_s": 1.25, "occurrences": 2, "longest_s": 0.001, "value": 0.99}
    channel = {
        "sample_peak_dbfs": -3.0, "true_peak_dbtp": -2.8, "rms_dbfs": -24.0,
        "crest_factor_db": 21.0, "dc_offset": 0.0, "dc_offset_dbfs": None, "bits_used": 24,
        "depth_occupancy": 0.99, "invalid_samples": 0,
        "noise": {
            "source": "quiet parts", "noise_floor_dbfs": -53.0, "signal_to_noise_db": 27.0,
            "bandwidth_margin_db": 3.0, "bandwidth_hz": [89.1, 4466.8], "third_octaves": bands,
        },
        "hum": {
            "nominal_hz": 50.0, "frequency_hz": 50.01, "frequency_uncertainty_hz": 0.001,
            "level_dbfs": -92.0, "lines": [
                {"harmonic": 1, "frequency_hz": 50.01, "level_dbfs": -92.0, "prominence_db": 20.0}
            ],
        },
        "cutoff_hz": None, "clicks": {"count": 20, "per_second": 1.5},
        "clipped": [span], "dropouts": [], "still": [],
    }  # fmt: skip
    return {
        "schema": "measurement 1", "sample_format": FORMAT, "frames": 480_000 + 48_000 * number,
        "duration_s": 10.0 + number, "spare_bytes": 0,
        "loudness": {
            "channel_weights": [1.0], "integrated_lufs": -20.0 - number, "range_lu": 4.2,
            "range_step_s": 0.1, "max_momentary_lufs": -18.0, "max_short_term_lufs": -19.0,
            "course": {"step_s": 0.1, "momentary_lufs": course},
        },
        "true_peak_dbtp": -2.8, "true_peak_oversampling": 4, "channels": [channel],
        "channel_pairs": [], "repeated_blocks": [], "cut_list": [],
    }  # fmt: skip


def told(unit: str, value: float, uncertainty: float) -> dict[str, Any]:
    """Return an estimate as it is recorded."""
    return {"unit": unit, "value": value, "uncertainty": uncertainty}


def untold(unit: str, reason: str) -> dict[str, Any]:
    """Return an estimate that has no value."""
    return {"unit": unit, "reason": reason}


def movement(take: str, kind: str, rpm: float | None) -> dict[str, Any]:
    """Return the motion of a take that turns at a speed, or cannot be told to turn."""
    turns = 0 if rpm is None else 20
    why = "no sound returns once a turn"
    document: dict[str, Any] = {
        "take": take,
        "kind": kind,
        "stated_rpm": 100.0,
        "rotation": {
            "mean_rpm": untold("rpm", why) if rpm is None else told("rpm", rpm, 0.0325),
            "confidence": 20.0,
            "octave_doubtful": False,
            "event_s": [0.6 * turn for turn in range(turns)],
            "heard": [turn != 7 for turn in range(turns)],
            "rpm": [(rpm or 0.0) + (turn % 5 - 2) / 10 for turn in range(max(0, turns - 1))],
            "rpm_uncertainty": [0.28] * max(0, turns - 1),
        },
        "recording_rpm": untold("rpm", why) if rpm is None else told("rpm", 97.39, 0.19),
        "wavering": [],
        "geometry": {
            "at": [
                {
                    "diameter_mm": 57.15,
                    "surface_speed": told("mm/s", 296.2, 0.1),
                    "wavelength_1_khz": told("um", 296.2, 0.1),
                    "shortest_wavelength": told("um", 66.3, 0.1),
                    "highest_traceable": untold("Hz", "the radius of the stylus is unknown"),
                }
            ],
            "capacity": untold("s", why) if rpm is None else told("s", 581.9, 0.19),
            "capacity_used": untold("1", why),
            "length_used": untold("mm", why),
            "replay_offset": untold("cents", why),
        },
    }
    if kind == "reproduction":
        document["speed_curve"] = _curve()
        document["wavering"] = [_wavering()]
    return document


def _curve() -> dict[str, Any]:
    points = range(600)
    return {
        "mean_ratio": told("1", 1.0164, 0.002), "resolution_s": 0.15, "alignment_score": 0.9,
        "alignment_contrast": 3.0,
        "time_s": [0.02 * point for point in points],
        "source_s": [0.02 * point for point in points],
        "ratio": [1.016 + (point * 7 % 13 - 6) / 2000 for point in points],
        "ratio_uncertainty": [0.004] * 600,
        "told": [point >= 40 for point in points],
    }  # fmt: skip


def _wavering() -> dict[str, Any]:
    slow = untold("%", "the curve shows nothing faster than 6 Hz")
    return {
        "carrier": "reproduction against performance", "highest_hz": 6.0,
        "drift": told("%/min", -1.2, 3.0), "wow_rms": told("%", 0.27, 0.06),
        "wow_peak": told("%", 0.52, 0.1), "flutter_rms": slow, "flutter_peak": slow,
        "weighted": told("%", 0.4, 0.09),
        "dominant": {"rate": told("Hz", 1.65, 0.1), "peak": told("%", 0.4, 0.1),
                     "locked": "turn"},
        "harmonics": [],
    }  # fmt: skip


def motion() -> dict[str, Any]:
    """Return the report of motion of the sample session."""
    wear = {
        "per_playing": told("dB", -1.73, 0.67), "threshold": 6.0,
        "playings_left": told("playings", 3.0, 3.2), "playings": 2,
    }  # fmt: skip
    return {
        "schema": "motion 1",
        "takes": [
            movement("t03", "performance", None),
            movement("t04", "reproduction", 98.99),
            movement("t05", "reproduction", 103.56),
        ],
        "media": [
            {"medium": "cyl-07", "performance": "t03", "takes": ["t04", "t05"], "snr": wear,
             "band_index": wear}
        ],
        "findings": [],
    }  # fmt: skip


def page_facts(session: Session) -> PageFacts:
    """Return what the page of the sample session's bag is made from."""
    measured = {
        f"data/masters/{take.id}.wav": measurement(number)
        for number, take in enumerate(session.takes)
    }
    return PageFacts(
        archive=Archive(
            session=session,
            files=tuple(_files(session)),
            masters=tuple(
                MasterFacts(
                    take=take.id,
                    path=path,
                    samples=SampleFormat(**FORMAT),
                    frames=document["frames"],
                    samples_md5=hashlib.md5(path.encode(), usedforsecurity=False).hexdigest(),
                    levels=Levels(
                        integrated_lufs=document["loudness"]["integrated_lufs"],
                        range_lu=4.2,
                        true_peak_dbtp=-2.8,
                        max_momentary_lufs=-18.0,
                        max_short_term_lufs=-19.0,
                    ),
                )
                for take, (path, document) in zip(session.takes, measured.items(), strict=True)
            ),
            run=RunFacts(
                program="archiver",
                version="0.0.0",
                archived="2026-10-18T09:00:00+00:00",
                bag_identifier="urn:uuid:00000000-0000-5000-8000-000000000000",
                libraries=(Library(name="numpy", version="2.0"),),
            ),
        ),
        bag="lhm-2026-10-17",
        sounds={path: sound_record(document, path) for path, document in measured.items()},
        motion=motion_record(motion(), "metadata/motion.json"),
        findings=(
            Finding(
                code="motion-speed-disagrees",
                severity=Severity.WARNING,
                where=Where(file="session.yaml", line=198, field="setups[1].nominal_speed"),
                message="the nominal speed is stated as 100 rpm, and take t04 turned at 98.99 rpm",
                remedy="Check the stated speed against the machine",
            ),
        ),
        algorithms=("sha256",),
        steps=("the sheet, the machine files and the captures were checked",),
    )


def _files(session: Session) -> list[FileFacts]:
    found = [(f"data/masters/{take.id}.wav", FileRole.MASTER, take.file) for take in session.takes]
    found += [("data/access/t04.opus", FileRole.ACCESS, "")]
    pictures = [one.file for one in session.photographs]
    pictures += [one.file for machine in session.machines for one in machine.photographs]
    found += [(f"data/{file}", FileRole.PHOTOGRAPH, file) for file in dict.fromkeys(pictures)]
    found += [(f"data/{one.file}", FileRole.DOCUMENT, one.file) for one in session.documents]
    takes = {f"data/masters/{take.id}.wav": take.id for take in session.takes}
    takes["data/access/t04.opus"] = "t04"
    return [
        FileFacts(
            path=path,
            size_bytes=1000 * len(path),
            digests={"sha256": hashlib.sha256(path.encode()).hexdigest()},
            media_type=media_type_of(path),
            role=role,
            take=takes.get(path),
            original_name=source or None,
            derived_from="data/masters/t04.wav" if role is FileRole.ACCESS else None,
        )
        for path, role, source in found
    ]
