"""Judge the loss per playing on simulated media that are played again and again.

    python -m benchmarks.wear [--media 8] [--playings 4]

Every playing has its own speed curve and room noise; the groove's hiss and clicks come
back at their places. The truth is the simulator's own signal over everything else at
the microphone, from 200 to 3000 Hz.
"""

from __future__ import annotations

import argparse

import numpy as np

from archiver.signal.estimate import estimate
from archiver.signal.motion import SNR_THRESHOLD_DB, mean_snr
from archiver.signal.reduced import reduced
from archiver.signal.rotation import find_rotation
from archiver.signal.speedcurve import speed_curve
from archiver.signal.transfer import transfer
from archiver.signal.wear import Playing, wear
from tests.simulator import Horn, Medium, Room, Voice, Wear, Works, babble, cut, perform, play
from tests.simulator.cases import DRIVES, random_curve
from tests.simulator.draws import Draws

RATE_HZ = 24_000


def judge(seed: int, playings: int) -> tuple[str, bool]:
    draws = Draws(seed, "worn medium")
    voice = Voice(pitch_hz=draws.uniform(95.0, 230.0))
    speech = babble(18.0, RATE_HZ, voice, draws.branch("voice"))
    quiet = np.zeros(RATE_HZ)
    programme = 0.35 * np.concatenate([quiet, speech, quiet])
    length_s = (programme.size - 1) / RATE_HZ
    room = Room(seed=seed, noise_dbfs=-72.0)
    recording = random_curve(DRIVES[1], 100.0, length_s, RATE_HZ, draws.branch("recording"))
    capture, turns = perform(
        programme, RATE_HZ, room=room, works=Works(), curve=recording, draws=draws.branch("cut")
    )
    medium = Medium(
        hiss_db=-draws.uniform(14.0, 24.0),
        wear=Wear(
            level_db=draws.uniform(0.2, 1.5),
            wavelength_growth=draws.uniform(0.02, 0.12),
            noise_db=draws.uniform(0.2, 1.5),
        ),
    )
    groove = cut(
        programme, RATE_HZ, horn=Horn(), medium=medium, curve=recording, turn_times_s=turns
    )
    performance = reduced(capture, RATE_HZ)
    measured, true = [], []
    for number in range(playings):
        branch = draws.branch(f"playing {number}")
        rpm = 100.0 * branch.uniform(0.93, 1.07)
        playing = random_curve(
            branch.one_of(DRIVES), rpm, length_s * 100.0 / rpm + 2.0, RATE_HZ, branch
        )
        sound, truth = play(
            groove,
            curve=playing,
            horn=Horn(low_hz=240.0, high_hz=2900.0),
            works=Works(whirr_dbfs=-64.0, thump_dbfs=-52.0),
            room=room,
            playings_before=number,
            lowered_s=0.6,
            from_s=0.2,
            level_dbfs=-26.0,
            draws=branch.branch("play"),
            groove_draws=draws.branch("groove"),
        )
        take = reduced(sound, RATE_HZ)
        curve = speed_curve(performance, take, find_rotation(take, 100.0))
        measured.append(
            Playing(playings_before=number, value=mean_snr(transfer(performance, take, curve)))
        )
        true.append(Playing(playings_before=number, value=estimate(truth.snr_db, 0.01, "dB")))
    found, expected = wear(measured, SNR_THRESHOLD_DB), wear(true, SNR_THRESHOLD_DB)
    slope, wanted = found.per_playing, expected.per_playing.value
    held = slope.interval is not None and wanted is not None
    held = held and slope.interval[0] <= wanted <= slope.interval[1]  # type: ignore[index, operator]  # checked above
    figures = " ".join(
        "-" if playing.value.value is None else f"{playing.value.value:.1f}" for playing in measured
    )
    text = (
        f"{seed:4} loss {slope.value} ± {slope.uncertainty}, true {wanted:.2f} dB a playing, "
        f"{'held' if held else 'NOT held'}; measured {figures}; "
        f"true {' '.join(f'{p.value.value:.1f}' for p in true)}; "
        f"left {found.left.value or found.left.reason}, true {expected.left.value}"
    )
    return text, held


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--media", type=int, default=8)
    parser.add_argument("--playings", type=int, default=4)
    arguments = parser.parse_args()
    held = 0
    for seed in range(arguments.media):
        text, good = judge(seed, arguments.playings)
        print(text, flush=True)
        held += good
    print(f"held in {held} of {arguments.media} media")


if __name__ == "__main__":
    main()
