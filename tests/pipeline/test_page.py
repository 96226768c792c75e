"""The page in a bag, and the page that goes alone."""

from __future__ import annotations

import base64
import json
from pathlib import Path
from urllib.parse import unquote

import pytest

from archiver.errors import InputError, IntegrityError, MisuseError
from archiver.pages.page import PAGE
from archiver.pipeline.archive import Archived, archive_session
from archiver.pipeline.page import bag_facts, page_for_bag, write_page
from archiver.pipeline.recorded_bag import read_recorded
from tests.cli.running import Runner
from tests.pages.reading import Page
from tests.pipeline.making import make_session_with_machine, snapshot


def bag_of(folder: Path, to: Path, **options: object) -> Path:
    outcome = archive_session(folder, to, **options)  # type: ignore[arg-type] # each test its own
    assert outcome.bag is not None, [str(f) for f in outcome.findings]
    return outcome.bag


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return make_session_with_machine(tmp_path / "s")


def remade(bag: Path) -> bytes:
    return page_for_bag(bag_facts(read_recorded(bag)))


def test_the_page_in_a_bag_is_made_of_its_records_alone(folder: Path, tmp_path: Path) -> None:
    bag = bag_of(folder, tmp_path / "archive", access=["flac", "opus"], algorithms=["sha512"])
    assert remade(bag) == (bag / PAGE).read_bytes()


def test_the_page_of_the_sample_bag_is_made_of_its_records_alone(
    sample_archived: Archived,
) -> None:
    bag = sample_archived.bag
    assert bag is not None
    assert remade(bag) == (bag / PAGE).read_bytes()
    page = Page((bag / PAGE).read_bytes())
    motion = json.loads((bag / "metadata/motion.json").read_text(encoding="utf-8"))
    turned = next(take for take in motion["takes"] if take["take"] == "t04")
    measured = next(
        value for value, basis in page.facts("take-t04")["Speed"] if basis == "measured"
    )
    figure = float(measured.split(" ")[0])
    assert figure == pytest.approx(turned["rotation"]["mean_rpm"]["value"], abs=0.01)


def test_every_reference_on_the_page_leads_to_a_file_of_the_bag(
    folder: Path, tmp_path: Path
) -> None:
    bag = bag_of(folder, tmp_path / "archive", access=["flac"])
    addresses = [a for a in Page((bag / PAGE).read_bytes()).addresses() if a.startswith("../")]
    assert {"wav", "flac", "png"} <= {address.rpartition(".")[2] for address in addresses}
    for address in addresses:
        assert (bag / "metadata" / unquote(address.partition("#")[0])).is_file(), address


def test_the_read_me_leads_to_the_page(folder: Path, tmp_path: Path) -> None:
    bag = bag_of(folder, tmp_path / "archive")
    assert PAGE in (bag / "READ-ME.txt").read_text(encoding="utf-8")


def test_the_page_alone_holds_its_pictures_and_leads_nowhere(folder: Path, tmp_path: Path) -> None:
    bag = bag_of(folder, tmp_path / "archive")
    before = snapshot(bag)
    written = write_page(bag, tmp_path / "out" / "page.html")
    page = Page(written.file.read_bytes())
    sources = [one.get("src") or "" for one in page.all("img")]
    picture = (folder / "photographs/machine.png").read_bytes()
    for source in sources:
        kind, _, coded = source.partition(",")
        assert kind == "data:image/png;base64"
        assert base64.b64decode(coded, validate=True) == picture
    assert written.pictures == 1
    assert not page.all("audio")
    assert "goes alone, without the sound" in page.text(page.by_id("takes"))
    assert "goes alone" not in (bag / PAGE).read_text(encoding="utf-8")
    assert all(a.startswith(("#", "data:", "https:")) for a in page.addresses())
    assert snapshot(bag) == before


