"""Manifests: bytes to records and back. Source: RFC 8493 sections 2.1.3, 2.2.1, 2.4, 6.2."""

from __future__ import annotations

import hashlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver.package.manifest import (
    decode_manifest,
    encode_manifest,
    hashlib_name,
    manifest_kind,
)
from archiver.package.text import Declaration
from tests.package.strategies import hostile_bytes, manifest_lines

RFC = Declaration(version=(1, 0), encoding="UTF-8")
OLD = Declaration(version=(0, 97), encoding="UTF-8")
SUM = hashlib.sha256(b"x").hexdigest()
OTHER = hashlib.sha256(b"y").hexdigest()


def codes(
    content: bytes, declaration: Declaration = RFC, name: str = "manifest-sha256.txt"
) -> list[str]:
    return [finding.code for finding in decode_manifest(name, content, declaration)[1]]


def read(content: bytes, declaration: Declaration = RFC) -> dict[str, str]:
    manifest, _ = decode_manifest("manifest-sha256.txt", content, declaration)
    return {line.path: line.checksum for line in manifest.lines}


@given(manifest_lines)
def test_any_manifest_survives(lines: dict[str, str]) -> None:
    content = encode_manifest(lines.items())
    canonical = {
        "/".join(part for part in path.split("/") if part != "."): checksum
        for path, checksum in lines.items()
    }
    assert read(content) == canonical


@given(manifest_lines)
def test_writing_what_was_read_gives_the_same_bytes(lines: dict[str, str]) -> None:
    content = encode_manifest(lines.items())
    assert encode_manifest(read(content).items()) == content


@given(hostile_bytes, st.sampled_from([RFC, OLD, Declaration(version=(1, 0), encoding="UTF-16")]))
def test_hostile_bytes_give_a_manifest_and_findings(
    content: bytes, declaration: Declaration
) -> None:
    manifest, findings = decode_manifest("manifest-md5.txt", content, declaration)
    assert manifest.algorithm == "md5"
    assert all(line.path.startswith("data/") for line in manifest.lines)
    assert all(str(finding.where) and finding.message for finding in findings)


def test_example_of_the_rfc_is_read() -> None:
    # RFC 8493 section 4.1, the payload manifest of the first example (from memory).
    content = (
        b"49afbd86a1ca9f34b677a3f09655eae9 data/27613-h/images/q172.png\n"
        b"408ad21d50cef31da4df6d9ed81b01a7 data/27613-h/images/q172.txt\n"
    )
    manifest, findings = decode_manifest("manifest-md5.txt", content, RFC)
    assert findings == ()
    assert [(line.path, line.checksum, line.line) for line in manifest.lines] == [
        ("data/27613-h/images/q172.png", "49afbd86a1ca9f34b677a3f09655eae9", 1),
        ("data/27613-h/images/q172.txt", "408ad21d50cef31da4df6d9ed81b01a7", 2),
    ]


@pytest.mark.parametrize(
    "line", [f"{SUM}  data/x", f"{SUM} data/x", f"{SUM}\tdata/x", f"{SUM} \t  data/x"]
)
@pytest.mark.parametrize("end", ["", "\n", "\r", "\r\n"])
def test_any_blanks_and_any_line_end_are_read(line: str, end: str) -> None:
    assert read((line + end).encode()) == {"data/x": SUM}
    assert codes((line + end).encode()) == []


def test_mixed_line_ends_are_read() -> None:
    content = f"{SUM}  data/a\r{SUM}  data/b\r\n{SUM}  data/c\n".encode()
    assert list(read(content)) == ["data/a", "data/b", "data/c"]


@pytest.mark.parametrize("letter", ["\x0b", "\x0c", "\x1c", "\x85", "\u2028", "\u2029"])
def test_other_separators_of_unicode_belong_to_the_name(letter: str) -> None:
    assert read(f"{SUM}  data/a{letter}b\n".encode()) == {f"data/a{letter}b": SUM}


def test_blanks_within_and_at_the_end_belong_to_the_name() -> None:
    assert list(read(f"{SUM}  data/a b \n".encode())) == ["data/a b "]


def test_checksum_in_capitals_is_the_same_checksum() -> None:
    assert read(f"{SUM.upper()}  data/x\n".encode()) == {"data/x": SUM}


@pytest.mark.parametrize(
    ("line", "code"),
    [
        ("", "bag-line-malformed"),
        ("data/x", "bag-line-malformed"),
        (SUM, "bag-line-malformed"),
        (f"{SUM}  ", "bag-line-malformed"),
        (f" {SUM} data/x", "bag-line-malformed"),
        (f"{SUM[:-1]}  data/x", "bag-checksum-malformed"),
        (f"{SUM}0  data/x", "bag-checksum-malformed"),
        (f"{SUM[:-1]}g  data/x", "bag-checksum-malformed"),
        (f"{SUM}  /etc/passwd", "bag-path-dangerous"),
        (f"{SUM}  data/../../x", "bag-path-dangerous"),
        (f"{SUM}  ~/x", "bag-path-dangerous"),
        (f"{SUM}  C:\\x", "bag-path-dangerous"),
        (f"{SUM}  \\\\host\\x", "bag-path-dangerous"),
        (f"{SUM}  %25USER%25/x", "bag-path-dangerous"),
        (f"{SUM}  metadata/x", "bag-path-misplaced"),
        (f"{SUM}  data", "bag-path-misplaced"),
        (f"{SUM}  datax/y", "bag-path-misplaced"),
    ],
)
def test_unusable_line_is_told_and_left_out(line: str, code: str) -> None:
    content = f"{SUM}  data/a\n{line}\n{SUM}  data/b\n".encode()
    manifest, findings = decode_manifest("manifest-sha256.txt", content, RFC)
    assert [finding.code for finding in findings] == [code]
    assert findings[0].where.line == 2
    assert [line.path for line in manifest.lines] == ["data/a", "data/b"]


