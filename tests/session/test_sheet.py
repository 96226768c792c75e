"""Reading a sheet: the person's text survives, and nothing that can stand in a file fails.

YAML terms and escapes are those of YAML 1.2.2.
"""

from __future__ import annotations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from archiver.findings import Finding
from archiver.session import template_files
from archiver.session.sheet import MAX_SHEET_BYTES, Sheet, read_sheet
from archiver.session.tree import MAX_DEPTH, Group, Listing, Node, Scalar


def plain(node: Node) -> object:
    """Return a tree as texts, lists and dicts."""
    if isinstance(node, Scalar):
        return node.text
    if isinstance(node, Listing):
        return [plain(item) for item in node.items]
    if isinstance(node, Group):
        return {name: plain(entry.value) for name, entry in node.entries.items()}
    return None


def read(text: str | bytes) -> Sheet:
    return read_sheet(text.encode("utf-8") if isinstance(text, str) else text, "session.yaml")


def content(text: str | bytes) -> object:
    sheet = read(text)
    assert sheet.findings == ()
    assert sheet.root is not None
    return plain(sheet.root)


def only(text: str | bytes) -> Finding:
    findings = read(text).findings
    assert len(findings) == 1, findings
    return findings[0]


@pytest.mark.parametrize(
    "text",
    ["no", "yes", "on", "off", "true", "null", "~", "1.10", "2.0", "0012", "1e3", "0x1F", "0o17",
     "2026-04-18", "2026-04-18T14:12:05+02:00", "12:30:45", "1_000", ".inf", ".nan", "-", "=", "<<",
     "190 60", "K 12", "3 1/2 in", "60%", "a'b", 'a"b', "a#b", "a:b", "Ærøskøbing", "名前", "🎺"],
)  # fmt: skip
def test_an_unquoted_value_keeps_the_persons_text(text: str) -> None:
    if text == "-":  # alone it is an empty list item
        text = "-x"
    assert content(f"a: {text}\n") == {"a": text}


@pytest.mark.parametrize("key", ["no", "yes", "1.10", "2026-04-18", "~"])
def test_a_name_keeps_its_text_too(key: str) -> None:
    assert content(f"{key}: x\n") == {key: "x"}


def test_a_block_text_keeps_its_lines() -> None:
    assert content("a: |\n  first\n\n    second\n  third\n") == {"a": "first\n\n  second\nthird\n"}


def test_a_folded_text_joins_its_lines() -> None:
    assert content("a: >-\n  first\n  second\n\n  third\n") == {"a": "first second\nthird"}


def test_a_tab_within_a_block_text_is_kept() -> None:
    assert content("a: |\n  x\ty\n  \tz\n") == {"a": "x\ty\n\tz\n"}


def test_lists_and_groups_in_both_styles() -> None:
    assert content("a: [x, {b: y}]\nc:\n  - z\n  - d: 1\n") == {
        "a": ["x", {"b": "y"}],
        "c": ["z", {"d": "1"}],
    }


def test_line_and_column_of_every_value() -> None:
    root = read("a: x\nb:\n  - c: y\n").root
    assert root is not None
    listing = root.entries["b"].value
    assert isinstance(listing, Listing)
    item = listing.items[0]
    assert isinstance(item, Group)
    value = item.entries["c"].value
    assert (root.entries["b"].line, root.entries["b"].column) == (2, 1)
    assert (item.line, item.column) == (3, 5)
    assert (value.line, value.column) == (3, 8)


def test_windows_line_ends_count_once() -> None:
    root = read("a: x\r\nb: y\r\n").root
    assert root is not None
    assert plain(root) == {"a": "x", "b": "y"}
    assert root.entries["b"].line == 2


# --- encodings ----------------------------------------------------------------------


def test_a_utf_8_byte_order_mark_is_noted_and_the_sheet_is_read() -> None:
    sheet = read(b"\xef\xbb\xbfa: x\n")
    assert [finding.code for finding in sheet.findings] == ["sheet-byte-order-mark"]
    assert sheet.root is not None
    assert plain(sheet.root) == {"a": "x"}


