"""Markers are planted in all that is withheld; every other byte of the bag is searched.

The private fields are found by walking the schemas.
"""

from __future__ import annotations

import base64
import io
import json
import re
import shutil
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import bagit
import jsonschema
import pytest
import soundfile
from ruamel.yaml import YAML

from archiver.pipeline.archive import Archived, archive_session
from archiver.pipeline.check import check_session
from archiver.pipeline.export import export_documents
from archiver.pipeline.verify import verify_bags
from archiver.session.shape import Shape, shape
from tests.conftest import REPOSITORY
from tests.pipeline.making import chunk, make_session, riff, snapshot, sound
from tests.pipeline.test_archive import codes

PERSON = """\
  - id: markedid
    name: Marked Namesen
    role: performer
    identifier: https://people.example/marked-uri
    consent: {given: no, scope: Archiving without name}
"""


SEALED = """\
    operators: [markedid, op]
documents:
  - {file: documents/markedfile.txt, caption: markedcaption, restricted: yes}
photographs:
  - {file: photographs/machine.png, caption: The machine, machine: vesterholm-b, by: markedid}
# The end.
"""


def private_leaves(
    form: Shape, path: tuple[str | int, ...] = ()
) -> Iterator[tuple[str | int, ...]]:
    """Yield the path of every text that is private, by itself or with the group around it."""

    def walk(part: Shape, at: tuple[str | int, ...], private: bool) -> Iterator[Any]:
        private = private or part.private
        if part.fields is not None:
            for name, inner in part.fields.items():
                yield from walk(inner, (*at, name), private)
        elif part.item is not None:
            yield from walk(part.item, (*at, 0), private)
        elif private:
            yield at

    yield from walk(form, path, private=False)


def plant(document: Any, path: tuple[str | int, ...], text: str) -> None:
    """Set a value, making the groups on the way; a list has its entry already."""
    node = document
    for step in path[:-1]:
        node = node.setdefault(step, {}) if isinstance(step, str) else node[step]
    node[path[-1]] = text


def planted(folder: Path) -> dict[str, str]:
    """Plant a marker in every private field; return the markers by place."""
    markers: dict[str, str] = {}
    yaml = YAML()
    yaml.preserve_quotes = True
    for name, file in (("session", "session.yaml"), ("machine", "machines/vesterholm-b.yaml")):
        place = folder / file
        document = yaml.load(place.read_text(encoding="utf-8"))
        for path in private_leaves(shape(name)):
            marker = f"Zq{len(markers)}marker Ærø"
            plant(document, path, marker)
            markers[f"{file}:{path}"] = marker
        out = io.StringIO()
        yaml.dump(document, out)
        place.write_text(out.getvalue(), encoding="utf-8")
    return markers


MACHINE = """\
# The machine of the collection.
schema: machine 1
id: vesterholm-b
names: [Vesterholm Stemmebog B]
type: wax-cylinder dictating machine
owner: {name: A private collection, place: Ravnsø}
"""


@pytest.fixture
def marked(tmp_path: Path) -> tuple[Path, dict[str, str]]:
    """A session with markers in all that is withheld."""

    def edit(text: str) -> str:
        text = text.replace("operators:\n", f"operators:  # who was there\n{PERSON}", 1)
        return text + SEALED

    folder = make_session(tmp_path / "session", edit=edit)
    sheet = folder / "session.yaml"
    (folder / "machines/vesterholm-b.yaml").write_text(MACHINE, encoding="utf-8")
    (folder / "documents/markedfile.txt").write_text("markedcontent", encoding="utf-8")
    picture = (REPOSITORY / "sample_session/photographs/vesterholm-b.png").read_bytes()
    (folder / "photographs/machine.png").write_bytes(picture)
    markers = planted(folder)
    plant_in_capture(folder / "takes/t1.wav", list(markers.values()))
    for word in ("markedid", "Marked Namesen", "marked-uri", "markedfile", "markedcaption"):
        assert word in sheet.read_text(encoding="utf-8"), word
        markers[word] = word
    return folder, markers | {"content": "markedcontent"}


def bext_chunk(description: str, originator: str) -> bytes:
    """A ``bext`` of version 1, after EBU Tech 3285 v2, 2.3."""
    fixed = description.encode("latin-1").ljust(256, b"\0") + originator.encode().ljust(32, b"\0")
    return chunk(b"bext", fixed + bytes(32 + 10 + 8 + 8) + struct.pack("<H", 1) + bytes(64 + 190))


