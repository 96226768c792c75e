"""Institution profiles and the check of a bag by one, on the command line."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from archiver.pipeline.profiles import profiles_directory
from archiver.schema_store import schema
from archiver.session.example_institution import example_files
from tests.cli.running import Runner
from tests.package.small_bags import write_bag
from tests.pipeline.institutions import write_profile
from tests.pipeline.making import make_session


def bag(root: Path) -> Path:
    return write_bag(root, {"a.txt": b"a"}, extra={"bag-info.txt": b"Contact-Name: A\n"})


def test_an_example_is_laid_out_checked_and_archived_for(run: Runner, tmp_path: Path) -> None:
    folder = tmp_path / "egeskov"
    ran = run("institution", "new", folder)
    assert ran.status == 0
    assert sorted(path.name for path in folder.iterdir()) == sorted(example_files())
    assert f"archiver institution check {folder}" in ran.out
    ran = run("institution", "check", folder)
    assert (ran.status, "Nothing found." in ran.out) == (0, True)
    assert "The series of our register that the recording belongs to" in ran.out
    session = make_session(tmp_path / "session", seconds=0.3)
    ran = run("archive", session, "--to", tmp_path / "out", "--for", folder, "--json")
    assert ran.status == 0, ran.out
    ran = run("check", tmp_path / "out/trial-1", "--for", folder)
    assert ran.status == 0, ran.out
    assert "can take it in" in ran.out


def test_nothing_is_laid_out_over_anything(run: Runner, tmp_path: Path) -> None:
    (tmp_path / "x").write_text("mine", encoding="utf-8")
    assert run("institution", "new", tmp_path).status == 2
    assert [path.name for path in tmp_path.iterdir()] == ["x"]


def test_profiles_are_listed_by_name_and_found_by_it(
    run: Runner, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("HOME", "XDG_CONFIG_HOME", "APPDATA"):
        monkeypatch.setenv(name, str(tmp_path))
    assert "No profiles are kept yet" in run("institution", "list").err
    kept = profiles_directory(os.environ)
    write_profile(kept / "folder")
    write_profile(kept).rename(kept / "file.yaml")
    assert run("institution", "list").out.split() == ["file", "folder"]
    facts = json.loads(run("institution", "list", "--json").out)
    assert facts == {"directory": str(kept), "profiles": ["file", "folder"]}
    for name in ("file", "folder"):
        assert run("institution", "check", name).status == 0
    assert "file, folder" in run("institution", "check", "other").err


def test_a_bag_that_lacks_something_is_told_in_two_words_and_status_1(
    run: Runner, tmp_path: Path
) -> None:
    profile = write_profile(tmp_path / "e", "bag_info: [{label: Series, asks: The series}]\n")
    ran = run("check", bag(tmp_path / "bag"), "--for", profile)
    assert ran.status == 1
    text = " ".join(ran.out.split())
    assert "The element Series is missing. Egeskov asks for: “The series”" in text
    assert "Egeskov would not take it in." in text
    assert run("check", "--explain", "institution-field-missing").status == 0


def test_the_facts_for_machines_follow_their_schema(run: Runner, tmp_path: Path) -> None:
    Draft202012Validator.check_schema(schema("fitness"))
    text = "bag_info: [{label: Series, asks: The series}]\ndigests: [md5]\n"
    profile = write_profile(tmp_path / "e", text, {"Bag-Info": {"Contact-Name": {"values": ["B"]}}})
    ran = run("check", bag(tmp_path / "bag"), "--for", profile, "--json")
    facts = json.loads(ran.out)
    Draft202012Validator(schema("fitness")).validate(facts)
    assert facts["fits"] is False
    assert [one.get("asks") for one in facts["findings"] if "asks" in one] == ["The series"]


def test_the_schema_of_the_facts_explains_every_field_with_a_valid_example() -> None:
    def parts(node: dict[str, object]) -> list[dict[str, object]]:
        inner = node.get("properties", {})
        assert isinstance(inner, dict)
        found = [part for child in inner.values() for part in parts(child)]
        items = node.get("items")
        return [node, *found, *(parts(items) if isinstance(items, dict) else [])]

    for part in parts(schema("fitness")):
        assert str(part["description"]).endswith("."), part
        examples = part["examples"]
        assert isinstance(examples, list)
        for example in examples:
            Draft202012Validator(part).validate(example)


def test_a_bag_without_an_institution_says_what_to_do(run: Runner, tmp_path: Path) -> None:
    ran = run("check", bag(tmp_path / "bag"))
    assert ran.status == 2
    assert "--for PROFILE" in ran.err
    assert "archiver verify" in ran.err


def test_a_package_is_to_be_unpacked_first(run: Runner, tmp_path: Path) -> None:
    package = tmp_path / "trial-1.tar.zst"
    package.write_bytes(b"")
    ran = run("check", package, "--for", write_profile(tmp_path / "e"))
    assert ran.status == 2
    assert f"archiver unpack {package} --to DIR" in ran.err


def test_a_profile_with_faults_is_shown_with_all_of_them(run: Runner, tmp_path: Path) -> None:
    profile = write_profile(tmp_path / "e", "receipt_days: soon\n", {"Serialization": "maybe"})
    ran = run("institution", "check", profile)
    assert ran.status == 1
    assert "sheet-value" in ran.out
    assert "profile-key-value" in ran.out
    facts = json.loads(run("institution", "check", profile, "--json").out)
    assert len(facts["findings"]) == 2


def test_without_an_address_fetching_is_a_misuse(run: Runner, tmp_path: Path) -> None:
    ran = run("institution", "fetch", write_profile(tmp_path / "e"))
    assert ran.status == 2
    assert "names no BagIt Profile" in ran.err


def test_a_new_version_says_why_on_the_command_line(run: Runner, tmp_path: Path) -> None:
    session = make_session(tmp_path / "session", seconds=0.3)
    assert run("archive", session, "--to", tmp_path / "a").status == 0
    ran = run(
        "archive", session, "--to", tmp_path / "b", "--version", "2",
        "--replaces", tmp_path / "a/trial-1", "--reason", "A trial",
    )  # fmt: skip
    assert ran.status == 0, ran.err
    record = json.loads((tmp_path / "b/trial-1-v2/metadata/version.json").read_bytes())
    assert (record["reason"], record["replaces"]["bag"]) == ("A trial", "trial-1")


def test_a_new_version_says_which_bag_it_replaces(run: Runner, tmp_path: Path) -> None:
    session = make_session(tmp_path / "session", seconds=0.3)
    first = run("archive", session, "--to", tmp_path / "a", "--json")
    facts = json.loads(first.out)
    assert (facts["version"], facts["replaces"], facts["replaced"]) == (1, None, None)
    ran = run("archive", session, "--to", tmp_path / "a", "--version", "2")
    assert f"Version 2 replaces trial-1: {tmp_path / 'a' / 'trial-1'}." in ran.err
    assert ran.out == f"{tmp_path / 'a' / 'trial-1-v2'}\n"
    third = run("archive", session, "--to", tmp_path / "a", "--version", "3", "--json")
    facts = json.loads(third.out)
    assert (facts["version"], facts["replaces"]) == (3, "trial-1-v2")
    assert facts["replaced"] == str(tmp_path / "a" / "trial-1-v2")


def test_a_bag_that_is_replaced_and_not_found_is_named_all_the_same(
    run: Runner, tmp_path: Path
) -> None:
    session = make_session(tmp_path / "session", seconds=0.3)
    ran = run("archive", session, "--to", tmp_path / "elsewhere", "--version", "2")
    assert "Version 2 replaces trial-1, which was not found." in ran.err
