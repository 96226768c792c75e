"""The commands as a person and as a machine sees them."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import jsonschema

from archiver.schema_store import schema
from archiver.session.template import template_files
from tests.cli.running import Runner
from tests.pipeline.making import make_session


def test_new_lays_out_a_folder_and_names_the_next_step(run: Runner, tmp_path: Path) -> None:
    ran = run("new", tmp_path / "mine")
    assert ran.status == 0
    assert f"archiver check {tmp_path / 'mine'}" in " ".join(ran.out.split())
    for name, text in template_files().items():
        assert (tmp_path / "mine" / name).read_text(encoding="utf-8") == text


def test_new_refuses_a_folder_that_holds_something(run: Runner, tmp_path: Path) -> None:
    (tmp_path / "note.txt").write_text("kept", encoding="utf-8")
    ran = run("new", tmp_path)
    assert ran.status == 2
    assert "not empty" in ran.err
    assert [path.name for path in tmp_path.iterdir()] == ["note.txt"]


def test_check_of_the_template_finds_that_it_is_an_example(run: Runner, tmp_path: Path) -> None:
    """It holds to the schema, but its files are missing, and it speaks of invented people."""
    run("new", tmp_path / "mine")
    ran = run("check", tmp_path / "mine", "--json")
    found = json.loads(ran.out)["findings"]
    errors = {finding["code"] for finding in found if finding["severity"] == "error"}
    assert ran.status == 1
    assert errors == {
        "take-file-missing",
        "photograph-missing",
        "document-missing",
        "example-not-overwritten",
    }
    assert "Ready" not in run("check", tmp_path / "mine").out


def test_check_of_the_sample_session_is_ready(run: Runner, sample_session: Path) -> None:
    ran = run("check", sample_session)
    assert ran.status == 0
    assert "Ready: archiver archive" in ran.out
    assert max(len(line) for line in ran.out.splitlines()) <= 120


def test_archive_prints_the_bag_alone_on_standard_output(run: Runner, tmp_path: Path) -> None:
    folder = make_session(tmp_path / "s")
    ran = run("archive", folder, "--to", tmp_path / "archive")
    assert ran.status == 0
    assert ran.out == f"{tmp_path / 'archive' / 'trial-1'}\n"
    assert "1 master" in ran.err


def test_archive_in_json_tells_digests_and_loudness(run: Runner, tmp_path: Path) -> None:
    folder = make_session(tmp_path / "s")
    ran = run("archive", folder, "--to", tmp_path / "archive", "--json")
    facts = json.loads(ran.out)
    assert facts["bag"] == str(tmp_path / "archive" / "trial-1")
    (master,) = facts["masters"]
    assert set(master["digests"]) == {"sha256"}
    # Noise of -20 dBFS RMS: K-weighting adds some 2 to 4 dB to white noise (BS.1770-5).
    assert -19 < master["integrated_lufs"] < -14


def test_verify_tells_damaged_sound_from_changed_metadata(run: Runner, tmp_path: Path) -> None:
    folder = make_session(tmp_path / "s", 4.0, takes=2)
    run("archive", folder, "--to", tmp_path / "archive")
    bag = tmp_path / "archive" / "trial-1"
    assert run("verify", bag).status == 0
    facts = json.loads((bag / "metadata/sound/t1.json").read_text(encoding="utf-8"))
    damage(bag / "data/masters/trial-1_t1.wav", facts["data_offset_bytes"] + int(2.5 * 48_000) * 3)
    header = (bag / "data/masters/trial-1_t2.wav").read_bytes().index(b"ISFT") + 8
    damage(bag / "data/masters/trial-1_t2.wav", header)
    ran = run("verify", bag)
    assert ran.status == 3
    told = " ".join(ran.out.split())
    assert "trial-1_t1.wav: sound damaged at 00:00:02.000 to 00:00:03.000" in told
    assert "trial-1_t2.wav: sound intact, metadata changed" in told


def damage(path: Path, at: int) -> None:
    """Flip one bit."""
    raw = bytearray(path.read_bytes())
    raw[at] ^= 1
    path.write_bytes(raw)


def test_verify_goes_on_with_the_next_bag_when_one_is_none(run: Runner, tmp_path: Path) -> None:
    folder = make_session(tmp_path / "s")
    run("archive", folder, "--to", tmp_path / "archive")
    ran = run("verify", tmp_path / "nowhere", tmp_path / "archive" / "trial-1", "--json")
    bags = json.loads(ran.out)["bags"]
    assert [bag["intact"] for bag in bags] == [False, True]
    assert ran.status != 0


def test_inspect_shows_the_standards_own_names(run: Runner, tmp_path: Path) -> None:
    folder = make_session(tmp_path / "s")
    run("archive", folder, "--to", tmp_path / "archive")
    master = tmp_path / "archive/trial-1/data/masters/trial-1_t1.wav"
    ran = run("inspect", master)
    assert ran.status == 0
    for name in ("nSamplesPerSec", "OriginatorReference", "LoudnessValue", "IXML_VERSION"):
        assert name in ran.out
    ids = [c["id"].strip() for c in json.loads(run("inspect", master, "--json").out)["chunks"]]
    assert ids == ["JUNK", "bext", "fmt", "LIST", "iXML", "axml", "MD5", "JUNK", "data"]


def test_an_error_in_json_is_json_too(run: Runner, tmp_path: Path) -> None:
    ran = run("check", tmp_path / "nowhere", "--json")
    assert ran.status == 4
    assert json.loads(ran.out)["exit_status"] == 4


def test_bare_help_loads_no_heavy_library() -> None:
    script = (
        "import sys; sys.argv = ['archiver', '--help']\n"
        "from archiver.cli import main\n"
        "try:\n    main()\n"
        "except SystemExit:\n    pass\n"
        "heavy = {'numpy', 'lxml', 'soundfile', 'scipy', 'av', 'jsonschema', 'ruamel', 'rich'}\n"
        "print(sorted(heavy & set(sys.modules)), file=sys.stderr)\n"
    )
    ran = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True, encoding="utf-8"
    )
    assert ran.stderr.strip() == "[]"


def test_misuse_of_options_is_told_without_a_traceback(run: Runner, tmp_path: Path) -> None:
    ran = run("archive", tmp_path, "--to", tmp_path / "x", "--digest", "sha3")
    assert ran.status in {1, 2}
    assert "Traceback" not in ran.err
    ran = run("archive", tmp_path)
    assert ran.status == 2
    assert "--to" in ran.err


def test_control_characters_in_names_do_not_reach_the_terminal(run: Runner, tmp_path: Path) -> None:
    folder = make_session(
        tmp_path / "s", edit=lambda t: t.replace("file: takes/t1.wav", 'file: "takes/\\e[31m.wav"')
    )
    assert "\x1b" not in run("check", folder).out


def test_access_copies_are_asked_for_between_commas(run: Runner, tmp_path: Path) -> None:
    folder = make_session(tmp_path / "s")
    ran = run("archive", folder, "--to", tmp_path / "archive", "--access", "flac, opus", "--json")
    (master,) = json.loads(ran.out)["masters"]
    assert master["copies"] == ["data/access/trial-1_t1.flac", "data/access/trial-1_t1.opus"]
    assert run("archive", folder, "--to", tmp_path / "b", "--access", "mp3").status == 2


def test_a_profile_is_named_with_for(run: Runner, tmp_path: Path) -> None:
    folder = make_session(tmp_path / "s")
    asked = tmp_path / "asked.yaml"
    asked.write_text("schema: institution 1\nname: Egeskov\ndigests: [md5]\n", encoding="utf-8")
    assert run("archive", folder, "--to", tmp_path / "a", "--for", asked).status == 0
    assert (tmp_path / "a/trial-1/manifest-md5.txt").is_file()
    ran = run("check", folder, "--for", "no-such")
    assert ran.status == 2
    assert "no institution profile 'no-such'" in ran.err


def test_motion_shows_stated_and_measured_speeds(run: Runner, sample_session: Path) -> None:
    ran = run("motion", sample_session)
    assert ran.status == 0
    told = " ".join(ran.out.split())
    assert "stated speed 100 rpm measured speed 98.9" in told
    assert "motion-speed-disagrees" in told


def test_measure_prints_a_table_and_json_of_the_published_form(
    run: Runner, sample_session: Path
) -> None:
    """Judge: the schema that ships with the program, by jsonschema."""
    take = sample_session / "takes" / "0005.wav"
    assert "loudness, integrated" in run("measure", take).out
    (facts,) = json.loads(run("measure", take, "--json").out)["files"]
    jsonschema.Draft202012Validator(schema("measurement")).validate(facts["measurement"])


def test_measure_and_inspect_end_alike_on_a_capture_that_was_cut_off(
    run: Runner, sample_session: Path, tmp_path: Path
) -> None:
    cut = tmp_path / "cut.wav"
    whole = (sample_session / "takes" / "0005.wav").read_bytes()
    cut.write_bytes(whole[: len(whole) // 2])
    for words in (["measure", cut], ["measure", cut, "--json"], ["inspect", cut]):
        ran = run(*words)
        assert "capture-truncated" in ran.out
        assert ran.status == 1


def test_measure_goes_on_when_one_file_is_no_sound(run: Runner, tmp_path: Path) -> None:
    folder = make_session(tmp_path / "s")
    ran = run("measure", folder / "session.yaml", folder / "takes/t1.wav", "--json")
    first, second = json.loads(ran.out)["files"]
    assert "error" in first
    assert second["measurement"]["frames"] == 48_000
    assert ran.status == 1


def test_check_says_that_the_sound_is_not_judged_yet_and_how_it_is(
    run: Runner, sample_session: Path
) -> None:
    plain = run("check", sample_session)
    assert "sound itself is measured by archiving" in " ".join(plain.out.split())
    line = next(line for line in plain.out.splitlines() if line.endswith(" --sound"))
    assert line.strip().startswith("archiver check ")
    measured = run("check", sample_session, "--sound")
    assert measured.status == 0
    assert "measured by archiving" not in measured.out
    assert "Ready: " in measured.out