def plant_in_capture(path: Path, markers: list[str]) -> None:
    """Plant markers in every kind of chunk."""
    first, second = markers[0], markers[-1]
    label = b"labl" + struct.pack("<II", 4 + len(first.encode()) + 1, 7)
    label += first.encode() + b"\0" + b"\0" * ((len(first.encode()) + 1) % 2)
    planted = (
        chunk(b"LIST", b"INFO" + chunk(b"IART", first.encode() + b"\0") + chunk(b"IGNR", b"talk")),
        bext_chunk(f"{first} and more", "Marked Namesen"),
        chunk(b"iXML", f"<BWFXML><NOTE>{second}</NOTE></BWFXML>".encode()),
        chunk(b"axml", b"<a>Z&#x71;%s</a>" % second.removeprefix("Zq").encode()),
        chunk(b"cue ", struct.pack("<IIIIIII", 1, 7, 0, 0, 0, 0, 0)),
        chunk(b"LIST", b"adtl" + label),
        chunk(b"id3 ", b"ID3\4\0\0\0\0\0\x40TPE1\0\0\0\x30\0\0\1" + second.encode("utf-16")),
        chunk(b"zzzz", b"\x33" + first.encode("latin-1") + b"ABCD"),
        chunk(b"yyyy", b"nothing of that kind"),
    )
    raw = path.read_bytes()
    path.write_bytes(riff(raw[12:], *planted))


def archived(folder: Path, to: Path, **options: Any) -> tuple[Archived, Path]:
    outcome = archive_session(folder, to, access=["flac", "opus"], **options)
    assert outcome.bag is not None, [str(f) for f in outcome.findings]
    return outcome, outcome.bag


def leaks(bag: Path, markers: dict[str, str], *, besides: str = "\0") -> list[tuple[str, str]]:
    """Return where markers stand, in names and in bytes, in any usual encoding of text."""
    found = []
    for path in sorted(bag.rglob("*")):
        name = path.relative_to(bag).as_posix()
        if name.startswith(besides):
            continue
        raw = path.read_bytes() if path.is_file() else b""
        coded = re.findall(rb'base64": "([^"]*)"', raw)
        raw += b"".join(base64.b64decode(one) for one in coded)
        for place, marker in markers.items():
            word = marker.split()[0] if marker.startswith("Zq") else marker
            forms = {word.encode(code) for code in ("utf-8", "utf-16-le", "utf-16-be")}
            forms.add(json.dumps(word)[1:-1].encode())
            if any(form.lower() in raw.lower() for form in forms) or word.lower() in name.lower():
                found.append((name, place))
    return found


def test_the_schemas_mark_what_is_private() -> None:
    """The list that the trade would expect; the other tests follow the schemas, not this list."""
    found = {
        ".".join(str(step) for step in path)
        for name in ("session", "machine")
        for path in private_leaves(shape(name))
    }
    assert found == {
        "session.address",
        "operators.0.legal_name",
        "operators.0.address",
        "operators.0.phone",
        "operators.0.email",
        "owner.legal_name",
        "owner.address",
        "owner.phone",
        "owner.email",
        "location",
        "insurance_value",
    }


def test_no_private_field_is_required() -> None:
    def walk(form: Shape) -> Iterator[tuple[Shape, str]]:
        for name, part in (form.fields or {}).items():
            yield form, name
            yield from walk(part.item or part)

    checked = 0
    for schema in ("session", "machine", "type"):
        for group, name in walk(shape(schema)):
            part = (group.fields or {})[name]
            assert not (part.private and name in group.required), name
            checked += part.private
    assert checked > 5


def test_what_is_withheld_stands_in_the_restricted_part_only(
    marked: tuple[Path, dict[str, str]], tmp_path: Path
) -> None:
    folder, markers = marked
    _, bag = archived(folder, tmp_path / "archive")
    assert leaks(bag, markers, besides="data/restricted/") == []
    restricted = b"".join(
        path.read_bytes() for path in (bag / "data/restricted").rglob("*") if path.is_file()
    )
    for place, marker in markers.items():
        assert marker.encode() in restricted, place
    assert (bag / "data/restricted/session.yaml").read_bytes() == (
        folder / "session.yaml"
    ).read_bytes()
    assert bagit.Bag(str(bag)).validate()
    assert "data/restricted: not public" in bagit.Bag(str(bag)).info["Restricted-Part"]
    assert "data/restricted" in (bag / "READ-ME.txt").read_text(encoding="utf-8")


