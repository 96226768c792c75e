from __future__ import annotations

import dataclasses
from pathlib import Path

from archiver.describe.statements import check_statements
from archiver.findings import Severity, in_order
from archiver.session.load import load_session
from archiver.session.records import Rights
from tests.describe.archives import a_session


def test_names_characters_rights_and_terms_are_checked_in_one_run() -> None:
    session = dataclasses.replace(
        a_session(),
        title="Villads Skjultgaard sings \x07",
        rights=Rights(statement="s", uri="https://example.org/x", holder="h"),
    )
    assert [one.code for one in in_order(check_statements(session))] == [
        "describe-withheld-name",
        "describe-character-replaced",
        "describe-rights-uri-unknown",
        "describe-term-unmapped",
    ]


def test_the_sample_session_has_notes_only_and_each_has_its_line(sample_session: Path) -> None:
    session = load_session(sample_session).session
    assert session is not None
    findings = check_statements(session)
    assert {one.severity for one in findings} == {Severity.NOTE}
    assert all(one.where.line for one in findings)
    assert all(one.where.file.startswith("machines/") for one in findings)