@pytest.mark.parametrize("codec", ["utf-16", "utf-16-le", "utf-16-be", "utf-32"])
def test_utf_16_and_utf_32_are_named_and_the_sheet_is_read(codec: str) -> None:
    sheet = read("aaaa: xxxx\nb: ø\n".encode(codec))
    assert [finding.code for finding in sheet.findings] == ["sheet-encoding"]
    assert codec[:6].upper() in sheet.findings[0].message
    assert sheet.root is not None
    assert plain(sheet.root) == {"aaaa": "xxxx", "b": "ø"}


def test_a_byte_that_is_not_utf_8_is_found_with_line_column_and_offset() -> None:
    finding = only("a: x\nb: ø\nc: é".encode() + b"\xe9\n")
    assert finding.code == "sheet-encoding"
    assert (finding.where.line, finding.where.column, finding.where.offset_bytes) == (3, 5, 16)
    assert "0xE9" in finding.message
    assert "'é' in Windows-1252" in finding.message


def test_bytes_that_are_not_utf_8_are_told_line_by_line() -> None:
    findings = read(b"a: \xe9\xe8\nb: x\nc: \xe5\n").findings
    assert [finding.where.line for finding in findings] == [1, 3]


@pytest.mark.parametrize("character", ["\0", "\x07", "\x1b", "\x7f", "\x85", "\u2028", "\ufeff"])
def test_an_invisible_character_is_found_with_its_place(character: str) -> None:
    findings = read(f"a: x\nb: y{character}z\n").findings
    assert [finding.code for finding in findings] == ["sheet-control-character"]
    assert (findings[0].where.line, findings[0].where.column) == (2, 5)
    assert f"U+{ord(character):04X}" in findings[0].message


def test_no_more_than_twenty_invisible_characters_are_told() -> None:
    assert len(read("a: " + "\x07" * 100 + "\n").findings) == 20


def test_no_more_than_twenty_broken_sections_are_told() -> None:
    text = "".join(f"k{number}: a: b\n" for number in range(100))
    assert len(read(text).findings) == 21


def test_a_sheet_over_16_mib_is_refused_by_its_size() -> None:
    finding = only(b"#" * (MAX_SHEET_BYTES + 1))
    assert finding.code == "sheet-too-large"
    assert str(MAX_SHEET_BYTES) in finding.accepted


@pytest.mark.parametrize(
    "text", ["", "\n\n", "# only a comment\n", "---\n", "- a\n- b\n", "a\n", "''"]
)
def test_a_sheet_without_fields_is_empty(text: str) -> None:
    assert [finding.code for finding in read(text).findings] == ["sheet-empty"]


# --- YAML that a sheet has no use for -----------------------------------------------


def test_a_duplicate_field_is_found_and_the_first_is_used() -> None:
    sheet = read("a: x\nb: y\na: z\na: w\n")
    assert [(f.code, f.where.line) for f in sheet.findings] == [
        ("sheet-duplicate-field", 3),
        ("sheet-duplicate-field", 4),
    ]
    assert "line 1" in sheet.findings[0].message
    assert sheet.root is not None
    assert plain(sheet.root) == {"a": "x", "b": "y"}


def test_a_duplicate_group_is_passed_over_whole() -> None:
    sheet = read("a: {b: x}\na: {b: y, c: [1, {d: e}]}\nf: z\n")
    assert [f.code for f in sheet.findings] == ["sheet-duplicate-field"]
    assert sheet.root is not None
    assert plain(sheet.root) == {"a": {"b": "x"}, "f": "z"}


def test_tabs_for_indentation_are_told_once_and_the_rest_is_read() -> None:
    sheet = read("a:\n\tb: x\n\tc: y\nd: z\nd: w\n")
    assert [(f.code, f.where.line) for f in sheet.findings] == [
        ("sheet-tab", 2),
        ("sheet-duplicate-field", 5),
    ]
    assert "1 more line" in sheet.findings[0].message
    assert sheet.root is not None
    assert plain(sheet.root) == {"a": {"b": "x", "c": "y"}, "d": "z"}