def test_private_fields_of_a_capture_stay_out_of_the_master_and_are_kept_beside(
    marked: tuple[Path, dict[str, str]], tmp_path: Path
) -> None:
    """The fields that are left out; what is not private stays, and so do the samples."""
    folder, _ = marked
    outcome, bag = archived(folder, tmp_path / "archive")
    left_out = {
        one.where.field for one in outcome.findings if one.code == "describe-private-in-capture"
    }
    assert left_out == {
        "INFO IART", "bext Description", "bext Originator", "iXML", "axml", "label of mark 7",
        "chunk id3", "chunk zzzz",
    }  # fmt: skip
    (master,) = (bag / "data/masters").iterdir()
    raw = master.read_bytes()
    assert b"IGNR" in raw
    assert b"nothing of that kind" in raw
    samples, rate = soundfile.read(folder / "takes/t1.wav", dtype="int32")
    kept, same_rate = soundfile.read(master, dtype="int32")
    assert same_rate == rate
    assert (kept == samples).all()
    public = json.loads((bag / "metadata/captures/t1.json").read_text(encoding="utf-8"))
    whole = json.loads((bag / "data/restricted/captures/t1.json").read_text(encoding="utf-8"))
    validator = jsonschema.Draft202012Validator(
        json.loads((REPOSITORY / "schemas/capture.schema.json").read_text(encoding="utf-8"))
    )
    for document in (public, whole):
        validator.validate(document)
    shown = {one["id"] for one in public["payloads"] if "payload_base64" in one}
    assert {"yyyy", "cue "} <= shown
    assert not shown & {"bext", "iXML", "axml", "LIST", "id3 ", "zzzz"}
    found = {one["id"]: base64.b64decode(one["payload_base64"]) for one in whole["payloads"]}
    assert b"Marked Namesen" in found["bext"]
    assert found["zzzz"].endswith(b"ABCD")
    assert [one["id"] for one in public["payloads"]] == [one["id"] for one in whole["payloads"]]
    carried = [one.message for one in outcome.findings if one.code == "master-chunk-carried"]
    assert carried == ["carried byte for byte: yyyy"]


def test_private_comments_of_a_flac_capture_are_left_out(tmp_path: Path) -> None:
    folder = make_session(
        tmp_path / "s",
        edit=lambda text: text.replace("t1.wav", "t1.flac").replace(
            "operators:\n", f"operators:\n{PERSON}", 1
        ),
    )
    (folder / "takes/t1.wav").unlink()
    with soundfile.SoundFile(folder / "takes/t1.flac", "w", 48_000, 1, "PCM_24") as file:
        file.artist = "Marked Namesen"
        file.title = "A title of the recorder"
        file.write(sound(1.0))
    _, bag = archived(folder, tmp_path / "archive")
    assert leaks(bag, {"name": "Marked Namesen"}, besides="data/restricted/") == []
    (master,) = (bag / "data/masters").iterdir()
    assert b"A title of the recorder" in master.read_bytes()
    whole = json.loads((bag / "data/restricted/captures/t1.json").read_text(encoding="utf-8"))
    assert b"Marked Namesen" in base64.b64decode(whole["payloads"][0]["payload_base64"])


def test_a_bag_without_the_restricted_part_holds_nothing_that_is_withheld(
    marked: tuple[Path, dict[str, str]], tmp_path: Path
) -> None:
    folder, markers = marked
    before = snapshot(folder)
    _, bag = archived(folder, tmp_path / "archive", leave_out_restricted=True)
    assert leaks(bag, markers) == []
    assert not (bag / "data/restricted").exists()
    record = json.loads((bag / "metadata/archiving.json").read_text(encoding="utf-8"))
    assert record["restricted_left_out"] is True
    assert snapshot(folder) == before
    (verdict,) = verify_bags([bag])
    assert verdict.exit_status == 0


def test_findings_in_the_bag_name_no_withheld_person_and_no_restricted_paper(
    tmp_path: Path,
) -> None:
    """Without caption and consent both are told about, to the person and not in the bag."""

    def edit(text: str) -> str:
        text = text.replace("operators:\n", f"operators:\n{PERSON}", 1)
        sealed = "documents:\n  - {file: documents/markedfile.txt, restricted: yes}\n"
        return f"{text}    operators: [markedid]\n{sealed}".replace(
            "kind: room tone", "kind: announcement"
        )

    folder = make_session(tmp_path / "session", edit=edit)
    (folder / "documents/markedfile.txt").write_text("markedcontent", encoding="utf-8")
    outcome, bag = archived(folder, tmp_path / "archive")
    told = " ".join(f"{one.where} {one.message}" for one in outcome.findings)
    assert "Marked Namesen" in told
    assert "markedfile" in told
    kept = (bag / "metadata/findings.json").read_text(encoding="utf-8")
    assert "[withheld]" in kept
    markers = {word: word for word in ("markedid", "Marked Namesen", "marked-uri", "markedfile")}
    assert leaks(bag, markers, besides="data/restricted/") == []


def test_the_search_finds_what_it_looks_for(
    marked: tuple[Path, dict[str, str]], tmp_path: Path
) -> None:
    """The search itself, on a bag that holds the restricted part."""
    folder, markers = marked
    _, bag = archived(folder, tmp_path / "archive")
    assert {place for _, place in leaks(bag, markers)} == set(markers)


