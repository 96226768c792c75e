"""Takes proposed for a long capture, and written into the sheet."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import ruamel.yaml

from archiver.errors import InputError, MisuseError
from archiver.pipeline.archive import archive_session
from archiver.pipeline.check import check_session
from archiver.pipeline.finding_takes import find_takes
from archiver.session.adding import ProposedTake, with_takes
from tests.pipeline.making import RATE_HZ, sound, take, write_sheet, write_take
from tests.simulator.draws import Draws
from tests.simulator.voice import Voice, babble

ONE = ProposedTake(
    file="takes/long.wav", kind="performance", confidence=0.5, begins_s=62.5, ends_s=90.25
)


def long_session(folder: Path) -> Path:
    """A session with one listed take and one long capture of two tones that nobody listed."""
    write_sheet(folder, [take("t1", "takes/t1.wav")])
    write_take(folder / "takes/t1.wav", sound(1))
    quiet = sound(30)[:, 0] * 0.002
    seconds = np.arange(len(quiet)) / RATE_HZ
    for begin, end in ((5, 11), (18, 25)):
        here = (seconds >= begin) & (seconds < end)
        # Syllables: a tone that comes and goes four times a second.
        quiet[here] += (
            0.2
            * np.sin(2 * np.pi * 700 * seconds[here])
            * (np.sin(2 * np.pi * 4 * seconds[here]) > 0)
        )
    write_take(folder / "takes/long.wav", quiet[:, None])
    return folder


def test_stretches_of_sound_are_proposed_with_their_edges(tmp_path: Path) -> None:
    found = find_takes(long_session(tmp_path / "s"), "long.wav")
    edges = [edge for t in found.takes for edge in (t.begins_s, t.ends_s)]
    assert edges == pytest.approx([4.5, 11.5, 17.5, 25.5], abs=0.3)
    assert not found.written


def test_written_takes_can_be_archived_as_one_master(tmp_path: Path) -> None:
    folder = long_session(tmp_path / "s")
    before = (folder / "session.yaml").read_text(encoding="utf-8")
    assert find_takes(folder, "takes/long.wav", write=True).written
    after = (folder / "session.yaml").read_text(encoding="utf-8")
    assert after.startswith(before.rstrip("\n"))
    outcome = archive_session(folder, tmp_path / "archive")
    assert outcome.bag is not None, [str(f) for f in outcome.findings]
    names = [done.held.name for done in outcome.takes]
    assert names == ["t1", "t02-t03"]
    with pytest.raises(InputError, match=r"lists takes/long\.wav already"):
        find_takes(folder, "long.wav", write=True)


def test_speech_is_found_in_a_long_silence(tmp_path: Path) -> None:
    folder = tmp_path / "s"
    write_sheet(folder, [take("t1", "takes/t1.wav")])
    spoken = babble(4.0, RATE_HZ, Voice(), Draws(3))
    silence = sound(12)[:, 0] * 0.001
    silence[3 * RATE_HZ : 3 * RATE_HZ + len(spoken)] += spoken / np.abs(spoken).max() * 0.3
    write_take(folder / "takes/t1.wav", silence[:, None])
    (found,) = find_takes(folder, "t1.wav").takes
    assert found.begins_s == pytest.approx(2.5, abs=0.5)


def test_takes_are_added_behind_the_last_and_nothing_else_changes() -> None:
    """Judge: ruamel.yaml reads the sheet with and without the addition."""
    sheet = b"takes:\r\n  - id: t07   # last\r\n    file: takes/a.wav\r\n\r\n# pictures\r\nphotographs: []\r\n"
    made = with_takes(sheet, [ONE, ONE])
    head, tail = sheet.split(b"\r\n\r\n")
    assert made.startswith(head)
    assert made.endswith(tail)
    assert b"\n" not in made.replace(b"\r\n", b"")
    document = ruamel.yaml.YAML(typ="safe", pure=True).load(made)
    assert [entry["id"] for entry in document["takes"]] == ["t07", "t08", "t09"]
    assert document["takes"][1]["begins"] == "00:01:02.500"
    assert document["photographs"] == []


def test_a_sheet_without_a_last_line_end_is_added_to() -> None:
    made = with_takes(b"takes:\n- id: t1\n  file: takes/a.wav", [ONE])
    document = ruamel.yaml.YAML(typ="safe", pure=True).load(made)
    assert [entry["id"] for entry in document["takes"]] == ["t1", "t02"]


@pytest.mark.parametrize("sheet", [b"takes: [{id: t1}]\n", b"session: {}\n", b"takes: []\n"])
def test_a_list_in_brackets_is_left_to_the_person(sheet: bytes) -> None:
    with pytest.raises(InputError, match="one entry a line"):
        with_takes(sheet, [ONE])


@pytest.mark.parametrize("name", ["nowhere.wav", "../session.yaml"])
def test_a_capture_that_is_not_there_is_told(tmp_path: Path, name: str) -> None:
    folder = long_session(tmp_path / "s")
    with pytest.raises(MisuseError, match="there is no"):
        find_takes(folder, name)


def test_silence_proposes_nothing(tmp_path: Path) -> None:
    folder = tmp_path / "s"
    write_sheet(folder, [take("t1", "takes/t1.wav")])
    write_take(folder / "takes/t1.wav", np.zeros((RATE_HZ * 5, 1)))
    assert json.dumps(find_takes(folder, "t1.wav").takes) == "[]"


SECOND = """\
  - id: room
    sample_rate: {rate}
    bit_depth: 24
    channel_layout: mono
    channels: [room]
takes:
"""


def with_second_chain(folder: Path, rate: str) -> Path:
    sheet = long_session(folder) / "session.yaml"
    text = sheet.read_text(encoding="utf-8")
    text = text.replace("takes:\n", SECOND.format(rate=rate), 1)
    text = text.replace("    file: takes/t1.wav", "    file: takes/t1.wav\n    chain: main")
    sheet.write_text(text, encoding="utf-8")
    return folder


def test_the_only_chain_that_fits_the_capture_is_written(tmp_path: Path) -> None:
    folder = with_second_chain(tmp_path / "s", "96 kHz")
    found = find_takes(folder, "long.wav", write=True)
    assert all(("chain", "main") in one.known for one in found.takes)
    codes = {finding.code for finding in check_session(folder).findings}
    assert "take-chain-missing" not in codes


def test_what_only_the_person_knows_is_left_to_be_filled_in(tmp_path: Path) -> None:
    folder = with_second_chain(tmp_path / "s", "48 kHz")
    found = find_takes(folder, "long.wav", write=True)
    assert all(("chain", "main, room") in one.open for one in found.takes)
    sheet = folder / "session.yaml"
    text = sheet.read_text(encoding="utf-8")
    line = "    # chain:     # needed, only you know it; one of: main, room\n"
    assert text.count(line) == len(found.takes) == 2
    codes = {finding.code for finding in check_session(folder).findings}
    assert "take-chain-missing" in codes
    sheet.write_text(text.replace("    # chain:     #", "    chain: room     #"), encoding="utf-8")
    codes = {finding.code for finding in check_session(folder).findings}
    assert "take-chain-missing" not in codes
