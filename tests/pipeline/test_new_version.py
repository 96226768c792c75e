"""A new version of a bag: what it records, what it leaves as it was, and what it refuses.

Judged by the manifests of both bags, read here by plain means, and by the ``bagit`` library.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import bagit
import pytest
from datacite import schema45
from jsonschema import Draft202012Validator

from archiver.errors import IntegrityError, MisuseError
from archiver.pages.page import PAGE
from archiver.pipeline.archive import Archived, archive_session
from archiver.pipeline.export import export_documents
from archiver.pipeline.page import bag_facts, page_for_bag
from archiver.pipeline.recorded_bag import read_recorded
from archiver.pipeline.versions_sent import complete, left_out, payload_digests
from archiver.schema_store import schema
from tests.package.small_bags import contents
from tests.pages.reading import Page
from tests.pipeline.making import make_session_with_machine

FIRST_DAY, LATER_DAY = "1780000000", "1790000000"


def listed(bag: Path, algorithm: str = "sha256") -> dict[str, str]:
    lines = (bag / f"manifest-{algorithm}.txt").read_text(encoding="utf-8").splitlines()
    return {path: digest for digest, path in (line.split("  ", 1) for line in lines)}


def record(bag: Path) -> dict[str, Any]:
    document: dict[str, Any] = json.loads((bag / "metadata/version.json").read_bytes())
    return document


def names(document: dict[str, Any], group: str) -> list[str]:
    return [one["file"] for one in document[group]]


def made(done: Archived) -> Path:
    assert done.bag is not None, done.findings
    return done.bag


@pytest.fixture
def on_day(monkeypatch: pytest.MonkeyPatch) -> Callable[[str], None]:
    """Sets the day of the next runs."""
    return lambda day: monkeypatch.setenv("SOURCE_DATE_EPOCH", day)


@pytest.fixture
def session(tmp_path: Path) -> Path:
    folder = make_session_with_machine(tmp_path / "session", takes=2)
    (folder / "documents/programme.txt").write_text("Prøve\n", encoding="utf-8")
    return folder


@pytest.fixture
def first(session: Path, tmp_path: Path, on_day: Callable[[str], None]) -> Path:
    on_day(FIRST_DAY)
    bag = made(archive_session(session, tmp_path / "out"))
    on_day(LATER_DAY)
    return bag


def correct_a_caption(session: Path) -> None:
    sheet = session / "session.yaml"
    text = sheet.read_text(encoding="utf-8")
    assert "caption: The machine" in text
    sheet.write_text(text.replace("caption: The machine", "caption: Left side"), encoding="utf-8")


def test_a_corrected_description_leaves_the_masters_as_they_were_on_a_later_day(
    session: Path, first: Path
) -> None:
    correct_a_caption(session)
    second = made(archive_session(session, first.parent, version=2, reason="A  wrong\ncaption"))
    document = record(second)
    Draft202012Validator(schema("version")).validate(document)
    assert second.name == "trial-1-v2"
    assert document["reason"] == "A wrong caption"
    assert bagit.Bag(str(second)).info["Version-Reason"] == "A wrong caption"
    page = (second / PAGE).read_bytes()
    assert Page(page).facts("making")["Reason for this version"] == [("A wrong caption", "stated")]
    assert page_for_bag(bag_facts(read_recorded(second))) == page
    assert names(document, "changed") == [
        "data/documents/session.yaml",
        "data/ro-crate-metadata.json",
    ]
    assert names(document, "added") == names(document, "removed") == []
    assert "data/masters/trial-1_t1.wav" in names(document, "unchanged")


def test_the_record_agrees_with_the_manifests_of_both_bags(session: Path, first: Path) -> None:
    correct_a_caption(session)
    (session / "documents/programme.txt").rename(session / "documents/order.txt")
    (session / "documents/more.txt").write_text("Mere\n", encoding="utf-8")
    (session / "photographs/machine.png").unlink()
    sheet = session / "session.yaml"
    text = sheet.read_text(encoding="utf-8")
    sheet.write_text(text[: text.index("photographs:")], encoding="utf-8")
    second = made(archive_session(session, first.parent, version=2))
    document = record(second)
    before, after = listed(first), listed(second)
    assert document["digest_algorithm"] == "sha256"
    assert {one["file"]: one["digest"] for one in document["unchanged"]} == {
        path: digest for path, digest in after.items() if before.get(path) == digest
    }
    assert [(one["file"], one["earlier_file"]) for one in document["renamed"]] == [
        ("data/documents/order.txt", "data/documents/programme.txt")
    ]
    assert names(document, "added") == ["data/documents/more.txt"]
    assert names(document, "removed") == ["data/photographs/machine.png"]
    for one in document["changed"]:
        assert (one["earlier_digest"], one["digest"]) == (before[one["file"]], after[one["file"]])
    sizes = {path: (second / path).stat().st_size for path in after}
    for group in ("unchanged", "changed", "renamed", "added"):
        for one in document[group]:
            assert one["size_bytes"] == sizes[one["file"]]


def test_a_master_with_other_words_and_the_same_sound_says_so(session: Path, first: Path) -> None:
    sheet = session / "session.yaml"
    text = sheet.read_text(encoding="utf-8")
    sheet.write_text(text.replace("title: Prøve", "title: Anden prøve"), encoding="utf-8")
    document = record(made(archive_session(session, first.parent, version=2)))
    masters = [one for one in document["changed"] if one["file"].startswith("data/masters/")]
    assert [one["same_sound"] for one in masters] == [True, True]
    assert all("same_sound" not in one for one in document["changed"] if one not in masters)


def test_the_bag_that_is_replaced_is_named_and_stays_as_it_was(session: Path, first: Path) -> None:
    before = contents(first)
    second = made(archive_session(session, first.parent, version=2))
    assert contents(first) == before
    bagit.Bag(str(first)).validate()
    bag = bagit.Bag(str(second))
    bag.validate()
    assert (bag.info["Bag-Version"], bag.info["Bag-Replaces"]) == ("2", "trial-1")
    replaces = record(second)["replaces"]
    assert (replaces["bag"], replaces["version"]) == ("trial-1", 1)
    # The record stands in the tag manifest and in the read-me.
    tags = (second / "tagmanifest-sha256.txt").read_text(encoding="utf-8")
    assert "  metadata/version.json\n" in tags
    assert "metadata/version.json" in (second / "READ-ME.txt").read_text(encoding="utf-8")
    assert not (first / "metadata/version.json").exists()


def test_datacite_says_which_bag_a_new_version_follows(session: Path, first: Path) -> None:
    """Terms of DataCite 4: IsNewVersionOf, judged by the schema that the library keeps."""
    second = made(archive_session(session, first.parent, version=2))
    before, after = (
        json.loads((bag / "metadata/datacite.json").read_bytes()) for bag in (first, second)
    )
    assert "relatedIdentifiers" not in before
    (identifier,) = (
        one["alternateIdentifier"]
        for one in before["alternateIdentifiers"]
        if one["alternateIdentifierType"] == "package identifier"
    )
    assert after["relatedIdentifiers"] == [
        {
            "relatedIdentifier": identifier,
            "relatedIdentifierType": "URN",
            "relationType": "IsNewVersionOf",
        }
    ]
    assert [error.message for error in schema45.validator.iter_errors(after)] == []
    same = export_documents(second, first.parent / "described")
    assert all(one.same for one in same.documents)


def test_versions_follow_one_another(session: Path, first: Path) -> None:
    second = made(archive_session(session, first.parent, version=2))
    third = made(archive_session(session, first.parent, version=3))
    assert record(third)["replaces"]["bag"] == second.name
    assert bagit.Bag(str(third)).info["Bag-Replaces"] == second.name


def test_a_version_need_not_be_numbered_where_the_earlier_bag_is_named(
    session: Path, first: Path, tmp_path: Path
) -> None:
    second = made(archive_session(session, first.parent, replaces=first))
    third = made(archive_session(session, tmp_path / "new", replaces=second))
    assert (second.name, third.name) == ("trial-1-v2", "trial-1-v3")
    info = bagit.Bag(str(third)).info
    assert (info["Bag-Version"], info["Bag-Replaces"]) == ("3", "trial-1-v2")


def test_the_bag_that_is_replaced_may_lie_elsewhere(
    session: Path, first: Path, tmp_path: Path
) -> None:
    second = made(archive_session(session, tmp_path / "new", version=2, replaces=first))
    assert record(second)["replaces"]["bag"] == "trial-1"
    assert names(record(second), "changed") == ["data/ro-crate-metadata.json"]


def test_without_the_earlier_bag_there_is_a_warning_and_no_record(
    session: Path, first: Path, tmp_path: Path
) -> None:
    done = archive_session(session, tmp_path / "new", version=2)
    second = made(done)
    assert "version-earlier-absent" in [finding.code for finding in done.findings]
    assert not (second / "metadata/version.json").exists()
    assert "version.json" not in (second / "READ-ME.txt").read_text(encoding="utf-8")
    assert bagit.Bag(str(second)).info["Bag-Replaces"] == first.name


@pytest.mark.parametrize(("earlier", "later"), [("sha512", "sha256"), ("md5", "sha512")])
def test_versions_with_other_digests_are_compared_all_the_same(
    session: Path, tmp_path: Path, earlier: str, later: str
) -> None:
    first = made(archive_session(session, tmp_path / "out", algorithms=[earlier]))
    second = made(archive_session(session, tmp_path / "out", version=2, algorithms=[later]))
    document = record(second)
    assert document["digest_algorithm"] == later
    assert len(document["unchanged"]) == len(listed(first, earlier)) - len(document["changed"])
    assert names(document, "added") == []


# --- what is refused ------------------------------------------------------------------


def test_a_bag_of_another_session_is_not_replaced(
    session: Path, first: Path, tmp_path: Path
) -> None:
    sheet = session / "session.yaml"
    text = sheet.read_text(encoding="utf-8").replace("identifier: trial-1", "identifier: trial-2")
    sheet.write_text(text, encoding="utf-8")
    with pytest.raises(MisuseError, match="of the session 'trial-1', not of 'trial-2'"):
        archive_session(session, tmp_path / "new", version=2, replaces=first)
    assert not (tmp_path / "new").exists()


def test_what_is_no_bag_is_not_replaced(session: Path, first: Path, tmp_path: Path) -> None:
    with pytest.raises(MisuseError, match="is no bag"):
        archive_session(session, tmp_path / "new", version=2, replaces=session)
    with pytest.raises(MisuseError, match="replaces nothing"):
        archive_session(session, tmp_path / "new", version=1, replaces=first)


@pytest.mark.parametrize("number", [2, 4, 9])
def test_a_number_that_does_not_follow_that_of_the_bag_named_is_refused(
    session: Path, first: Path, tmp_path: Path, number: int
) -> None:
    second = made(archive_session(session, first.parent, version=2))
    with pytest.raises(MisuseError, match=r"is version 2, .*Accepted: --version 3\."):
        archive_session(session, tmp_path / "new", version=number, replaces=second)
    assert not (tmp_path / "new").exists()


def test_a_version_does_not_pass_over_one_where_the_others_are(session: Path, first: Path) -> None:
    with pytest.raises(MisuseError, match=r"the newest there is version 1\. Accepted: --version 2"):
        archive_session(session, first.parent, version=3)
    assert [path.name for path in first.parent.iterdir()] == [first.name]


@pytest.mark.parametrize("place", ["out", "elsewhere"])
@pytest.mark.parametrize("number", [None, 2])
def test_a_version_is_replaced_by_one_only(
    session: Path, first: Path, tmp_path: Path, place: str, number: int | None
) -> None:
    made(archive_session(session, first.parent, version=2))
    third = made(archive_session(session, first.parent, version=3))
    with pytest.raises(MisuseError, match="replaced already, by trial-1-v2") as refused:
        archive_session(session, tmp_path / place, version=number, replaces=first)
    way = "--version 4 and no --replaces" if place == "out" else f"--replaces {third}"
    assert refused.value.remedy.endswith(f"which replaces trial-1-v3: give {way}")
    assert len(list(first.parent.iterdir())) == 3
    assert not (tmp_path / "elsewhere").exists()


def test_a_version_that_was_made_elsewhere_counts_where_it_lies(
    session: Path, first: Path, tmp_path: Path
) -> None:
    made(archive_session(session, tmp_path / "new", replaces=first))
    with pytest.raises(MisuseError, match="replaced already, by trial-1-v2"):
        archive_session(session, tmp_path / "new", replaces=first)


def test_a_label_that_an_institution_has_written_otherwise_hides_no_version(
    session: Path, first: Path, tmp_path: Path
) -> None:
    second = made(archive_session(session, first.parent, version=2))
    info = second / "bag-info.txt"
    text = info.read_text(encoding="utf-8")
    for line in ("External-Identifier: trial-1", "Bag-Version: 2"):
        assert line in text
        text = text.replace(line, f"{line.partition(':')[0]}: AX/77")
    info.write_text(text, encoding="utf-8")
    with pytest.raises(MisuseError, match="replaced already, by trial-1-v2"):
        archive_session(session, tmp_path / "new", replaces=first)


def test_a_bag_of_another_session_replaces_nothing_of_this_one(session: Path, first: Path) -> None:
    other = first.parent / "other"
    other.mkdir()
    (other / "bag-info.txt").write_text(
        "External-Identifier: other-1\nBag-Version: 2\nBag-Replaces: trial-1\n", encoding="utf-8"
    )
    assert made(archive_session(session, first.parent, version=2)).name == "trial-1-v2"


def test_a_first_version_has_no_reason(session: Path, tmp_path: Path) -> None:
    with pytest.raises(MisuseError, match="--reason: only a new version has a reason"):
        archive_session(session, tmp_path / "out", reason="A caption")


def test_a_manifest_that_has_changed_is_not_relied_on(session: Path, first: Path) -> None:
    manifest = first / "manifest-sha256.txt"
    manifest.write_bytes(manifest.read_bytes().replace(b"a", b"b", 1))
    with pytest.raises(IntegrityError, match=r"cannot be relied on: manifest-sha256\.txt"):
        archive_session(session, first.parent, version=2)
    assert [path.name for path in first.parent.iterdir()] == ["trial-1"]


def test_damage_to_the_earlier_payload_is_said_and_is_no_obstacle(
    session: Path, first: Path
) -> None:
    (first / "data/masters/trial-1_t1.wav").unlink()
    done = archive_session(session, first.parent, version=2)
    assert "version-earlier-not-whole" in [finding.code for finding in done.findings]
    bagit.Bag(str(made(done))).validate()


@pytest.mark.parametrize("what", ["metadata/archiving.json", "data/masters/trial-1_t1.wav"])
@pytest.mark.parametrize("content", [b"", b"{}", b"RIFF\xff\xff\xff\xffWAVEaxml\xff\xff\xff\xff"])
def test_an_earlier_file_that_cannot_be_read_costs_only_what_it_would_tell(
    session: Path, first: Path, what: str, content: bytes
) -> None:
    (first / what).write_bytes(content)
    bagit.Bag(str(made(archive_session(session, first.parent, version=2)))).validate()


# --- sending it -----------------------------------------------------------------------


def test_a_new_version_is_sent_without_its_masters_and_completed_there(
    session: Path, first: Path, tmp_path: Path
) -> None:
    correct_a_caption(session)
    second = made(archive_session(session, first.parent, version=2))
    said = left_out(second, payload_digests(first))
    assert "data/masters/trial-1_t1.wav" in said.paths
    there = tmp_path / "there" / second.name
    for path, content in contents(second).items():
        if path not in said.paths:
            (there / path).parent.mkdir(parents=True, exist_ok=True)
            (there / path).write_bytes(content)
    (there / "fetch.txt").write_bytes(said.fetch)
    complete(there, [first])
    assert contents(there) == contents(second)
