"""Values taken out of a sheet; the judge of the result is ruamel.yaml's own safe loader."""

from __future__ import annotations

import io
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from ruamel.yaml import YAML

from archiver.errors import DefectError
from archiver.session.redaction import redacted, scalars
from archiver.session.sheet import read_sheet

SHEET = """\
# The sheet of the day.
schema: session 1
session: {title: a, address: 'Gade 1, 2', place: "x"}  # in braces
operators:
  - id: v
    name: Villads
      Skjult
    phone: |
      one
      two
    # between
    email: >-
      folded
      text

    address: plain # behind
    note: "multi
      line"
  - {id: w, phone: 12, name: é🎙️ x}
last: end"""
FIELDS = [field for field, _ in scalars(read_sheet(SHEET.encode(), "s").root)]  # type: ignore[arg-type]
texts = st.text(
    st.characters(codec="utf-8", exclude_categories=("Cc", "Cs", "Zl", "Zp")), max_size=9
)


def loaded(content: bytes) -> Any:
    return YAML(typ="base").load(io.BytesIO(content))


def flat(node: Any, field: str = "") -> dict[str, str]:
    if isinstance(node, dict):
        pairs = ((f"{field}.{name}" if field else name, one) for name, one in node.items())
    elif isinstance(node, list):
        pairs = ((f"{field}[{number}]", one) for number, one in enumerate(node))
    else:
        return {field: node}
    return {key: value for name, one in pairs for key, value in flat(one, name).items()}


@given(
    st.dictionaries(st.sampled_from(FIELDS), texts.filter(str.isprintable), max_size=6),
    st.sampled_from(["\n", "\r\n"]),
    st.booleans(),
)
def test_the_named_values_change_and_nothing_else(
    replacements: dict[str, str], ending: str, mark: bool
) -> None:
    before = SHEET.replace("\n", ending).encode()
    content = (b"\xef\xbb\xbf" if mark else b"") + before
    after = redacted(content, "s", replacements)
    assert after.startswith(b"\xef\xbb\xbf") is mark
    assert after.count(b"\n") == content.count(b"\n")
    assert flat(loaded(after)) == flat(loaded(content)) | replacements
    for comment in (b"# The sheet of the day.", b"# in braces", b"# between", b"# behind"):
        assert comment in after


def test_without_replacements_the_bytes_are_the_same() -> None:
    assert redacted(SHEET.encode(), "s", {}) == SHEET.encode()


def test_a_field_that_is_not_there_is_passed_over() -> None:
    assert redacted(SHEET.encode(), "s", {"operators[7].name": "x"}) == SHEET.encode()


def test_what_cannot_be_put_into_a_sheet_is_a_defect_and_not_a_leak() -> None:
    with pytest.raises(DefectError, match=r"operators\[0\]\.name"):
        redacted(SHEET.encode(), "s", {"operators[0].name": "a\u2028b"})
