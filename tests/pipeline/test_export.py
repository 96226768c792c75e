"""Documents made again from a bag: the same bytes as those that were put in when it was made."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import bagit
import pytest

from archiver.errors import InputError, IntegrityError, MisuseError
from archiver.pipeline.archive import archive_session
from archiver.pipeline.export import Exported, export_documents
from tests.cli.running import Runner
from tests.pipeline.making import make_session, make_session_with_machine, snapshot

DOCUMENTS = {
    "metadata/premis.xml",
    "metadata/mets.xml",
    "metadata/ebucore.xml",
    "metadata/dublin-core.xml",
    "metadata/datacite.json",
    "data/ro-crate-metadata.json",
}


def bag_of(folder: Path, to: Path, **options: Any) -> Path:
    outcome = archive_session(folder, to, **options)
    assert outcome.bag is not None, [str(f) for f in outcome.findings]
    return outcome.bag


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    return bag_of(make_session(tmp_path / "s", takes=2), tmp_path / "archive", access=["flac"])


def assert_same(bag: Path, exported: Exported) -> None:
    for one in exported.documents:
        assert one.file.read_bytes() == (bag / one.path).read_bytes(), one.path
        assert one.same is True


def test_every_document_comes_out_in_the_same_bytes(tmp_path: Path) -> None:
    options = {"algorithms": ["sha512", "sha256"], "access": ["flac", "opus"]}
    bag = bag_of(make_session_with_machine(tmp_path / "s"), tmp_path / "archive", **options)
    before = snapshot(bag)
    exported = export_documents(bag, tmp_path / "out")
    held = {path.relative_to(bag).as_posix() for path in (bag / "metadata/lido").iterdir()}
    assert held
    assert {one.path for one in exported.documents} == DOCUMENTS | held
    assert_same(bag, exported)
    assert exported.findings == ()
    assert snapshot(bag) == before


@pytest.mark.parametrize("name", ["premis", "mets", "ro-crate"])
def test_one_document_can_be_chosen(bag: Path, tmp_path: Path, name: str) -> None:
    exported = export_documents(bag, tmp_path / "out", [name])
    assert [one.file.name.partition(".")[0] for one in exported.documents] == [
        {"ro-crate": "ro-crate-metadata"}.get(name, name)
    ]
    assert_same(bag, exported)


def test_mets_names_what_the_bag_holds_whatever_else_is_exported(tmp_path: Path) -> None:
    folder = make_session(tmp_path / "s")
    text = "schema: institution 1\nname: Egeskov\ndocuments: [premis, mets]\n"
    (folder / "institution.yaml").write_text(text, encoding="utf-8")
    bag = bag_of(folder, tmp_path / "archive")
    exported = export_documents(bag, tmp_path / "out", ["mets", "datacite"])
    same = {one.path: one.same for one in exported.documents}
    assert same == {"metadata/datacite.json": None, "metadata/mets.xml": True}
    default = export_documents(bag, tmp_path / "again")
    assert [one.path for one in default.documents] == ["metadata/premis.xml", "metadata/mets.xml"]
    assert_same(bag, default)


def test_nothing_is_overwritten_and_nothing_is_written_beside_it(bag: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "premis.xml").write_text("mine", encoding="utf-8")
    with pytest.raises(MisuseError, match="nothing is overwritten"):
        export_documents(bag, out)
    assert [path.name for path in out.iterdir()] == ["premis.xml"]
    assert (out / "premis.xml").read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize("place", ["", "metadata", "new/below"])
def test_the_bag_itself_is_no_place_for_the_documents(bag: Path, place: str) -> None:
    before = snapshot(bag)
    with pytest.raises(MisuseError, match="inside the bag"):
        export_documents(bag, bag / place)
    assert snapshot(bag) == before


def test_an_unknown_document_is_refused_with_those_that_there_are(
    bag: Path, tmp_path: Path
) -> None:
    with pytest.raises(MisuseError, match="premis, mets, ebucore"):
        export_documents(bag, tmp_path / "out", ["marc"])


def test_a_bag_that_is_not_whole_is_refused(bag: Path, tmp_path: Path) -> None:
    (bag / "data/masters/trial-1_t2.wav").unlink()
    with pytest.raises(IntegrityError, match=r"trial-1_t2\.wav is missing"):
        export_documents(bag, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_file_that_stands_in_no_manifest_is_told(bag: Path, tmp_path: Path) -> None:
    (bag / "data/more.txt").write_text("more", encoding="utf-8")
    with pytest.raises(IntegrityError, match="not whole"):
        export_documents(bag, tmp_path / "out")


def test_a_record_that_was_changed_is_refused(bag: Path, tmp_path: Path) -> None:
    record = bag / "metadata/session.json"
    document = json.loads(record.read_text(encoding="utf-8"))
    document["session"]["title"] = "Another title"
    record.write_text(json.dumps(document), encoding="utf-8")
    with pytest.raises(IntegrityError, match=r"session\.json has changed"):
        export_documents(bag, tmp_path / "out")


def test_a_master_whose_bytes_have_changed_does_not_stand_in_the_way(
    bag: Path, tmp_path: Path
) -> None:
    """The documents state what was stored; whether it is still so is what verify tells."""
    master = bag / "data/masters/trial-1_t1.wav"
    raw = bytearray(master.read_bytes())
    raw[-1] ^= 1
    master.write_bytes(raw)
    assert_same(bag, export_documents(bag, tmp_path / "out"))


def test_a_bag_of_another_program_is_refused(tmp_path: Path) -> None:
    """The bag is made by the registry's bagit library."""
    folder = tmp_path / "other"
    folder.mkdir()
    (folder / "a.txt").write_text("a", encoding="utf-8")
    bagit.make_bag(str(folder), checksums=["sha256"])
    with pytest.raises(InputError, match=r"has no metadata/archiving\.json"):
        export_documents(folder, tmp_path / "out")


def test_the_command_prints_the_files_and_their_comparison(
    bag: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    run = Runner(monkeypatch, capsys)
    ran = run("export", bag, "--to", tmp_path / "out", "--document", "premis")
    assert ran.status == 0
    assert ran.out == f"{tmp_path / 'out' / 'premis.xml'}\n"
    assert "the same bytes as in the bag" in ran.err
    ran = run("export", tmp_path / "s", "--to", tmp_path / "other", "--json")
    assert ran.status == 2
    assert json.loads(ran.out)["error"] == "MisuseError"
    assert "archiver archive" in ran.err
