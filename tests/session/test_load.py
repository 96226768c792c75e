"""Loading a session folder: what was typed wrongly, what is missing, what is too much.

Each case changes one thing in a whole session and expects one finding.
"""

from __future__ import annotations

import errno
import hashlib
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from archiver import files
from archiver.findings import RULES, Rule, Severity, in_order
from archiver.session import TakeKind, load_session, read_machine_file, rules, template_files
from tests.faults import FaultySeam
from tests.session.folders import JPEG, PNG, codes, edit, line_of, only, whole_session, write

SHEET = "session.yaml"
MACHINE = "machines/example-machine.yaml"


def test_a_whole_session_has_no_findings(tmp_path: Path) -> None:
    loaded = load_session(whole_session(tmp_path))
    assert loaded.findings == ()
    assert loaded.sheet_file == SHEET
    assert loaded.machine_files == (MACHINE,)
    assert loaded.session is not None
    assert [take.id for take in loaded.session.takes] == ["t01", "t02"]


def test_references_lead_to_records(tmp_path: Path) -> None:
    session = load_session(whole_session(tmp_path)).session
    assert session is not None
    first, second = session.takes
    assert second.kind is TakeKind.REPRODUCTION
    machine = session.machine_of(second)
    assert machine is not None
    assert machine.name == "Vesterholm Model B"
    assert session.setup_of(second) is session.setups[0]
    assert session.medium_of(first) is session.medium_of(second) is session.media[0]
    assert session.chain_of(second) is session.chains[0]
    assert session.channels_of(first) == ("horn mouth",)
    assert session.channels_of(second) == ("listening tube",)
    assert session.take("t01") is first
    assert session.take("t99") is None
    assert session.operator("joho") is session.operators[1]


def test_texts_and_quantities_survive(tmp_path: Path) -> None:
    session = load_session(whole_session(tmp_path)).session
    assert session is not None
    chain = session.chains[0]
    assert chain.microphones[0].serial == "00417"
    assert chain.recorder is not None
    assert (chain.recorder.serial, chain.recorder.firmware) == ("0012", "2.10")
    assert (chain.sample_rate.text, chain.sample_rate.value) == ("96 kHz", 96_000)
    assert session.summary is not None
    assert session.summary.count("\n") == 2
    machine = session.machines[0]
    assert machine.mandrel is not None
    assert machine.mandrel.diameter.value == 0.0555625  # 2 3/16 in at 25.4 mm
    assert machine.made is not None
    assert machine.made.date is not None
    assert str(machine.made.date.latest) == "1910-12-31"
    drive = session.setups[0].drive
    assert drive is not None
    assert drive.flywheel is False


def test_a_field_is_located_in_its_file(tmp_path: Path) -> None:
    folder = whole_session(tmp_path)
    session = load_session(folder).session
    assert session is not None
    where = session.locate("takes[1].file")
    assert str(where) == f"session.yaml:{line_of(folder, SHEET, 'takes/0002.wav')}, takes[1].file"
    assert session.locate("takes[1].gain").line == session.locate("takes[1]").line
    assert session.locate("takes[7].file").line == session.locate("takes").line
    machine = session.machines[0]
    assert str(machine.locate("groove_pitch")) == (
        f"{MACHINE}:{line_of(folder, MACHINE, 'groove_pitch')}, groove_pitch"
    )