@pytest.mark.parametrize("literal", ["./data/x", "data//x", "data/./x", ".//data/x"])
def test_path_that_is_not_canonical_is_read_with_a_warning(literal: str) -> None:
    content = f"{SUM}  {literal}\n".encode()
    assert read(content) == {"data/x": SUM}
    assert codes(content) == ["bag-path-not-canonical"]


@pytest.mark.parametrize("literal", ["data/%7Ea", "data/5%", "data/%2e%2e"])
def test_other_percent_signs_are_a_fault_since_1_0_only(literal: str) -> None:
    content = f"{SUM}  {literal}\n".encode()
    assert codes(content, RFC) == ["bag-percent-stray"]
    assert codes(content, OLD) == []
    assert read(content, OLD) == {literal: SUM}


def test_names_are_not_decoded_before_1_0() -> None:
    content = f"{SUM}  data/%0A%25\n".encode()
    assert read(content, OLD) == {"data/%0A%25": SUM}
    assert read(content, RFC) == {"data/\n%": SUM}


@pytest.mark.parametrize(
    ("second", "declaration", "code"),
    [
        (SUM, RFC, "bag-line-duplicate"),
        (OTHER, RFC, "bag-line-duplicate"),
        (SUM, OLD, "bag-line-repeated"),
        (OTHER, OLD, "bag-line-duplicate"),
    ],
)
def test_second_line_of_a_file_is_told(second: str, declaration: Declaration, code: str) -> None:
    content = f"{SUM}  data/x\n{second}  data/x\n".encode()
    assert codes(content, declaration) == [code]
    assert read(content, declaration) == {"data/x": SUM}


def test_marks_of_checksum_programs_are_read_with_one_warning() -> None:
    # RFC 8493 section 6.2.
    content = f"{SUM} *data/x\n{SUM} *data/y\n\\{SUM}  data/a\\\\b\n".encode()
    assert list(read(content)) == ["data/x", "data/y", "data/a\\b"]
    assert codes(content) == ["bag-line-marked"]


@pytest.mark.parametrize("path", ["data/x", "tagmanifest-sha256.txt", "tagmanifest-md5.txt"])
def test_tag_manifest_lists_no_payload_and_no_tag_manifest(path: str) -> None:
    content = f"{SUM}  {path}\n{SUM}  manifest-sha256.txt\n".encode()
    assert codes(content, name="tagmanifest-sha256.txt") == ["bag-path-misplaced"]


def test_byte_order_mark_in_utf_8_is_told_and_the_manifest_still_read() -> None:
    content = b"\xef\xbb\xbf" + f"{SUM}  data/x\n".encode()
    assert codes(content) == ["bag-text-encoding"]
    assert read(content) == {"data/x": SUM}


@pytest.mark.parametrize("encoding", ["UTF-16", "UTF-16LE", "ISO-8859-1", "UTF-32"])
def test_declared_encoding_is_used(encoding: str) -> None:
    declaration = Declaration(version=(0, 97), encoding=encoding)
    content = f"{SUM}  data/caf\u00e9\n".encode(encoding)
    assert read(content, declaration) == {"data/caf\u00e9": SUM}


def test_text_of_another_encoding_is_told_with_the_byte() -> None:
    _, findings = decode_manifest("manifest-sha256.txt", f"{SUM}  data/\xe9".encode("latin-1"), RFC)
    assert [finding.code for finding in findings] == ["bag-text-encoding"]
    assert findings[0].where.offset_bytes == 71


def test_line_of_a_hundred_thousand_characters_is_refused() -> None:
    content = f"{SUM}  data/{'x' * 100_000}\n{SUM}  data/y\n".encode()
    assert list(read(content)) == ["data/y"]


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("manifest-sha256.txt", ("payload", "sha256")),
        ("tagmanifest-sha3256.txt", ("tag", "sha3256")),
        ("manifest-.txt", None),
        ("manifest-sha256.txt.bak", None),
        ("xmanifest-sha256.txt", None),
        ("bag-info.txt", None),
    ],
)
def test_manifest_is_known_by_its_name(name: str, kind: tuple[str, str] | None) -> None:
    assert manifest_kind(name) == kind


def test_name_that_is_none_of_a_manifest_is_an_error() -> None:
    with pytest.raises(ValueError, match=r"bag-info\.txt"):
        decode_manifest("bag-info.txt", b"", RFC)


@pytest.mark.parametrize(
    ("algorithm", "name"),
    [
        ("sha256", "sha256"),
        ("SHA512", "sha512"),
        ("sha3256", "sha3_256"),
        ("md5", "md5"),
        ("blake2b", "blake2b"),
        ("shake128", None),
        ("whirlpoolplus", None),
    ],
)
def test_algorithm_is_known_under_the_name_of_the_standard(
    algorithm: str, name: str | None
) -> None:
    # RFC 8493 section 2.4.
    assert hashlib_name(algorithm) == name
