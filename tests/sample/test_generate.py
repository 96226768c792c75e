"""The committed sounds and pictures are what the generator makes.

Arithmetic differs between processors and libraries in the last place, so samples are
compared within one step of 24 bits, and pixels within a few steps of 8.
"""

from __future__ import annotations

import io
import json
from pathlib import Path

import av
import numpy as np
import numpy.typing as npt
import pytest
import soundfile

from tests.sample.drawing.machines import SCENES
from tests.sample.drawing.png import encode
from tests.sample.drawing.render import render
from tests.sample.generate import PICTURE_SIZE, SESSION, TRUTH, sounds, write_sounds

_STEP_24 = 1 << 8


def _samples(content: bytes) -> npt.NDArray[np.int64]:
    found, _ = soundfile.read(io.BytesIO(content), dtype="int32", always_2d=True)
    return np.asarray(found, dtype=np.int64)


def _pixels(content: bytes) -> npt.NDArray[np.uint8]:
    """Read a picture. Judge: FFmpeg's PNG decoder through PyAV."""
    with av.open(io.BytesIO(content), "r") as container:
        frame = next(container.decode(video=0))
        return np.asarray(frame.to_ndarray(format="rgb24"), dtype=np.uint8)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("session")
    write_sounds(folder, folder / "truth.json")
    return folder


def test_every_take_is_made_again_within_one_step(made: Path) -> None:
    names = sorted(path.name for path in (SESSION / "takes").iterdir())
    assert names == sorted(path.name for path in (made / "takes").iterdir())
    for name in names:
        committed = _samples((SESSION / "takes" / name).read_bytes())
        again = _samples((made / "takes" / name).read_bytes())
        assert committed.shape == again.shape
        assert np.abs(committed - again).max() <= _STEP_24


def test_everything_but_the_samples_is_made_again_byte_for_byte(made: Path) -> None:
    for path in (SESSION / "takes").glob("*.wav"):
        content, again = path.read_bytes(), (made / "takes" / path.name).read_bytes()
        assert len(content) == len(again)
        header = content.index(b"data") + 8
        assert content[:header] == again[:header]


def test_two_runs_on_one_machine_are_equal(made: Path) -> None:
    files, text = sounds()
    for name, content in files.items():
        assert (made / name).read_bytes() == content
    assert (made / "truth.json").read_text(encoding="utf-8") == text


def test_the_truth_is_made_again(made: Path) -> None:
    committed = json.loads(TRUTH.read_text(encoding="utf-8"))
    again = json.loads((made / "truth.json").read_text(encoding="utf-8"))
    _same(committed, again, "truth")


def _same(one: object, other: object, where: str) -> None:
    if isinstance(one, dict) and isinstance(other, dict):
        assert list(one) == list(other), where
        for key in one:
            _same(one[key], other[key], f"{where}.{key}")
    elif (isinstance(one, list) and isinstance(other, list)) or isinstance(one, float):
        assert one == pytest.approx(other, abs=2e-5), where
    else:
        assert one == other, where


@pytest.mark.parametrize("name", sorted(SCENES))
def test_rows_of_a_picture_are_rendered_again(name: str) -> None:
    committed = _pixels((SESSION / name).read_bytes())
    columns, rows = PICTURE_SIZE
    assert committed.shape == (rows, columns, 3)
    wanted = range(290, 600, 260)
    again = render(SCENES[name](), columns, rows, wanted).astype(np.int64)
    off = np.abs(committed[wanted.start : wanted.stop : wanted.step] - again)
    # An edge may fall on the other side of a pixel; not many can.
    assert np.mean(off > 3) < 0.002


@pytest.mark.parametrize("name", sorted(SCENES))
def test_pictures_are_written_as_the_encoder_writes_them(name: str) -> None:
    content = (SESSION / name).read_bytes()
    header = b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR\x00\x00\x04\xb0\x00\x00\x03\x20\x08\x02"
    assert content.startswith(header)
    assert content.endswith(b"IEND\xaeB`\x82")


def test_a_picture_comes_back_from_its_file() -> None:
    across, down = np.meshgrid(np.arange(40), np.arange(30))
    pixels = np.stack([across * 6, down * 8, (across * down) % 256], axis=2).astype(np.uint8)
    assert np.array_equal(_pixels(encode(pixels)), pixels)