def test_a_reference_is_refused_where_it_is_made_and_where_it_is_used() -> None:
    sheet = read("a: &x text\nb: *x\n")
    assert [(f.code, f.where.line, f.where.field) for f in sheet.findings] == [
        ("sheet-reference-mark", 1, "a"),
        ("sheet-reference-mark", 2, "b"),
    ]


def test_a_reference_in_place_of_a_name_is_passed_over_with_its_value() -> None:
    sheet = read("a: x\n*a : y\nb: z\n")
    assert [f.code for f in sheet.findings] == ["sheet-reference-mark"]
    assert sheet.root is not None
    assert plain(sheet.root) == {"a": "x", "b": "z"}


def test_references_are_never_expanded() -> None:
    """Ten levels of ten references each would be ten thousand million texts."""
    bomb = "a0: &a0 x\n" + "".join(
        f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 10)}]\n" for n in range(1, 11)
    )
    findings = read(bomb).findings
    assert {finding.code for finding in findings} == {"sheet-reference-mark"}
    assert len(findings) == 11 + 100


@pytest.mark.parametrize("text", ["a: !important text\n", "a: !!int 3\n", "a: !<x> y\n"])
def test_a_tag_is_refused(text: str) -> None:
    assert only(text).code == "sheet-tag"


def test_a_second_document_is_found_and_the_first_is_read() -> None:
    sheet = read("a: x\n---\nb: y\n")
    assert [(f.code, f.where.line) for f in sheet.findings] == [("sheet-second-document", 2)]
    assert sheet.root is not None
    assert plain(sheet.root) == {"a": "x"}


@pytest.mark.parametrize("nested", ["[" * 100_000, "- " * 100_000, "{a: " * 50_000])
def test_deep_nesting_is_refused_at_once(nested: str) -> None:
    finding = only(f"a:\n  {nested}")
    assert finding.code == "sheet-too-deep"
    assert str(MAX_DEPTH) in finding.message


@pytest.mark.parametrize(
    "text", ["? [a, b]\n: x\nc: y\n", "? {a: b}\n: x\nc: y\n", "[a]: x\nc: y\n"]
)
def test_a_name_that_is_no_text_is_found_and_its_value_is_passed_over(text: str) -> None:
    sheet = read(text)
    assert [f.code for f in sheet.findings] == ["sheet-syntax"]
    assert sheet.root is not None
    assert plain(sheet.root) == {"c": "y"}


# --- broken YAML --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("a: x\nb: Letter: to the harbour\n", 2, "a colon and a blank stand inside a text"),
        ("a: x\nb: 'never closed\nc: y\n", 2, "quotation mark opened in line 2"),
        ("a: x\nb: [1, 2\nc: y\n", 2, "bracket opened in line 2"),
        ('a: x\nb: "C:\\takes\\quiet"\n', 2, "backslash"),
        ('a: x\nb: "\\U99999999"\n', 2, "backslash"),
        ("a: x\nb: @home\n", 2, "cannot begin with this character"),
        ("a: x\nb: `text`\n", 2, "cannot begin with this character"),
        ("a: x\nnonsense\nb: y\n", 2, "without a colon"),
        ("a:\n    b: x\n  c: y\n", 3, "indentation"),
        ("a: 'x' y\n", 1, "a closed quotation is followed by more text"),
        ("%YAML x\n---\na: x\n", 1, "not YAML"),
    ],
)
def test_broken_yaml_is_explained_with_its_line(text: str, line: int, words: str) -> None:
    findings = read(text).findings
    assert [finding.code for finding in findings] == ["sheet-syntax"]
    assert findings[0].where.line == line
    assert words in findings[0].message
    assert findings[0].accepted
    assert findings[0].remedy


def test_every_broken_section_is_told_and_the_whole_ones_are_read() -> None:
    sheet = read("a: x\nb:\n  c: d: e\nf: y\ng: [1, 2\nh: z\nh: w\n")
    assert [(f.code, f.where.line) for f in sheet.findings] == [
        ("sheet-syntax", 3),
        ("sheet-syntax", 5),
        ("sheet-duplicate-field", 7),
    ]
    assert sheet.damaged == {"b", "g"}
    assert sheet.root is not None
    assert plain(sheet.root) == {"a": "x", "f": "y", "h": "z"}


