"""Reports for machines: each hold to its schema, whatever was found.

Judge: the jsonschema library, by JSON Schema draft 2020-12 and its metaschema.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from archiver.custody import BlockDigester, encode_sound_digests
from archiver.package import BagBuilder
from archiver.schema_store import schema
from tests.cli.running import Ran, Runner
from tests.custody.ledgers import tamper
from tests.custody.stores import copied, small_store
from tests.package.small_bags import tiny_wav
from tests.package.test_signature import KEY, PUBLIC
from tests.pipeline.test_salvage import BLOCK, MASTER, OFFSET, RATE, SOUND, STEREO

REPORTS = (
    "accept-report",
    "copies-report",
    "error",
    "heal-report",
    "ledger-report",
    "protect-report",
    "recovery",
    "salvage",
    "salvage-report",
    "sign-report",
    "verify-report",
)


def parts(node: Mapping[str, Any], path: str = "") -> Iterator[tuple[str, Mapping[str, Any]]]:
    """Yield every subschema that stands for a field or an element, with its path."""
    for name, part in node.get("properties", {}).items():
        yield f"{path}/{name}", part
        yield from parts(part, f"{path}/{name}")
    for keyword in ("items", "additionalProperties", "propertyNames"):
        if isinstance(node.get(keyword), dict):
            yield f"{path}/{keyword}", node[keyword]
            yield from parts(node[keyword], f"{path}/{keyword}")
    for number, part in enumerate(node.get("anyOf", ())):
        yield from parts(part, f"{path}/{number}")


@pytest.mark.parametrize("name", REPORTS)
def test_schema_says_of_every_field_what_it_is_and_gives_valid_examples(name: str) -> None:
    document = schema(name)
    Draft202012Validator.check_schema(document)
    assert document["$id"] == f"https://archiver.invalid/schemas/{name}.schema.json"
    fields = list(parts(document))
    assert len(fields) > 4
    for path, part in (("", document), *fields):
        assert part["description"].endswith("."), path
        if "properties" in part:
            assert part["additionalProperties"] is False, path
            assert set(part["required"]) <= set(part["properties"]), path
    for path, part in fields:
        assert part["examples"], path
        for example in part["examples"]:
            assert Draft202012Validator(part).is_valid(example), (path, example)


def test_report_of_a_salvage_and_the_record_beside_the_file_are_one() -> None:
    saved = schema("salvage-report")["properties"]["salvaged"]["items"]
    assert saved["properties"] == schema("salvage")["properties"]


def held(ran: Ran, name: str) -> dict[str, Any]:
    """The report, once it holds to its schema and says the exit status."""
    document: dict[str, Any] = json.loads(ran.out)
    Draft202012Validator(schema(name)).validate(document)
    assert document.get("exit_status", ran.status) == ran.status
    return document


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return small_store(tmp_path / "store", 2)


@pytest.fixture
def recorded(tmp_path: Path) -> Path:
    """A bag with one master and the record of its sound."""
    digester = BlockDigester(STEREO)
    digester.feed(SOUND)
    wav = tiny_wav(SOUND, RATE)
    with BagBuilder(tmp_path / "recorded", "bag") as builder:
        builder.write_payload(MASTER, wav)
        record = digester.result(file=MASTER, file_bytes=len(wav), data_offset_bytes=OFFSET)
        builder.write_tag("metadata/sound/t01.json", encode_sound_digests(record))
        return builder.seal([])


def flip(path: Path, at: int) -> None:
    content = bytearray(path.read_bytes())
    content[at] ^= 1
    path.write_bytes(content)


def test_verification_of_bags_in_every_state(run: Runner, store: Path, recorded: Path) -> None:
    bags = (store / "bag-0", store / "2026" / "bag-1", recorded, store / "nowhere")
    for flags in ((), ("--quick",), ("--sound",)):
        held(run("verify", *bags[:3], *flags, "--json"), "verify-report")
    (store / "bag-0" / "data" / "documents" / "notes.txt").unlink()
    (store / "bag-0" / "data" / "stray.txt").write_bytes(b"whose?")
    flip(store / "2026" / "bag-1" / "manifest-sha256.txt", 3)
    flip(recorded / MASTER, OFFSET + 3 * BLOCK)
    report = held(run("verify", *bags, "--json"), "verify-report")
    verdicts = [bag["verdict"] for bag in report["bags"]]
    assert verdicts == ["changed", "changed", "changed", None]
    assert report["bags"][2]["masters"][0]["damaged"][0]["start_s"] == 3.0


def test_verification_of_signatures_and_recovery_data(
    run: Runner, store: Path, tmp_path: Path
) -> None:
    key, signers = tmp_path / "key", tmp_path / "signers"
    key.write_text(KEY, encoding="utf-8")
    signers.write_text(f"archive@lillehavn.example {PUBLIC}\n", encoding="utf-8")
    bag = store / "bag-0"
    protected = held(run("protect", bag, store / "nowhere", "--json"), "protect-report")
    assert [one["recovery_data"] is None for one in protected["bags"]] == [False, True]
    record = json.loads((store / "bag-0.recovery" / "recovery.json").read_text(encoding="utf-8"))
    Draft202012Validator(schema("recovery")).validate(record)
    signed = held(run("sign", bag, store / "nowhere", "--key", key, "--json"), "sign-report")
    assert [len(one["signatures"]) for one in signed["bags"]] == [1, 0]
    (report,) = held(run("verify", bag, "--signers", signers, "--json"), "verify-report")["bags"]
    assert report["signatures"][0]["signer"] == "archive@lillehavn.example"
    assert report["recovery"]["intact"] is True
    flip(bag / "tagmanifest-sha256.txt.sig", 200)
    flip(store / "bag-0.recovery" / "recovery.json", 5)
    (report,) = held(run("verify", bag, "--json"), "verify-report")["bags"]
    assert report["recovery"]["intact"] is False
    assert report["signatures"][0]["verdict"] in {"bad", "unreadable"}


def test_copies_in_every_state(run: Runner, store: Path, tmp_path: Path) -> None:
    ledger = tmp_path / "ledger.sqlite3"
    other = copied(store, tmp_path / "other")
    held(run("copies", store, other, "--json"), "copies-report")
    (other / "bag-0" / "data" / "masters" / "t01.wav").write_bytes(b"bad")
    (other / "bag-0" / "data" / "stray.txt").write_bytes(b"whose?")
    shutil.rmtree(other / "2026" / "bag-1")
    report = held(run("copies", store, other, "--json"), "copies-report")
    assert report["exit_status"] == 3
    ran = run("copies", store, other, "--ledger", ledger, "--repair", "--json")
    steps = {step["step"] for bag in held(ran, "copies-report")["bags"] for step in bag["repair"]}
    assert steps == {"repaired", "set aside", "replicated"}
    for place, word in ((store, b"one"), (other, b"two")):
        for path in (place / "bag-0").glob("*manifest-sha256.txt"):
            path.write_bytes(word)
    ran = run("copies", store, other, "--ledger", tmp_path / "new.sqlite3", "--repair", "--json")
    undecided = held(ran, "copies-report")["bags"]
    assert [bag["error"] is None for bag in undecided] == [True, False]


def test_salvage_and_the_record_beside_it(run: Runner, recorded: Path, tmp_path: Path) -> None:
    held(run("salvage", recorded, "--to", tmp_path / "a", "--json"), "salvage-report")
    flip(recorded / MASTER, OFFSET + 3 * BLOCK)
    ran = run("salvage", recorded, "--to", tmp_path / "b", "--json")
    (saved,) = held(ran, "salvage-report")["salvaged"]
    (beside,) = (json.loads(p.read_text("utf-8")) for p in (tmp_path / "b").glob("*.json"))
    Draft202012Validator(schema("salvage")).validate(beside)
    assert beside == saved
    (recorded / "metadata" / "sound" / "t01.json").unlink()
    ran = run("salvage", recorded, "--to", tmp_path / "c", "--json")
    assert ran.status != 0
    held(ran, "salvage-report")


def test_healing_with_and_without_a_ledger(run: Runner, store: Path, tmp_path: Path) -> None:
    ledger = tmp_path / "ledger.sqlite3"
    bag = store / "bag-0"
    run("protect", bag, "--redundancy", "60")
    (bag / "data" / "documents" / "notes.txt").write_bytes(b"bad")
    (bag / "data" / "stray.txt").write_bytes(b"whose?")
    report = held(run("heal", bag, "--json"), "heal-report")
    assert report["restored"] == ["data/documents/notes.txt"]
    assert report["set_aside"] == ["data/stray.txt"]
    assert (report["verdict"], report["ledger_entry"]) == ("intact", None)
    (bag / "data" / "documents" / "notes.txt").write_bytes(b"bad")
    report = held(run("heal", bag, "--ledger", ledger, "--json"), "heal-report")
    assert report["ledger_entry"] == 3


def test_ledger_as_written_and_altered(run: Runner, store: Path, tmp_path: Path) -> None:
    ledger = tmp_path / "ledger.sqlite3"
    run("audit", store, "--ledger", ledger)
    assert held(run("ledger", "verify", ledger, "--json"), "ledger-report")["intact"]
    tamper(ledger, "DELETE FROM entries WHERE number = 2")
    assert not held(run("ledger", "verify", ledger, "--json"), "ledger-report")["intact"]
