"""The read-me of a bag tells the truth: its commands are run as they stand there."""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from archiver.custody import BlockDigester, encode_sound_digests
from archiver.package import (
    README_NAME,
    BagBuilder,
    MasterFacts,
    ReadmeFacts,
    readme_text,
    validate,
)
from archiver.signal.sampleformat import SampleFormat
from tests.package.small_bags import SAMPLES, tiny_wav

STEREO = SampleFormat(
    encoding="pcm", container_bits=16, valid_bits=16, channels=2, sample_rate_hz=8
)
MASTER = "data/masters/t01.wav"


def facts(algorithms: tuple[str, ...], md5: str, masters: int = 1) -> ReadmeFacts:
    return ReadmeFacts(
        name="lhm-2026-04-18",
        title="Two dictating machines,\nrecorded and played back",
        organisation="Lillehavn Museum of Machines",
        date="2026-04-18",
        software="archiver 0.1.0",
        algorithms=algorithms,
        contents=[
            ("data/masters/", "one broadcast-wave file for each take"),
            ("metadata/", "what was told and measured, " * 6),
        ],
        masters=[
            MasterFacts(
                file=f"data/masters/t{number + 1:02d}.wav",
                data_offset_bytes=44,
                data_bytes=len(SAMPLES),
                md5=md5,
                sound_record=f"metadata/sound/t{number + 1:02d}.json",
            )
            for number in range(masters)
        ],
    )


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    digester = BlockDigester(STEREO)
    digester.feed(SAMPLES)
    wav = tiny_wav()
    with BagBuilder(tmp_path, "lhm-2026-04-18", ("sha256", "sha512", "md5")) as builder:
        builder.write_payload(MASTER, wav)
        record = digester.result(file=MASTER, file_bytes=len(wav), data_offset_bytes=44)
        builder.write_tag("metadata/sound/t01.json", encode_sound_digests(record))
        text = readme_text(facts(builder.algorithms, digester.md5))
        builder.write_tag(README_NAME, text.encode())
        return builder.seal([])


def blocks_of_commands(text: str) -> dict[str, list[list[str]]]:
    """The indented blocks of a read-me, by the system named on the line before."""
    found: dict[str, list[list[str]]] = {}
    for system, body in re.findall(r"^(\w[\w ()]*):\n\n((?: {4}.*\n)+)", text + "\n", re.MULTILINE):
        found.setdefault(system, []).append([line[4:] for line in body.splitlines()])
    return found


def run(command: str, bag: Path) -> subprocess.CompletedProcess[str]:
    # The commands are for a shell, pipe and all.
    return subprocess.run(
        ["sh", "-c", command],
        cwd=bag,
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
        timeout=60,
    )


def stock(command: str) -> str:
    """A command as this machine can run it: the macOS form where the GNU tools are missing."""
    program = command.rsplit(" | ", maxsplit=1)[-1].split(maxsplit=1)[0]
    if shutil.which(program):
        return command
    return {
        "sha256sum": command.replace("sha256sum", "shasum -a 256"),
        "sha512sum": command.replace("sha512sum", "shasum -a 512"),
        "md5sum": command.replace("md5sum", "md5"),
    }[program]


def test_bag_with_its_read_me_is_valid(bag: Path) -> None:
    report = validate(bag)
    assert report.findings == ()
    assert (bag / README_NAME).is_file()


def test_commands_for_linux_pass_on_the_bag_and_fail_on_a_damaged_one(bag: Path) -> None:
    text = (bag / README_NAME).read_text(encoding="utf-8")
    commands = [line for block in blocks_of_commands(text)["Linux"] for line in block]
    checks = [command for command in commands if " -c " in command and "|" not in command]
    assert len(checks) == 6
    for command in checks:
        result = run(stock(command), bag)
        assert result.returncode == 0, result.stderr
        assert all(line.endswith(": OK") for line in result.stdout.splitlines())
    path = bag / MASTER
    path.write_bytes(path.read_bytes()[:-1] + b"X")
    assert run(stock(checks[0]), bag).returncode != 0


def test_command_for_the_sound_prints_the_checksum_that_the_read_me_names(bag: Path) -> None:
    text = (bag / README_NAME).read_text(encoding="utf-8")
    wanted = re.findall(r"this must print\n\n {4}([0-9a-f]{32})\n", text)
    (command,) = [
        line for block in blocks_of_commands(text)["Linux"] for line in block if "|" in line
    ]
    assert run(stock(command), bag).stdout.split()[:1] == wanted
    path = bag / MASTER
    path.write_bytes(b"XXXX" + path.read_bytes()[4:])
    assert run(stock(command), bag).stdout.split()[:1] == wanted
    path.write_bytes(path.read_bytes()[:-1] + b"X")
    assert run(stock(command), bag).stdout.split()[:1] != wanted


def test_commands_are_given_for_three_systems() -> None:
    commands = blocks_of_commands(readme_text(facts(("sha256",), "0" * 32)))
    assert set(commands) == {"Linux", "macOS", "Windows (PowerShell)"}
    assert commands["macOS"][0][0] == "shasum -a 256 -c manifest-sha256.txt"
    powershell = "\n".join(line for block in commands["Windows (PowerShell)"] for line in block)
    assert "Get-FileHash -Algorithm SHA256" in powershell
    assert "data\\masters\\t01.wav" in powershell
    assert "$file.Seek(44, 'Begin')" in powershell
    assert "[long]160;" in powershell
    assert powershell.count("{") == powershell.count("}")


def test_text_is_at_most_79_columns_but_for_commands() -> None:
    text = readme_text(facts(("sha256", "sha512", "md5"), "0" * 32, masters=3))
    assert text.endswith(".\n")
    assert "\r" not in text
    assert all(len(line) <= 79 or line.startswith("    ") for line in text.split("\n"))
    assert "The other masters in the same way" in text
    assert "Two dictating machines, recorded and played back." in text


def test_bag_without_masters_says_nothing_of_sound() -> None:
    text = readme_text(facts(("sha256",), "", masters=0))
    assert "sound alone" not in text


def test_a_caution_ends_with_one_full_stop() -> None:
    told = facts(("sha256",), "", masters=0)
    told = replace(told, cautions=[("mould", "Do not brush it."), ("lead", "wear gloves")])
    text = readme_text(told)
    assert "mould: Do not brush it.\n" in text
    assert "lead: wear gloves.\n" in text


def test_same_facts_give_the_same_text() -> None:
    assert readme_text(facts(("md5",), "0" * 32)) == readme_text(facts(("md5",), "0" * 32))