def _digest(folder: Path) -> dict[str, tuple[str, int]]:
    return {
        path.relative_to(folder).as_posix(): (
            hashlib.sha256(path.read_bytes()).hexdigest(),
            path.stat().st_mtime_ns,
        )
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_nothing_in_the_folder_is_changed(tmp_path: Path) -> None:
    folder = whole_session(tmp_path)
    edit(folder, SHEET, "    kind: reproduction\n", "    kind: reproductoin\n")
    before = _digest(folder)
    load_session(folder)
    assert _digest(folder) == before


# name of the case: file, old text, new text, code of the finding, words of its message
EDITS = {
    "take listed twice": (SHEET, "  - id: t02", "  - id: t01", "take-listed-twice", "the take `t01` is listed again"),
    "unknown machine": (SHEET, "    machine: example-machine                # describes", "    machine: exampel-machine # describes", "machine-unknown", "no machine `exampel-machine` in machines/; nearest: `example-machine`"),
    "unknown machine of a photograph": (SHEET, "    machine: example-machine                # (opt", "    machine: other # (opt", "machine-unknown", "no machine `other`"),
    "unknown setup": (SHEET, "    kind: reproduction\n    setup: s1", "    kind: reproduction\n    setup: s2", "sheet-unknown-reference", "no setup `s2` under setups"),
    "unknown chain": (SHEET, "    chain: main ", "    chain: mian ", "sheet-unknown-reference", "nearest: `main`"),
    "unknown medium": (SHEET, "    medium: cyl-07                          # may", "    medium: cyl-7 # may", "sheet-unknown-reference", "no medium `cyl-7` under media; nearest: `cyl-07`"),
    "unknown medium of a setup": (SHEET, "    medium: cyl-07                          # for", "    medium: cyl-08 # for", "sheet-unknown-reference", "nearest: `cyl-07`"),
    "unknown operator": (SHEET, "    operators: [ansa, joho]", "    operators: [ansa, johol]", "sheet-unknown-reference", "no operator `johol` under operators; nearest: `joho`"),
    "unknown photographer": (SHEET, "    by: ansa ", "    by: anna ", "sheet-unknown-reference", "no operator `anna`"),
    "source that does not exist": (SHEET, "    reproduces: t01 ", "    reproduces: t09 ", "sheet-unknown-reference", "no take `t09` under takes"),
    "reproduces itself": (SHEET, "    reproduces: t01 ", "    reproduces: t02 ", "take-source", "reproduces itself"),
    "performance that reproduces": (SHEET, "    playings_before: 0                      # how", "    reproduces: t02\n    playings_before: 0 # how", "take-source", "is a performance, but says that it reproduces another"),
    "source of another kind": (SHEET, "    kind: performance\n", "    kind: announcement\n", "take-source", "`t01` is an announcement, not a performance"),
    "reproduction before its performance": (SHEET, "    start: 2026-04-18T14:20:41+02:00", "    start: 2026-04-18T14:02:41+02:00", "take-source-later", "before take `t01`"),
    "take before the session": (SHEET, "    start: 2026-04-18T14:12:05+02:00 ", "    start: 2026-04-18T14:12:05+03:00 ", "take-outside-session", "before the session"),
    "take after the session": (SHEET, "    start: 2026-04-18T14:20:41+02:00", "    start: 2026-04-18T17:20:41+02:00", "take-outside-session", "after the session ended"),
    "session that ends before it starts": (SHEET, "  end: 2026-04-18T16:30:00+02:00", "  end: 2026-04-17T16:30:00+02:00", "session-ends-early", "before its start"),
    "session of another century": (SHEET, "  start: 2026-04-18T14:00:00+02:00\n", "  start: 1826-05-09T14:00+02:00\n", "session-before-digital", "starts at 1826-05-09"),
    "session of many days": (SHEET, "  start: 2026-04-18T14:00:00+02:00\n", "  start: 2026-04-08T14:00+02:00\n", "session-very-long", "lasts 10 days"),
    "playings backwards": (SHEET, "    playings_before: 0                      # how", "    playings_before: 3 # how", "take-playings-backwards", "`t02` says 0 playings before it, but the earlier take `t01`"),
    "no setup for a performance": (SHEET, "    setup: s1\n    chain: main ", "    chain: main ", "take-setup-missing", "is a performance, but names no setup"),
    "channels of a take": (SHEET, "    channels: [listening tube] ", "    channels: [left, right] ", "take-channels", "2 channels are listed, but chain `main` has 1"),
    "channels of a chain": (SHEET, "    channel_layout: mono ", "    channel_layout: stereo ", "chain-channels", "the layout is stereo, but 1 channel is listed"),
    "channel of a microphone": (SHEET, "        channel: 1 ", "        channel: 2 ", "chain-microphone-channel", "feeds channel 2, but 1 channel is listed"),
    "low sample rate": (SHEET, "    sample_rate: 96 kHz", "    sample_rate: 44.1 kHz", "chain-sample-rate", "44.1 kHz"),
    "low bit depth": (SHEET, "    bit_depth: 24", "    bit_depth: 16", "chain-bit-depth", "16 bits"),
    "consent not given": (SHEET, "      given: yes ", "      given: no ", "operator-consent", "Johan Holm, whose voice is recorded, has not given consent"),
    "two chains of one id": (SHEET, "media:\n", "media:\n  - {id: cyl-07, kind: other}\n", "sheet-same-id", "the medium `cyl-07` is listed again"),
    "take named like a device": (SHEET, "  - id: t02", "  - id: com1", "sheet-id-not-portable", "device COM1"),
    "session named like a device": (SHEET, "  identifier: lhm-2026-04-18", "  identifier: nul", "sheet-id-not-portable", "device NUL"),
    "photograph without caption": (SHEET, "    caption: The recording horn from the side\n", "", "photograph-without-caption", "photographs/horn.jpg has no caption"),
    "document without caption": (SHEET, "    caption: Notes of the operator\n", "", "document-without-caption", "documents/notes.txt has no caption"),
    "machine id unlike its file": (MACHINE, "id: example-machine", "id: vesterholm-b", "machine-file-name", "the id is `vesterholm-b`, but the file is named example-machine.yaml"),
    "mandrel and platter": (MACHINE, "groove_pitch: 160 tpi", "groove_pitch: 160 tpi\nplatter: {diameter: 14 in}", "machine-mandrel-and-platter", "both a mandrel and a platter"),
    "newer sheet": (SHEET, "schema: session 1 ", "schema: session 2 ", "sheet-schema-version", "`session 2` is newer"),
    "newer machine file": (MACHINE, "schema: machine 1 ", "schema: machine 7 ", "sheet-schema-version", "`machine 7` is newer"),
    "date that does not exist": (SHEET, "  start: 2026-04-18T14:00:00+02:00", "  start: 2026-02-30T14:00:00+02:00", "sheet-date", "2026-02 has 28 days"),
    "mistyped field": (MACHINE, "groove_pitch: 160 tpi", "grove_pitch: 160 tpi", "sheet-unknown-field", "nearest: `groove_pitch`"),
    "quantity of another kind": (MACHINE, "groove_pitch: 160 tpi", "groove_pitch: 160 rpm", "sheet-quantity", "speed of rotation"),
    "mistyped kind": (SHEET, "    kind: reproduction\n", "    kind: reproductoin\n", "sheet-value", "did you mean `reproduction`?"),
    "missing field": (SHEET, "  code: LHM                                 # 2 to 8 capital letters or digits\n", "", "sheet-missing-field", "`code` is missing"),
    "list for a text": (MACHINE, "inventory_number: LHM 1984.112", "inventory_number: [LHM 1984.112]", "sheet-shape", "a list stands"),
    "control character": (SHEET, "  place: Lindeby House Museum, reading room", '  place: "x\\u0007"', "sheet-control-character", "U+0007"),
    "duplicate field": (SHEET, "  language: en\n", "  language: en\n  language: da\n", "sheet-duplicate-field", "`language` stands here again"),
    "reference mark": (SHEET, "  place: Lindeby House Museum, reading room", "  place: &x reading room", "sheet-reference-mark", "&x"),
    "tag": (SHEET, "  place: Lindeby House Museum, reading room", "  place: !x reading room", "sheet-tag", "!x"),
    "comment cuts text": (SHEET, "    label: No. 7                            # what", "    label: No #7 # what", "sheet-comment-cuts-text", "#7"),
    "too deep": (SHEET, "  subjects: [dictating machines, wax cylinders]", "  subjects: " + "[" * 40 + "]" * 40, "sheet-too-deep", "nested"),
}  # fmt: skip


@pytest.mark.parametrize(("file", "old", "new", "code", "words"), EDITS.values(), ids=list(EDITS))
def test_one_mistake_makes_one_finding(
    tmp_path: Path, file: str, old: str, new: str, code: str | None, words: str
) -> None:
    folder = whole_session(tmp_path)
    edit(folder, file, old, new)
    loaded = load_session(folder)
    described = [
        f"{finding.code} {finding.where}: {finding.message}" for finding in loaded.findings
    ]
    assert codes(loaded) == ([code] if code else []), "\n".join(described)
    for finding in loaded.findings:
        assert words in finding.message
        assert finding.where.file == file
        assert finding.where.line is not None
        assert finding.remedy


# name of the case: what is done to the folder, codes in order, words of the first message
def _two_takes_with_one_file(folder: Path) -> None:
    edit(folder, SHEET, "    file: takes/0002.wav", "    file: takes/0001.wav")
    (folder / "takes" / "0002.wav").unlink()


def _add(path: str, content: bytes = b"x") -> Callable[[Path], None]:
    return lambda folder: write(folder, path, content)


def _remove(path: str) -> Callable[[Path], None]:
    return lambda folder: (folder / path).unlink()


def _rename(old: str, new: str) -> Callable[[Path], None]:
    def rename(folder: Path) -> None:
        (folder / old).rename(folder / new)

    return rename


def _edited(old: str, new: str) -> Callable[[Path], None]:
    return lambda folder: edit(folder, SHEET, old, new)


def _second_document(folder: Path) -> None:
    with (folder / MACHINE).open("a", encoding="utf-8") as file:
        file.write("---\nfinish: none\n")


def _second_chain(folder: Path) -> None:
    edit(
        folder,
        SHEET,
        "chains:\n",
        "chains:\n  - {id: spare, sample_rate: 48 kHz, bit_depth: 24, channel_layout: mono, "
        "channels: [room]}\n",
    )


def _no_medium(folder: Path) -> None:
    edit(folder, SHEET, "    medium: cyl-07                          # for", "    # for")
    edit(folder, SHEET, "    medium: cyl-07                          # may", "    # may")


def _other_medium(folder: Path) -> None:
    edit(folder, SHEET, "media:\n", "media:\n  - {id: cyl-08, kind: wax cylinder}\n")
    edit(folder, SHEET, "    reproduces: t01 ", "    medium: cyl-08\n    reproduces: t01 ")


def _playings_not_counted(folder: Path) -> None:
    write(folder, "takes/0003.wav", b"RIFF")
    edit(
        folder,
        SHEET,
        "# Photographs of the session:",
        "  - {id: t03, file: takes/0003.wav, kind: reproduction, setup: s1, playings_before: 0, "
        "start: 2026-04-18T14:30:00+02:00}\n# Photographs of the session:",
    )


def _same_start(folder: Path) -> None:
    edit(
        folder,
        SHEET,
        "    start: 2026-04-18T14:20:41+02:00",
        "    start: 2026-04-18T12:12:05Z",
    )


def _listed_before_its_source(folder: Path) -> None:
    edit(folder, SHEET, "  - id: t01 ", "  - id: t03 ")
    edit(folder, SHEET, "  - id: t02", "  - id: t01")
    edit(folder, SHEET, "  - id: t03 ", "  - id: t02 ")
    edit(folder, SHEET, "    kind: performance\n", "    kind: reproductoin\n")
    edit(folder, SHEET, "    kind: reproduction\n", "    kind: performance\n")
    edit(folder, SHEET, "    kind: reproductoin\n", "    kind: reproduction\n    reproduces: t01\n")
    edit(folder, SHEET, "    reproduces: t01                         # the take", "    # the take")
    edit(folder, SHEET, "    start: 2026-04-18T14:20:41+02:00\n", "")
    edit(folder, SHEET, "    operators: [ansa]", "    operators: [ansa, joho]")


def _listed_twice(folder: Path) -> None:
    edit(
        folder,
        SHEET,
        "photographs:\n",
        "photographs:\n  - {file: photographs/horn.jpg, caption: The horn}\n",
    )


def _unused_machine(folder: Path) -> None:
    write(
        folder,
        "machines/spare.yaml",
        b"schema: machine 1\nid: spare\nnames: [Spare]\ntype: disc cutter\n",
    )


def _machine_twice(folder: Path) -> None:
    text = (folder / MACHINE).read_bytes()
    write(folder, "machines/other.yaml", text)


def _binary_sheet(folder: Path) -> None:
    text = (folder / SHEET).read_text(encoding="utf-8")
    (folder / SHEET).write_bytes(text.encode("utf-16"))


FOLDERS: dict[str, tuple[Callable[[Path], None], list[str], str]] = {
    "two takes with one file": (_two_takes_with_one_file, ["take-file-shared"], "takes/0001.wav is the file of the take in line"),
    "missing take": (_remove("takes/0002.wav"), ["take-file-missing"], "takes/0002.wav is not in the session folder"),
    "path without its folder": (_edited("takes/0002.wav", "0002.wav"), ["sheet-value"], "`0002.wav` is not of the accepted form"),
    "path with backslashes": (_edited("takes/0002.wav", "takes\\0002.wav"), ["sheet-value"], "not of the accepted form"),
    "missing photograph": (_remove("photographs/horn.jpg"), ["photograph-missing"], "photographs/horn.jpg"),
    "missing photograph of a machine": (_remove("photographs/machine.jpg"), ["photograph-missing"], "photographs/machine.jpg"),
    "missing document": (_remove("documents/notes.txt"), ["document-missing"], "documents/notes.txt"),
    "take not in the sheet": (_add("takes/0003.wav"), ["take-not-in-sheet"], "not the file of any take"),
    "note beside the takes": (_add("takes/notes.txt"), ["folder-stray"], "not the file of any take"),
    "photograph not in the sheet": (_add("photographs/x.png", PNG), ["photograph-not-in-sheet"], "listed in no file"),
    "document not in the sheet": (_add("documents/x.pdf"), ["document-not-in-sheet"], "not listed"),
    "file beside the sheet": (_add("x.txt"), ["folder-stray"], "not part of the session"),
    "mistyped folder": (_add("photos/x.png"), ["folder-stray"], "it holds 1 file; nearest: photographs/"),
    "machine file of another ending": (_add("machines/x.yml"), ["folder-stray"], "not a machine file"),
    "machine file below a folder": (_add("machines/old/x.yaml"), ["folder-stray"], "not a machine file"),
    "case of a name": (_rename("takes/0002.wav", "takes/0002.WAV"), ["take-file-missing"], "takes/0002.wav is not there, but takes/0002.WAV is"),
    "empty photograph": (_add("photographs/horn.jpg", b""), ["photograph-not-an-image"], "is an empty file"),
    "photograph that is a document": (_add("photographs/horn.jpg", b"%PDF-1.7"), ["photograph-not-an-image"], "is a PDF document"),
    "photograph of another kind": (_add("photographs/horn.jpg", PNG), ["photograph-extension"], "holds a PNG image"),
    "photograph listed twice": (_listed_twice, ["file-listed-twice"], "is listed in line"),
    "unused machine": (_unused_machine, ["machine-not-used"], "refers to machine `spare`"),
    "machine twice": (_machine_twice, ["machine-file-name", "sheet-same-id"], "the file is named other.yaml"),
    "several chains": (_second_chain, ["take-chain-missing"], "names none of the 2 capture chains"),
    "no medium": (_no_medium, ["take-medium-missing", "take-medium-missing"], "names a medium"),
    "other medium than its source": (_other_medium, ["take-source-medium"], "plays medium `cyl-08`, but take `t01` was recorded on medium `cyl-07`"),
    "playings not counted": (_playings_not_counted, ["take-playings-not-counted"], "with the takes since `t02` there were 1"),
    "two takes at one moment": (_same_start, ["take-same-start"], "starts at the same moment as take `t01`"),
    "reproduction listed before its source": (_listed_before_its_source, ["take-source-later"], "stands before take `t01`"),
    "no sheet": (_remove(SHEET), ["folder-no-sheet"], "no session.yaml"),
    "sheet of another ending": (_rename(SHEET, "session.yml"), ["folder-no-sheet"], "but a file named session.yml"),
    "empty sheet": (_add(SHEET, b""), ["sheet-empty"], "holds no fields"),
    "sheet in UTF-16": (_binary_sheet, ["sheet-encoding"], "UTF-16"),
    "sheet with a byte order mark": (lambda folder: write(folder, SHEET, b"\xef\xbb\xbf" + (folder / SHEET).read_bytes()), ["sheet-byte-order-mark"], "byte order mark"),
    "broken machine file": (_add(MACHINE, b"a: b: c\n"), ["sheet-syntax", "photograph-not-in-sheet"], "colon"),
    "machine file of tabs": (_add(MACHINE, b"schema: machine 1\nid: example-machine\nnames:\n\t- x\ntype: y\nphotographs: [{file: photographs/machine.jpg, caption: x}]\n"), ["sheet-tab"], "begins with a tab"),
    "machine file of 17 MiB": (_add("machines/large.yaml", b"#" * (17 << 20)), ["sheet-too-large"], "17825792 bytes"),
    "second document": (_second_document, ["sheet-second-document"], "a second document begins here"),
}  # fmt: skip


@pytest.mark.parametrize(("change", "expected", "words"), FOLDERS.values(), ids=list(FOLDERS))
def test_each_fault_of_a_folder_is_found(
    tmp_path: Path, change: Callable[[Path], None], expected: list[str], words: str
) -> None:
    folder = whole_session(tmp_path)
    change(folder)
    loaded = load_session(folder)
    described = [
        f"{finding.code} {finding.where}: {finding.message}" for finding in loaded.findings
    ]
    assert codes(loaded) == expected, "\n".join(described)
    assert words in loaded.findings[0].message


def _link(target: Path, link: Path) -> None:
    try:
        link.symlink_to(target)
    except (OSError, NotImplementedError) as error:  # needs a privilege on Windows
        pytest.skip(f"this system makes no symbolic links: {error}")


def test_a_link_in_the_folder_is_refused_and_not_followed(tmp_path: Path) -> None:
    folder = whole_session(tmp_path / "session")
    secret = tmp_path / "secret.jpg"
    secret.write_bytes(JPEG)
    _link(secret, folder / "photographs" / "link.jpg")
    _link(tmp_path, folder / "takes" / "outside")
    findings = load_session(folder).findings
    assert [(f.code, f.where.file) for f in findings] == [
        ("folder-link", "photographs/link.jpg"),
        ("folder-link", "takes/outside"),
    ]


def test_a_sheet_that_is_a_link_is_not_read(tmp_path: Path) -> None:
    folder = whole_session(tmp_path / "session")
    (folder / SHEET).rename(tmp_path / "sheet.yaml")
    _link(tmp_path / "sheet.yaml", folder / SHEET)
    loaded = load_session(folder)
    assert loaded.session is None
    assert codes(loaded) == ["folder-link", "folder-no-sheet"]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_named_pipe_is_refused_and_not_opened(tmp_path: Path) -> None:
    folder = whole_session(tmp_path)
    os.mkfifo(folder / "takes" / "pipe.wav")
    assert only(folder).code == "folder-special-file"


def _or_skip(path: Path) -> None:
    try:
        path.write_bytes(b"x")
    except OSError as error:
        pytest.skip(f"this system refuses such a name itself: {error}")


@pytest.mark.parametrize("name", ["con.txt", "what?.txt", "end."])
def test_a_name_that_another_system_refuses_is_found(tmp_path: Path, name: str) -> None:
    folder = whole_session(tmp_path)
    _or_skip(folder / "documents" / name)
    edit(
        folder,
        SHEET,
        "documents:\n",
        f"documents:\n  - {{file: 'documents/{name}', caption: x}}\n",
    )
    found = [f for f in load_session(folder).findings if f.code == "folder-name-not-portable"]
    assert [f.where.file for f in found] == [f"documents/{name}"]


def test_names_that_differ_only_in_case_or_normal_form_are_found(tmp_path: Path) -> None:
    folder = whole_session(tmp_path)
    for name in ("Aé.txt", "ae\u0301.txt"):
        _or_skip(folder / "documents" / name)
    if len(list((folder / "documents").iterdir())) < 4:
        pytest.skip("this file system takes the two names for one")
    assert "folder-names-alike" in codes(load_session(folder))


def test_a_name_of_bytes_that_are_not_utf_8_is_found(tmp_path: Path) -> None:
    folder = whole_session(tmp_path)
    _or_skip(folder / "takes" / "\udcff.txt")
    findings = load_session(folder).findings
    assert "folder-name-not-portable" in [finding.code for finding in findings]
    for finding in findings:
        assert str(finding.where).encode("utf-8")


def test_a_folder_that_is_not_there_is_a_finding(tmp_path: Path) -> None:
    loaded = load_session(tmp_path / "nowhere")
    assert codes(loaded) == ["folder-unreadable"]
    assert "does not exist" in loaded.findings[0].message


def test_a_file_in_place_of_the_folder_is_a_finding(tmp_path: Path) -> None:
    (tmp_path / "x").write_bytes(b"")
    assert codes(load_session(tmp_path / "x")) == ["folder-unreadable"]


@pytest.mark.parametrize("name", ["session.yaml", "example-machine.yaml", "horn.jpg"])
def test_a_file_that_cannot_be_read_is_a_finding_with_its_name(tmp_path: Path, name: str) -> None:
    folder = whole_session(tmp_path)
    with files.use(FaultySeam(refused={("open_read", name)}, errno=errno.EACCES)):
        findings = load_session(folder).findings
    unreadable = [finding for finding in findings if finding.code == "file-unreadable"]
    assert [finding.where.file.rpartition("/")[2] for finding in unreadable] == [name]


def test_each_call_to_the_disk_may_fail_and_a_finding_says_so(tmp_path: Path) -> None:
    folder = whole_session(tmp_path)
    trace = FaultySeam()
    with files.use(trace):
        assert load_session(folder).findings == ()
    assert len(trace.calls) > 10
    for number in range(1, len(trace.calls) + 1):
        seam = FaultySeam(fail_at=number, errno=errno.EIO)
        with files.use(seam):
            loaded = load_session(folder)
        assert seam.injected == 1
        assert {"folder-unreadable", "file-unreadable"} & set(codes(loaded)), seam.calls[-1]


def test_litter_and_hidden_files_are_passed_over(tmp_path: Path) -> None:
    folder = whole_session(tmp_path)
    for path in (".git/config", "takes/.DS_Store", "photographs/Thumbs.db", "takes/._0001.wav"):
        write(folder, path, b"x")
    assert load_session(folder).findings == ()


def test_a_broken_section_does_not_hide_findings_elsewhere(tmp_path: Path) -> None:
    folder = whole_session(tmp_path)
    edit(folder, SHEET, "    label: No. 7 ", "    label: No: 7 ")
    edit(folder, SHEET, "  title: The", "  titel: The")
    edit(folder, SHEET, "    operators: [ansa, joho]", "    operators: [ansa, johol]")
    assert codes(load_session(folder)) == [
        "sheet-unknown-field",
        "sheet-syntax",
        "sheet-unknown-reference",
    ]


def test_a_record_is_made_beside_errors_so_that_takes_can_still_be_examined(
    tmp_path: Path,
) -> None:
    folder = whole_session(tmp_path)
    edit(folder, SHEET, "  identifier: lhm-2026-04-18", "  identifier: LHM 2026")
    edit(folder, SHEET, "  start: 2026-04-18T14:00:00+02:00", "  start: 2026-04-31T14:00:00+02:00")
    edit(folder, SHEET, "  name: Lindeby House Museum\n", "")
    loaded = load_session(folder)
    assert loaded.session is not None
    assert [take.file for take in loaded.session.takes] == ["takes/0001.wav", "takes/0002.wav"]
    assert codes(loaded) == ["sheet-value", "sheet-date", "sheet-missing-field"]


def test_a_sheet_without_a_session_makes_no_record(tmp_path: Path) -> None:
    folder = whole_session(tmp_path)
    edit(folder, SHEET, "\nsession:\n", "\nsession: none\nsessions:\n")
    loaded = load_session(folder)
    assert loaded.session is None
    assert codes(loaded) == ["sheet-shape", "sheet-unknown-field"]


def test_a_sheet_without_an_identifier_is_still_read(tmp_path: Path) -> None:
    folder = whole_session(tmp_path)
    edit(folder, SHEET, "  identifier: lhm-2026-04-18\n", "")
    assert only(folder).code == "sheet-missing-field"


def test_a_reference_mark_in_place_of_a_number_is_told_once(tmp_path: Path) -> None:
    folder = whole_session(tmp_path)
    edit(folder, SHEET, "    bit_depth: 24", "    bit_depth: *depth")
    assert only(folder).code == "sheet-reference-mark"


def test_a_performer_without_any_consent_is_warned_of(tmp_path: Path) -> None:
    folder = whole_session(tmp_path)
    edit(folder, SHEET, "    role: machine operator", "    role: announcer")
    consent = next(
        line for line in (folder / SHEET).read_text(encoding="utf-8").splitlines(keepends=True)
        if line.startswith("    consent: {")
    )  # fmt: skip
    edit(folder, SHEET, consent, "")
    finding = only(folder)
    assert finding.code == "operator-consent"
    assert "no consent is written down for Anna Sandberg" in finding.message


def test_a_performer_who_stands_in_no_take_is_not_said_to_be_heard(tmp_path: Path) -> None:
    folder = whole_session(tmp_path)
    person = "operators:\n  - {id: maxi, name: Max Uhlig, role: performer, consent: {given: no}}\n"
    edit(folder, SHEET, "operators:\n", person)
    (found,) = (
        one
        for one in load_session(folder).findings
        if one.code == "operator-consent" and "Max" in one.message
    )
    assert found.message.startswith(
        "Max Uhlig, who is listed as performer and named in no take, has not given consent"
    )
    assert "if none does" in found.remedy


def test_a_mistyped_section_does_not_make_its_ids_unknown(tmp_path: Path) -> None:
    folder = whole_session(tmp_path)
    edit(folder, SHEET, "\nmedia:\n", "\nmedias:\n")
    assert only(folder).code == "sheet-unknown-field"


def test_a_mistyped_take_is_still_known_to_others(tmp_path: Path) -> None:
    folder = whole_session(tmp_path)
    edit(folder, SHEET, "    kind: performance\n", "    kind: performence\n")
    loaded = load_session(folder)
    assert codes(loaded) == ["sheet-value"]
    assert loaded.session is not None
    assert [(take.id, take.at) for take in loaded.session.takes] == [
        ("t01", "takes[0]"),
        ("t02", "takes[1]"),
    ]


def test_thousands_of_unknown_references_are_all_told(tmp_path: Path) -> None:
    folder = whole_session(tmp_path)
    more = "".join(
        f"  - {{id: u{n}, file: takes/u{n}.wav, kind: room tone, medium: none{n}}}\n"
        for n in range(1_000)
    )
    edit(folder, SHEET, "# Photographs of the session:", f"{more}# Photographs of the session:")
    found = codes(load_session(folder))
    assert found.count("sheet-unknown-reference") == 1_000
    assert found.count("take-file-missing") == 1_000


def test_findings_are_in_order_and_the_same_every_time(tmp_path: Path) -> None:
    folder = whole_session(tmp_path)
    edit(folder, SHEET, "    operators: [ansa, joho]", "    operators: [x, y, z]")
    edit(folder, SHEET, "    bit_depth: 24", "    bit_depth: 16")
    (folder / "takes" / "0001.wav").unlink()
    first, second = load_session(folder).findings, load_session(folder).findings
    assert first == second == in_order(first)


def test_a_machine_file_is_read_by_itself() -> None:
    machine, findings = read_machine_file(template_files()[MACHINE].encode("utf-8"), MACHINE)
    assert findings == ()
    assert machine is not None
    assert machine.id == "example-machine"


def test_a_machine_file_without_an_id_makes_no_record() -> None:
    machine, findings = read_machine_file(b"schema: machine 1\nnames: [x]\ntype: y\n", MACHINE)
    assert machine is None
    assert [finding.code for finding in findings] == ["sheet-missing-field"]


# Rules that a change of the folder on this system cannot bring about, or that have a
# test of their own.
ELSEWHERE = {
    "folder-link", "folder-names-alike", "folder-name-not-portable", "folder-special-file",
    "folder-unreadable", "file-unreadable", "take-overlap", "take-circle", "take-span-wrong",
    "take-spans-overlap", "example-not-overwritten", "example-text-left",
}  # fmt: skip


@pytest.mark.parametrize("word", ["ja", "oui", "1", "given"])
def test_a_consent_that_cannot_be_read_is_told_once(tmp_path: Path, word: str) -> None:
    """It is not missing too: one finding says where it stands and what to write."""
    folder = whole_session(tmp_path)
    edit(folder, SHEET, "      given: yes   ", f"      given: {word}   ")
    finding = only(folder)
    assert finding.where.field == "operators[1].consent.given"
    assert finding.where.line == line_of(folder, SHEET, f"given: {word} ")
    assert f"`{word}` is neither yes nor no; did you mean `yes`?" in finding.message
    assert finding.accepted == "yes or no"
    assert finding.remedy == "Write `given: yes` if that is meant."


def test_every_rule_of_the_room_is_brought_about_by_a_case() -> None:
    shown = {case[3] for case in EDITS.values()}
    shown |= {code for case in FOLDERS.values() for code in case[1]}
    own = {rule.code for rule in vars(rules).values() if isinstance(rule, Rule)}
    assert shown | ELSEWHERE == own
    assert own <= set(RULES)


def test_every_rule_says_why_and_what_to_do() -> None:
    for rule in vars(rules).values():
        if isinstance(rule, Rule):
            assert rule.reason.endswith("."), rule.code
            assert rule.remedy.endswith("."), rule.code
            assert rule.severity in Severity


def _many_captures(folder: Path) -> None:
    for number in range(3, 20):
        write(folder, f"takes/{number:04d}.wav", b"RIFF")


def _two_chains_and_no_word_of_them(folder: Path) -> None:
    _second_chain(folder)
    edit(folder, SHEET, "    chain: main ", "    # ")


def _kind_and_start(folder: Path) -> None:
    edit(folder, SHEET, "    kind: reproduction\n", "    kind: reprodution\n")
    edit(folder, SHEET, "2026-04-18T14:20:41+02:00", "2026-04-18T19:20:41+02:00")


def _mistyped_machine(folder: Path) -> None:
    path = folder / SHEET
    text = path.read_text(encoding="utf-8").replace(
        "    machine: example-machine ", "    machine: exampel-machine "
    )
    path.write_text(text, encoding="utf-8")


ONCE: dict[str, tuple[Callable[[Path], None], list[str], str]] = {
    "many captures": (_many_captures, ["take-not-in-sheet"], "each of 17 files is not the file of any take in the sheet: 0003.wav, 0004.wav"),
    "two chains": (_two_chains_and_no_word_of_them, ["take-chain-missing"], "the takes `t01` and `t02` name none of the 2 capture chains"),
    "a mistyped kind": (_edited("    kind: reproduction\n", "    kind: reprodution\n"), ["sheet-value"], "did you mean `reproduction`?"),
    "a mistyped kind and a wrong start": (_kind_and_start, ["sheet-value", "take-outside-session"], "after the session ended"),
}  # fmt: skip


@pytest.mark.parametrize(("change", "expected", "words"), ONCE.values(), ids=list(ONCE))
def test_one_slip_is_told_once_and_hides_nothing(
    tmp_path: Path, change: Callable[[Path], None], expected: list[str], words: str
) -> None:
    folder = whole_session(tmp_path)
    change(folder)
    findings = load_session(folder).findings
    assert sorted(finding.code for finding in findings) == sorted(expected)
    assert any(words in finding.message for finding in findings)


def test_a_machine_whose_id_is_mistyped_is_not_called_unused(tmp_path: Path) -> None:
    folder = whole_session(tmp_path)
    _mistyped_machine(folder)
    assert set(codes(load_session(folder))) == {"machine-unknown"}


def test_before_the_first_take_the_recorder_can_still_be_set_higher(tmp_path: Path) -> None:
    folder = whole_session(tmp_path)
    edit(folder, SHEET, "    bit_depth: 24", "    bit_depth: 16")
    (found,) = [each for each in load_session(folder).findings if each.code == "chain-bit-depth"]
    assert "these takes" in found.remedy
    text = (folder / SHEET).read_text(encoding="utf-8")
    head, _, rest = text.partition("\ntakes:\n")
    text = f"{head}\ntakes: []\n{rest[rest.index('# Photographs of the session:') :]}"
    (folder / SHEET).write_text(text, encoding="utf-8")
    (found,) = [each for each in load_session(folder).findings if each.code == "chain-bit-depth"]
    assert found.remedy == "Set the recorder higher before the first take."
