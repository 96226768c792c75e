"""Slips of people who write a sheet: what is advised, followed to the letter, helps.

Each slip is made in the template, which reads cleanly. What is a slip is said by YAML 1.2.2.
"""

from __future__ import annotations

import re

import pytest

from archiver.findings import Finding
from archiver.session import template_files
from archiver.session.sheet import read_sheet

TEMPLATE = template_files()["session.yaml"]

SLIPS = {
    "a tab after the colon": ("  place: Lindeby", "  place:\tLindeby"),
    "a blank and a tab after the colon": ("  place: Lindeby", "  place: \tLindeby"),
    "a no-break space after the colon": ("  place: Lindeby", "  place:\u00a0Lindeby"),
    "a tab after the hyphen": ("  - id: ansa", "  -\tid: ansa"),
    "one blank too many": ("  place: Lindeby", "   place: Lindeby"),
    "one blank too few": ("  place: Lindeby", " place: Lindeby"),
    "a field of a take one blank too far": ("    kind: reproduction", "     kind: reproduction"),
    "a field of a take one blank too few": ("    kind: reproduction", "   kind: reproduction"),
    "a hyphen one blank too far": ("  - id: t02", "   - id: t02"),
    "a hyphen one blank too few": ("  - id: joho", " - id: joho"),
    "no blank after a colon": ("  place: Lindeby", "  place:Lindeby"),
    "no blank after the colon of the first field": ("  - id: t02", "  - id:t02"),
    "no blank after the colon of the last field": ("    remarks: belt", "    remarks:belt"),
    "no blank after a hyphen": ("  - id: ansa", "  -id: ansa"),
    "no blank after hyphen and colon": ("  - id: joho", "  -id:joho"),
    "a dash for a hyphen": ("  - id: joho", "  – id: joho"),
    "an apostrophe in single quotes": ("material: brown wax ", "material: 'Foil's wax' "),
    "a genitive in single quotes": ("title: A letter to", "title: 'The boys' letter' #"),
    "an apostrophe in quotes in braces": ("kind: 'sapphire, ball'", "kind: 'foil's, ball'"),
    "quotation marks in double quotes": (
        "title: The office dictating machine demonstrated",
        'title: "The "office" machine"',
    ),
    "text after a quotation": (
        "title: The office dictating machine demonstrated",
        'title: "Office" machine demonstrated',
    ),
    "text after single quotes": (
        "title: The office dictating machine demonstrated",
        "title: 'Office' machine demonstrated",
    ),
    "single quotes not closed": ("  place: Lindeby House", "  place: 'Lindeby House"),
    "double quotes not closed": ("  place: Lindeby House", '  place: "Lindeby House'),
    "quotes not closed in braces": ("kind: 'sapphire, ball'", "kind: 'sapphire, ball"),
    "a colon in a text": ("  title: The office", "  title: Demonstration: the office"),
    "a colon at the end of a text": ("reading room\n", "reading room:\n"),
    "a colon in a text in braces": ("clock: internal", "clock: word: internal"),
    "a text that begins with @": ("  place: Lindeby", "  place: @Lindeby"),
    "a text that begins with %": ("material: brown wax", "material: %5 wax"),
    "a text that begins with a grave accent": ("material: brown wax", "material: `brown wax"),
    "a text that begins with a comma": ("material: brown wax", "material: , brown wax"),
    "a text that begins with a bracket": ("material: brown wax", "material: [brown] wax"),
    "a text that begins with a brace": ("material: brown wax", "material: {brown} wax"),
    "a text that begins with a hyphen and a blank": ("label: No. 7", "label: - No. 7"),
    "the entry of a list beside its name": ("subjects: [dictating machines, wax cylinders]", "subjects: - dictating machines"),
    "a bracket not closed": ("operators: [ansa, joho]", "operators: [ansa, joho"),
    "a bracket closed by a brace": ("operators: [ansa, joho]", "operators: [ansa, joho}"),
    "a bracket closed twice": ("operators: [ansa]", "operators: [ansa]]"),
    "a brace not closed": ("clock: internal}", "clock: internal"),
    "a comma missing in braces": ("serial: 1207, clock:", "serial: 1207 clock:"),
    "semicolons in braces": ("serial: 1207, clock:", "serial: 1207; clock:"),
    "no colon": ("  place: Lindeby", "  place Lindeby"),
    "no colon before a group": ("  rights:\n", "  rights\n"),
    "an equals sign for a colon": ("  place: Lindeby", "  place = Lindeby"),
    "a semicolon for a colon": ("  place: Lindeby", "  place; Lindeby"),
    "a long text not indented": ("    first with the listening", "  first with the listening"),
    "a backslash in double quotes": ("material: brown wax", 'material: "brown\\wax"'),
}  # fmt: skip


def applied(text: str, finding: Finding) -> str:
    """Do what a finding says: write the accepted line, or indent as the remedy says."""
    lines = text.split("\n")
    assert finding.where.line is not None
    line = lines[finding.where.line - 1]
    indented = len(line) - len(line.lstrip(" "))
    more = re.match(r"(Take|Put) (\d+) blanks? (?:away|more) before it", finding.remedy)
    if more:
        indented += int(more[2]) * (1 if more[1] == "Put" else -1)
        content = line.lstrip(" ")
    else:
        content = finding.accepted
        assert content.startswith("`"), finding
        assert content.endswith("`"), finding
        content = content[1:-1]
    lines[finding.where.line - 1] = " " * indented + content
    return "\n".join(lines)


@pytest.mark.parametrize("slip", SLIPS)
def test_what_is_advised_helps_when_it_is_followed_to_the_letter(slip: str) -> None:
    good, bad = SLIPS[slip]
    assert good in TEMPLATE
    text = TEMPLATE.replace(good, bad, 1)
    findings = read_sheet(text.encode(), "session.yaml").findings
    assert [each.code for each in findings] == ["sheet-syntax"]
    (finding,) = findings
    assert finding.where.line == TEMPLATE[: TEMPLATE.index(good)].count("\n") + 1
    mended = read_sheet(applied(text, finding).encode(), "session.yaml")
    assert mended.findings == ()
    assert not mended.damaged


@pytest.mark.parametrize(
    ("slip", "words"),
    [
        ("a tab after the colon", "a tab stands after `:`"),
        ("one blank too many", "the indentation does not fit"),
        ("no blank after a colon", "the blank after `place:` is missing"),
        ("no blank after a hyphen", "the blank after the hyphen is missing"),
        ("an apostrophe in single quotes", "an apostrophe within single quotes"),
        ("a colon in a text", "a colon and a blank stand inside a text"),
        ("no colon", "the colon after `place` is missing"),
        ("a bracket not closed", "is not closed"),
    ],
)
def test_the_cause_is_named(slip: str, words: str) -> None:
    good, bad = SLIPS[slip]
    text = TEMPLATE.replace(good, bad, 1)
    (finding,) = read_sheet(text.encode(), "session.yaml").findings
    assert words in finding.message
    assert "\\t" not in finding.message
    assert "\t" not in finding.message


def test_a_slip_in_a_sheet_of_very_many_takes_is_found_without_reading_all_of_them_again() -> None:
    takes = "".join(
        f"  - id: t{n}\n    file: takes/{n}.wav\n    kind: performance\n" for n in range(900)
    )
    slipped = takes.replace("    file: takes/700.wav", "    file:takes/700.wav")
    (finding,) = read_sheet(f"schema: session 1\ntakes:\n{slipped}".encode(), "s").findings
    assert finding.where.line == 2 + 700 * 3 + 2
    assert finding.accepted == "`file: takes/700.wav`"