def test_a_folder_has_a_page_before_it_is_archived(folder: Path, tmp_path: Path) -> None:
    before = snapshot(folder)
    written = write_page(folder, tmp_path / "page.html")
    page = Page(written.file.read_bytes())
    assert page.facts("take-t1")["Length"] == [("1.0 s", "measured")]
    assert "not archived yet" in page.text(page.all("footer")[0])
    assert snapshot(folder) == before


def test_a_page_of_a_folder_tells_nothing_private(folder: Path, tmp_path: Path) -> None:
    sheet = folder / "session.yaml"
    text = sheet.read_text(encoding="utf-8")
    sheet.write_text(
        text.replace("    name: Åse Brønd\n", "    name: Åse Brønd\n    phone: +45 55501234\n"),
        encoding="utf-8",
    )
    written = write_page(folder, tmp_path / "page.html")
    assert "55501234" not in written.file.read_text(encoding="utf-8")


def test_a_picture_that_no_browser_shows_is_named(folder: Path, tmp_path: Path) -> None:
    tiff = folder / "photographs/machine.tif"
    (folder / "photographs/machine.png").unlink()
    tiff.write_bytes(b"II*\0" + bytes(60))
    sheet = folder / "session.yaml"
    text = sheet.read_text(encoding="utf-8").replace("machine.png", "machine.tif")
    sheet.write_text(text, encoding="utf-8")
    written = write_page(folder, tmp_path / "page.html")
    assert written.left_out == ("photographs/machine.tif",)
    assert not Page(written.file.read_bytes()).all("img")


def test_nothing_is_overwritten_and_nothing_added_to_a_bag(folder: Path, tmp_path: Path) -> None:
    bag = bag_of(folder, tmp_path / "archive")
    taken = tmp_path / "page.html"
    taken.write_text("mine", encoding="utf-8")
    with pytest.raises(MisuseError, match="nothing is overwritten"):
        write_page(bag, taken)
    with pytest.raises(MisuseError, match="nothing may be added"):
        write_page(bag, bag / "metadata" / "again.html")
    with pytest.raises(MisuseError, match="nothing may be added"):
        write_page(folder, folder / "page.html")
    assert taken.read_text(encoding="utf-8") == "mine"


def test_a_bag_whose_record_has_changed_has_no_page(folder: Path, tmp_path: Path) -> None:
    bag = bag_of(folder, tmp_path / "archive")
    record = bag / "metadata/session.json"
    record.write_bytes(record.read_bytes().replace(b"1909", b"1919"))
    with pytest.raises(IntegrityError, match="has changed"):
        write_page(bag, tmp_path / "page.html")
    assert not (tmp_path / "page.html").exists()


def test_findings_that_have_changed_are_not_told_as_recorded(folder: Path, tmp_path: Path) -> None:
    bag = bag_of(folder, tmp_path / "archive")
    findings = bag / "metadata/findings.json"
    findings.write_bytes(findings.read_bytes() + b" ")
    with pytest.raises(IntegrityError, match=r"findings\.json has changed"):
        write_page(bag, tmp_path / "page.html")


def test_a_session_with_errors_has_no_page(folder: Path, tmp_path: Path) -> None:
    sheet = folder / "session.yaml"
    text = sheet.read_text(encoding="utf-8").replace("takes/t1.wav", "takes/gone.wav")
    sheet.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match="finds errors"):
        write_page(folder, tmp_path / "page.html")


def test_the_command_says_where_the_page_is(
    folder: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    run = Runner(monkeypatch, capsys)
    ran = run("page", folder, "--to", tmp_path / "one.html")
    assert (ran.status, ran.out) == (0, f"{tmp_path / 'one.html'}\n")
    assert "1 picture" in ran.err
    facts = json.loads(run("page", folder, "--to", tmp_path / "two.html", "--json").out)
    assert facts["pictures"] == 1
    assert facts["bytes"] == (tmp_path / "two.html").stat().st_size
    assert run("page", tmp_path, "--to", tmp_path / "three.html").status == 2