def test_documents_made_again_are_the_same_and_say_as_little(
    marked: tuple[Path, dict[str, str]], tmp_path: Path
) -> None:
    folder, markers = marked
    _, bag = archived(folder, tmp_path / "archive")
    exported = export_documents(bag, tmp_path / "out")
    assert {one.same for one in exported.documents} == {True}
    assert exported.findings == ()
    assert leaks(tmp_path / "out", markers) == []


def test_the_public_copy_of_the_sheet_keeps_its_comments_and_lines(
    marked: tuple[Path, dict[str, str]], tmp_path: Path
) -> None:
    folder, _ = marked
    _, bag = archived(folder, tmp_path / "archive")
    public = (bag / "data/documents/session.yaml").read_text(encoding="utf-8").splitlines()
    submitted = (folder / "session.yaml").read_text(encoding="utf-8").splitlines()
    assert len(public) == len(submitted)
    comments = [line for line in submitted if line.lstrip().startswith("#")]
    assert comments
    assert [line for line in public if line.lstrip().startswith("#")] == comments


def test_a_session_without_private_values_has_its_sheet_as_submitted(tmp_path: Path) -> None:
    folder = make_session(tmp_path / "s")
    _, bag = archived(folder, tmp_path / "archive")
    assert (bag / "data/documents/session.yaml").read_bytes() == (
        folder / "session.yaml"
    ).read_bytes()
    assert not (bag / "data/restricted").exists()
    record = json.loads((bag / "metadata/archiving.json").read_text(encoding="utf-8"))
    assert record["restricted_left_out"] is False


def test_a_public_sheet_can_be_archived_again(
    marked: tuple[Path, dict[str, str]], tmp_path: Path
) -> None:
    """What stands in the place of what is withheld is no secret itself."""
    folder, _ = marked
    _, bag = archived(folder, tmp_path / "archive")
    again = tmp_path / "again"
    shutil.copytree(bag / "data/documents", again)
    for name, kept in (("takes", "masters"), ("photographs", "photographs")):
        shutil.copytree(bag / f"data/{kept}", again / name)
    next((again / "takes").iterdir()).rename(again / "takes/t1.wav")
    (again / "documents").mkdir()
    (again / "documents/withheld-1").write_text("paper", encoding="utf-8")
    text = (again / "session.yaml").read_text(encoding="utf-8")
    assert "withheld" in text
    report = check_session(again)
    assert report.session is not None
    codes_found = {one.code for one in report.findings}
    assert not {code for code in codes_found if code.startswith(("describe-p", "describe-w"))}


PRIVATE = "    phone: +45 5550 0122\n"


@pytest.mark.parametrize(
    ("where", "code"),
    [
        ("summary", "describe-private-value"),
        ("comment", "describe-private-in-comment"),
        ("document", "describe-private-in-document"),
        ("file name", "describe-private-in-file-name"),
    ],
)
def test_a_private_value_that_stands_elsewhere_stops_the_deposit(
    tmp_path: Path, where: str, code: str
) -> None:
    def edit(text: str) -> str:
        text = text.replace(
            "    role: recording engineer\n", f"    role: recording engineer\n{PRIVATE}"
        )
        if where == "summary":
            text = text.replace("A short trial.", "Ask +45 5550 0122.")
        if where == "comment":
            text = text.replace("chains:\n", "chains:  # ask +45  5550 0122\n")
        return text

    folder = make_session(tmp_path / "s", edit=edit)
    if where == "document":
        (folder / "documents/notes.txt").write_text("Call +45 5550 0122 first.", encoding="utf-8")
    if where == "file name":
        (folder / "documents/45-5550-0122.txt").write_text("x", encoding="utf-8")
    outcome = archive_session(folder, tmp_path / "archive")
    assert outcome.bag is None
    assert code in codes(outcome)
    assert code in {finding.code for finding in check_session(folder).findings}
    assert not (tmp_path / "archive").exists()


def test_the_contact_of_the_organisation_may_be_private_elsewhere(tmp_path: Path) -> None:
    """What the organisation says of itself is public, whoever else has it as a secret."""

    def edit(text: str) -> str:
        text = text.replace(
            "    role: recording engineer\n", f"    role: recording engineer\n{PRIVATE}"
        )
        return text.replace("code: MFL}", "code: MFL, contact: {phone: +45 5550 0122}}")

    _, bag = archived(make_session(tmp_path / "s", edit=edit), tmp_path / "archive")
    assert "+45 5550 0122" in (bag / "bag-info.txt").read_text(encoding="utf-8")