# --- texts that a comment cuts ------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "field"),
    [
        ("label: No #7\n", "label"),
        ("label: #7\nb: x\n", "label"),
        ("a:\n  - b: Waltz #3 in A\n", "a[0].b"),
        ("a: [x, y] \nb: one\n  two #2\n", "b"),
    ],
)
def test_a_text_that_goes_on_after_a_hash_is_warned_of(text: str, field: str) -> None:
    finding = only(text)
    assert (finding.code, finding.where.field) == ("sheet-comment-cuts-text", field)


def test_what_a_comment_cuts_ends_where_an_ordinary_comment_begins() -> None:
    finding = only("label: No #7 of two  # the last one\n")
    assert finding.message.startswith("`#7 of two` is read as a comment")
    assert finding.accepted == "'No #7 of two' in quotes"


@pytest.mark.parametrize(
    "text",
    [
        "label: x # comment\n",
        "label: 'No #7'\n",
        "label: a#b\n",
        "#x\nlabel: y\n",
        "a: | #x\n  b\n",
    ],
)
def test_an_ordinary_comment_is_left_alone(text: str) -> None:
    assert read(text).findings == ()


# --- anything -----------------------------------------------------------------------

PIECES = [
    b"\t", b":", b": ", b"- ", b"? ", b"[", b"]", b"{", b"}", b",", b"'", b'"', b"#", b" #", b"&a ",
    b"*a", b"!t ", b"!!int ", b"|", b">", b"%YAML 1.1\n", b"%TAG ! x\n", b"---\n", b"...\n", b"\n",
    b"\r", b"\r\n", b"\0", b"\xff", b"\xc3\xa9", b"\xef\xbb\xbf", b"\xe2\x80\xa8", b"\xc2\x85",
    b"\\", b"\\U99999999", b"\\ud800", b"\\x0", b"@", b"`", b"<<: ", b"~", b"     ", b"|2-\n",
    b">+9\n", b"\xf0\x9f\x98\x80", b"a: x\n", b"  b: y\n", b"- c\n",
]  # fmt: skip


def _well_formed(sheet: Sheet, lines: int) -> None:
    assert sheet.root is not None or sheet.findings
    for finding in sheet.findings:
        assert finding.message
        assert finding.where.file == "session.yaml"
        assert finding.where.line is None or 1 <= finding.where.line <= lines + 1


@given(st.lists(st.sampled_from(PIECES), max_size=14).map(b"".join))
@example(b'k: "\\U99999999"')
@example(b"\xff\xfea\0")
def test_any_bytes_make_a_sheet_with_findings_or_a_tree(data: bytes) -> None:
    _well_formed(read(data), len(data.decode("utf-8", "replace").splitlines()))


@given(st.binary(max_size=60))
def test_random_bytes_make_a_sheet_with_findings_or_a_tree(data: bytes) -> None:
    _well_formed(read(data), len(data) + 1)


SMALL = b"session:\n  title: 'x'\n  subjects: [a, {b: c}]\ntakes:\n  - id: t01\n    remarks: |\n      one\n"


@given(
    st.integers(0, len(SMALL)),
    st.sampled_from(PIECES),
    st.integers(0, len(SMALL)),
    st.integers(0, 9),
)
def test_a_sheet_with_pieces_put_in_and_cut_out_is_read_or_explained(
    at: int, piece: bytes, cut: int, length: int
) -> None:
    data = SMALL[:at] + piece + SMALL[at:]
    _well_formed(read(data[:cut] + data[cut + length :]), data.count(b"\n") + data.count(b"\r") + 2)


@given(
    st.text(
        st.characters(
            codec="utf-8", exclude_categories=["Cc", "Cs"], exclude_characters="\u2028\u2029\ufeff"
        )
    )
)
def test_any_text_in_single_quotes_is_kept(text: str) -> None:
    if any(0xFFFE <= ord(c) & 0xFFFF <= 0xFFFF for c in text):
        text = ""
    quoted = text.replace("'", "''")
    assert content(f"a: '{quoted}'\n") == {"a": text}


def test_the_template_is_clean_yaml() -> None:
    for path, text in template_files().items():
        if path.endswith(".yaml"):
            assert read(text).findings == ()
