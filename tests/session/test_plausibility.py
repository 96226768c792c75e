"""Plausibility: each rule by one change in a whole session, and the figures it stands on.

Capacities: 4 in at 100 threads an inch and 160 rpm give 400 turns and 150 s, at 200
threads 300 s, at 120 rpm 200 s: the "two-minute" and "four-minute" cylinders of the
trade (O'Reilly, chapter on cylinders; Poppy Records; AIC conservation wiki), and a
coarse foil screw of 4 1/4 in at 10 threads and 60 rpm 42.5 s.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from archiver.findings import Rule, Severity
from archiver.session import (
    QuantityKind,
    check_durations,
    load_session,
    machine_rules,
    parse_quantity,
    plausibility_rules,
)
from archiver.session.capacity import capacity_s, surface_speed_m_s
from archiver.session.rights_sense import Act, acts_allowed_by_uri, acts_forbidden
from tests.session.folders import codes, edit, whole_session, write

SHEET = "session.yaml"
MACHINE = "machines/example-machine.yaml"
TYPE = """\
schema: type 1
id: example-model
names: [Office Vesterholm]
features:
  - {id: governor, name: balls of the governor, look: through the winding hole}
  - {id: address, name: address on the plate}
variants:
  - id: first
    name: Model A
    made: '[1905..1906]'
    features: [{feature: governor, values: [two balls]}]
  - id: second
    name: Model B
    made: '[1907..1909]'
    features:
      - {feature: governor, values: [three balls]}
      - {feature: address, values: [Kanalgade 11]}
  - id: third
    name: Model B, late
    features:
      - {feature: governor, values: [three balls]}
      - {feature: address, values: [Ny Havn 2]}
"""


@pytest.mark.parametrize(
    ("pitch", "length", "speed", "seconds"),
    [
        ("100 tpi", "4 in", "160 rpm", 150.0),
        ("200 tpi", "4 in", "160 rpm", 300.0),
        ("100 tpi", "4 in", "120 rpm", 200.0),
        ("100 tpi", "3.2 in", "160 rpm", 120.0),
        ("200 tpi", "3.2 in", "160 rpm", 240.0),
        ("10 tpi", "4.25 in", "60 rpm", 42.5),
        ("160 tpi", "6 in", "100 rpm", 576.0),
        ("0.254 mm", "101.6 mm", "160 rpm", 150.0),
    ],
)
def test_capacity_is_that_of_published_playing_times(
    pitch: str, length: str, speed: str, seconds: float
) -> None:
    found = capacity_s(
        parse_quantity(pitch, QuantityKind.GROOVE_PITCH),
        parse_quantity(length, QuantityKind.LENGTH),
        parse_quantity(speed, QuantityKind.ROTATION),
    )
    assert found == pytest.approx(seconds, rel=1e-9)


@pytest.mark.parametrize(
    ("diameter", "speed", "metres"),
    # pi D n, worked out by hand: 57.15 mm at 160, 144 and 120 rpm; 4 in at 60 rpm.
    [
        ("2.25 in", "160 rpm", 0.4788),
        ("2.25 in", "144 rpm", 0.4309),
        ("2.25 in", "120 rpm", 0.3591),
        ("4 in", "60 rpm", 0.3192),
        ("241 mm", "78.26 rpm", 0.9875),
    ],
)
def test_surface_speed(diameter: str, speed: str, metres: float) -> None:
    found = surface_speed_m_s(
        parse_quantity(diameter, QuantityKind.LENGTH), parse_quantity(speed, QuantityKind.ROTATION)
    )
    assert found == pytest.approx(metres, abs=5e-5)


# name of the case: file, old text, new text, codes in order, words of one message
EDITS: dict[str, tuple[str, str, str, list[str], str]] = {
    # capacity and geometry
    "band wider than the platter": (MACHINE, "mandrel: {diameter: 2 3/16 in, note: tapered; measured at the wide end}", "platter: {diameter: 10 in}", ["machine-capacity-impossible", "medium-does-not-fit"], "whose radius is 127 mm"),
    "less than one turn": (MACHINE, "groove_pitch: 160 tpi", "groove_pitch: 200 mm", ["machine-capacity-impossible"], "does not hold one turn"),
    "longer than the machine": (MACHINE, "recordable_length: 6 in", "recordable_length: 6 ft", ["machine-capacity-impossible"], "longer than the machine, whose longest side is 380 mm"),
    "pitch of another unit": (MACHINE, "groove_pitch: 160 tpi", "groove_pitch: 160 grooves/mm", ["machine-capacity-implausible"], "0.00625 mm from turn to turn"),
    "speed of another unit": (MACHINE, "nominal_speed: 100 rpm", "nominal_speed: 100 rps", ["machine-capacity-implausible"], "the speed is 100 rps"),
    "mandrel of another unit": (MACHINE, "diameter: 2 3/16 in, note", "diameter: 2 3/16 mm, note", ["machine-capacity-implausible"], "2 3/16 mm"),
    "hours on one cylinder": (MACHINE, "groove_pitch: 160 tpi", "groove_pitch: 990 tpi", ["machine-capacity-implausible"], "6 in at 990 tpi and 100 rpm hold 59 min 24 s"),
    "cylinder thinner than the mandrel": (SHEET, "diameter: 2 3/8 in ", "diameter: 2 in ", ["medium-does-not-fit"], "no more than the mandrel"),
    "disc on a mandrel": (SHEET, "    kind: wax cylinder\n", "    kind: wax disc\n", ["medium-does-not-fit"], "which has a mandrel"),
    # dates
    "machine made after the session": (MACHINE, "  date: '[1907..1910]'", "  date: '2027'", ["custody-before-made", "custody-before-made", "date-beyond-evidence", "part-changed-before-made", "session-before-machine"], "after the session of 2026-04-18"),
    "a digit is missing": (MACHINE, "  date: '[1907..1910]'", "  date: '0190'", ["date-beyond-evidence", "machine-before-recording"], "made in 0190"),
    "year 0": (MACHINE, "  date: '[1907..1910]'", "  date: '0000'", ["date-beyond-evidence", "machine-before-recording"], "made in 0000"),
    "custody before the making": (MACHINE, "{date: 1909~, holder", "{date: 1905, holder", ["custody-before-made"], "custody in 1905"),
    "custody out of order": (MACHINE, "{date: 1984-05, holder", "{date: '1908', holder", ["custody-out-of-order"], "custody in 1908 stands after that in 1909~"),
    "custody after the session": (MACHINE, "{date: 1984-05, holder", "{date: 2084-05, holder", ["custody-after-session"], "2084-05"),
    "photograph after the session": (SHEET, "    date: 2026-04-18                        # (optional)\n    by: ansa", "    date: 2026-05-01\n    by: ansa", ["photograph-after-session"], "photographs/horn.jpg is dated 2026-05-01"),
    "photograph of a machine after the session": (MACHINE, "{file: photographs/machine.jpg,", "{file: photographs/machine.jpg, date: '2027',", ["photograph-after-session"], "dated 2027"),
    # people and rights
    "consent after the session": (SHEET, "      date: 2026-04-18                      # (optional)\n", "      date: 2026-06-01\n", ["consent-after-session"], "Johan Holm gave consent on 2026-06-01"),
    "licence against a ban": (SHEET, "The voice of the performer is not to be used in advertising", "Not to be published before 2050", ["rights-contradict-restriction"], "forbids publishing, which the licence https"),
    "licence against non-commercial use": (SHEET, "The voice of the performer is not to be used in advertising", "For non-commercial use only", ["rights-contradict-restriction"], "forbids commercial use"),
    "licence against research only": (SHEET, "The voice of the performer is not to be used in advertising", "Research use only", ["rights-contradict-restriction"], "forbids publishing and commercial use"),
    "all rights reserved under a licence": (SHEET, "May be copied and published with attribution to the museum.", "All rights reserved.", ["rights-contradict-themselves"], "reserves all rights"),
    "free and in copyright": (SHEET, "    uri: https://creativecommons.org/licenses/by/4.0/", "    uri: http://rightsstatements.org/vocab/InC/1.0/", [], ""),
    "closed under a licence": (SHEET, "    holder: Lindeby House Museum\n", "    holder: Lindeby House Museum\n    closed_until: 2040-12-31\n", ["rights-contradict-restriction"], "are closed until 2040-12-31"),
    "closed until before the session": (SHEET, "    holder: Lindeby House Museum\n", "    holder: Lindeby House Museum\n    closed_until: 2020-12-31\n", [], ""),
    "layer that contradicts itself": (SHEET, "    holder: Lindeby House Museum\n", "    holder: Lindeby House Museum\n    layers: [{layer: text, statement: All rights reserved, uri: 'https://creativecommons.org/licenses/by/4.0/', holder: N. N., basis: copyright}]\n", ["rights-contradict-themselves"], "reserves all rights"),
    "consent that ran out": (SHEET, "      given: yes                            # yes or no\n", "      given: yes\n      until: 2025-12-31\n", ["consent-ran-out"], "held until 2025-12-31"),
    "consent without publication": (SHEET, "      given: yes                            # yes or no\n", "      given: yes\n      purposes: [recording, archiving]\n", ["consent-narrower-than-rights"], "Johan Holm agreed to recording, archiving"),
    # media that wear
    "playings of a blank": (SHEET, "    recordings: 2  ", "    recordings: 0  ", [], ""),
    "blank that was played": (SHEET, "    playings: 0  ", "    playings: 3  ", [], ""),
    "limit reached": (SHEET, "    playings_limit: 25 ", "    playings_limit: 1 ", ["medium-limit-reached"], "all of its 1 planned playings"),
    "limit passed before the session": (SHEET, "    playings: 0  ", "    playings: 30 ", ["medium-limit-exceeded"], "comes to 30 playings of one recording, of 25 planned; the limit is passed before"),
    # evidence
    "evidence in braces": (MACHINE, "    says: '[..1910]'", "    says: '{1909,1910}'", ["evidence-not-one-date", "date-narrower-than-evidence"], "`{1909,1910}` says that all its dates hold"),
    "firm about": (MACHINE, "    says: '[..1910]'", "    says: 1910~", ["evidence-about", "date-narrower-than-evidence"], "nothing says how far off"),
    "firm question": (MACHINE, "    says: '[..1910]'", "    says: 1910?", ["evidence-uncertain-firm", "date-narrower-than-evidence"], "uncertain, but called firm"),
    "margin of an exact date": (MACHINE, "    says: 1909~", "    says: 1909", ["evidence-margin-unused"], "within_years stands beside `1909`"),
    "evidence on an unknown part": (MACHINE, "part: diaphragm, source", "part: diaphram, source", ["evidence-part-unknown"], "nearest: `diaphragm`"),
    "evidence on a replaced part": (MACHINE, "part: diaphragm, source", "part: mainspring, source", ["evidence-on-later-part"], "`mainspring`, which is replaced"),
    "evidence that conflicts": (MACHINE, "    says: '[..1910]'", "    says: '[..1905]'", ["evidence-conflict"], "these cannot all hold: the plate has the address"),
    "weak evidence against firm": (MACHINE, "    says: 1909~", "    says: 1950~", ["evidence-against-firm"], "says from 1947 to 1953"),
    "stated date beyond evidence": (MACHINE, "  date: '[1907..1910]'", "  date: '[1907..1912]'", ["date-beyond-evidence"], "allows days that the firm evidence excludes"),
    "stated date against evidence": (MACHINE, "  date: '[1907..1910]'", "  date: '1906'", ["date-beyond-evidence"], "contradicts the firm evidence"),
    "stated date narrower": (MACHINE, "  date: '[1907..1910]'", "  date: '1908'", ["date-narrower-than-evidence"], "narrower than the firm evidence"),
    # attribution
    "maker who is no candidate": (MACHINE, "maker: {name: Vesterholm Talking Machine Works,", "maker: {name: Somebody,", ["attribution-maker-not-a-candidate"], "`Somebody` is not among"),
    "maker with features against only": (MACHINE, "    in_favour: [\"maker's plate, original screws\", governor of their pattern]\n", "", ["attribution-only-against"], "only features against"),
    "two makers": (MACHINE, "attribution:\n", "attribution:\n  - {name: Other Works, in_favour: [the horn]}\n", ["attribution-open"], "2 makers come into question"),
    # parts and condition
    "part twice": (MACHINE, "  - {name: lid, state: missing}", "  - {name: Mainspring, state: missing}", ["part-listed-twice"], "`Mainspring` is listed again"),
    "original part with a date": (MACHINE, "    state: replaced\n", "    state: original\n", ["part-original-changed"], "is original, but has date, by, reversible"),
    "part changed before the making": (MACHINE, "    date: 1990~", "    date: 1890~", ["part-changed-before-made"], "1890~"),
    "report on nothing": (SHEET, "  - medium: cyl-07\n    when", "  - when", ["condition-subject"], "neither a machine nor a medium"),
    "report on both": (SHEET, "  - medium: cyl-07\n    when", "  - medium: cyl-07\n    machine: example-machine\n    when", ["condition-subject"], "both a machine and a medium"),
    "two reports": (SHEET, "  - medium: cyl-07\n    when", "  - machine: example-machine\n    when", ["condition-twice"], "second report on `example-machine` before"),
    "report on an unknown part": (SHEET, "{part: mainspring, grade: good}", "{part: main spring motor, grade: good}", ["condition-part-unknown"], "no part `main spring motor`"),
    "report before, dated after": (SHEET, "    date: 2026-04-18                        # (optional)\n    by: joho", "    date: 2026-04-20\n    by: joho", ["condition-date"], "after its end"),
    "report of an unknown medium": (SHEET, "  - medium: cyl-07\n    when", "  - medium: cyl-08\n    when", ["sheet-unknown-reference"], "no medium `cyl-08`"),
    "worse after the session": (SHEET, "  - medium: cyl-07\n    when: before\n    grade: good\n", "  - machine: example-machine\n    when: after\n    grade: poor\n    note: spring broken\n", ["condition-worse"], "example-machine as a whole: good, then poor (spring broken)"),
    "changed after the session": (SHEET, "  - medium: cyl-07\n    when: before\n    grade: good\n", "  - machine: example-machine\n    when: after\n    grade: good\n    parts: [{part: diaphragm, grade: good, note: crack closed}]\n", ["condition-changed"], "diaphragm: fair, then good (crack closed)"),
    # variants
    "model without a file": (MACHINE, "# model: example-model", "model: exampel-model", ["type-unknown"], "no type file types/exampel-model.yaml; nearest: `example-model`"),
}  # fmt: skip


@pytest.mark.parametrize(
    ("file", "old", "new", "expected", "words"), EDITS.values(), ids=list(EDITS)
)
def test_one_change_brings_about_its_rule(
    tmp_path: Path, file: str, old: str, new: str, expected: list[str], words: str
) -> None:
    folder = whole_session(tmp_path)
    edit(folder, file, old, new)
    loaded = load_session(folder)
    described = "\n".join(f"{f.code} {f.where}: {f.message}" for f in loaded.findings)
    assert sorted(codes(loaded)) == sorted(expected), described
    assert any(words in finding.message for finding in loaded.findings) or not expected, described
    for finding in loaded.findings:
        assert finding.where.line is not None
        assert finding.remedy


def with_type(folder: Path, text: str = TYPE, features: str = "") -> Path:
    whole_session(folder)
    write(folder, "types/example-model.yaml", text.encode("utf-8"))
    edit(folder, MACHINE, "# model: example-model", f"model: example-model\n{features}")
    return folder


@pytest.mark.parametrize(
    ("old", "new", "features", "expected"),
    [
        # The first variant is excluded by the date of the machine, 1907 to 1910.
        ("", "", "", ["variant-open"]),
        ("", "", "features: [{feature: address, value: kanalgade 11}]", []),
        ("", "", "features: [{feature: governor, value: four balls}]", ["variant-none-fits"]),
        ("", "", "features: [{feature: governer, value: x}]", ["type-reference", "variant-open"]),
        # On a replaced part a feature excludes nothing.
        (
            "",
            "",
            "features: [{feature: governor, value: four balls, part: mainspring}]",
            ["variant-open"],
        ),
        ("id: example-model", "id: other", "", ["type-file-name", "type-unknown"]),
        ("[{feature: governor, values: [two", "[{feature: gov, values: [two", "", ["type-reference", "variant-open"]),
        ("  - id: third", "  - id: second", "", ["type-reference", "variant-open"]),
        ("schema: type 1", "schema: type 2", "", ["sheet-schema-version", "variant-open"]),
    ],
)  # fmt: skip
def test_machines_against_a_type_file(
    tmp_path: Path, old: str, new: str, features: str, expected: list[str]
) -> None:
    text = TYPE.replace(old, new) if old else TYPE
    loaded = load_session(with_type(tmp_path, text, features))
    assert sorted(codes(loaded)) == sorted(expected)
    assert loaded.type_files == ("types/example-model.yaml",)


def test_a_type_file_that_no_machine_uses_is_no_stray(tmp_path: Path) -> None:
    folder = whole_session(tmp_path)
    write(folder, "types/example-model.yaml", TYPE.encode("utf-8"))
    assert codes(load_session(folder)) == []


def test_two_machines_of_one_inventory_number(tmp_path: Path) -> None:
    folder = whole_session(tmp_path)
    write(
        folder,
        "machines/second.yaml",
        b"schema: machine 1\nid: second\nnames: [Second]\ntype: disc cutter\n"
        b"inventory_number: lhm 1984.112\n"
        b"owner: {name: Lindeby House Museum}\n",
    )
    assert codes(load_session(folder)) == ["machine-same-inventory-number", "machine-not-used"]


def test_an_announcement_by_people_without_consent(tmp_path: Path) -> None:
    folder = whole_session(tmp_path)
    write(folder, "takes/0003.wav", b"RIFF")
    edit(
        folder,
        SHEET,
        "operators:\n  - id: ansa",
        "operators:\n  - {id: nn, name: N. N., role: curator}\n  - id: ansa",
    )
    edit(
        folder,
        SHEET,
        "# Photographs of the session:",
        "  - {id: t03, file: takes/0003.wav, kind: announcement, operators: [nn], "
        "start: 2026-04-18T14:30:00+02:00}\n# Photographs of the session:",
    )
    assert codes(load_session(folder)) == ["take-voice-without-consent"]


@pytest.mark.parametrize(
    ("duration_s", "kind", "expected"),
    [
        (576.0, "reproduction", []),
        (577.0, "reproduction", ["take-exceeds-capacity"]),
        (1152.0, "performance and reproduction", []),
        (1153.0, "performance and reproduction", ["take-exceeds-capacity"]),
        (9999.0, "room tone", []),
    ],
)
def test_a_take_is_no_longer_than_its_groove(
    tmp_path: Path, duration_s: float, kind: str, expected: list[str]
) -> None:
    folder = whole_session(tmp_path)
    edit(folder, SHEET, "    kind: reproduction\n", f"    kind: {kind}\n")
    session = load_session(folder).session
    assert session is not None
    findings = check_durations(session, {"t02": duration_s})
    assert [finding.code for finding in findings] == expected
    if expected:
        assert "6 in at 160 tpi and 100 rpm hold" in findings[0].message


def test_a_shorter_medium_holds_less(tmp_path: Path) -> None:
    folder = whole_session(tmp_path)
    edit(folder, SHEET, "    length: 6 1/4 in ", "    length: 4 in ")
    session = load_session(folder).session
    assert session is not None
    (finding,) = check_durations(session, {"t02": 400.0})  # 640 turns at 100 rpm: 384 s
    assert "hold 6 min 24 s" in finding.message


@pytest.mark.parametrize(
    ("takes", "code"),
    [
        (["kind: reproduction, playings_before: 1"], "medium-playings-contradict"),
        (["kind: reproduction"], None),
        (["kind: performance", "kind: reproduction, playings_before: 0"], None),
    ],
)
def test_the_first_take_goes_on_from_the_count_of_the_medium(
    tmp_path: Path, takes: list[str], code: str | None
) -> None:
    folder = with_media(tmp_path, "recordings: 1, playings: 2", takes)
    assert codes(load_session(folder)) == ([code] if code else [])


@pytest.mark.parametrize(
    ("medium", "takes", "code"),
    [
        ("recordings: 0, playings: 2", ["kind: performance"], "medium-never-recorded"),
        ("recordings: 0", ["kind: reproduction"], "medium-never-recorded"),
        ("recordings: 0", ["kind: performance", "kind: reproduction"], None),
        ("playings: 2, playings_limit: 3", ["kind: reproduction"], "medium-limit-reached"),
        ("playings: 2, playings_limit: 3", ["kind: reproduction"] * 2, "medium-limit-exceeded"),
        ("playings: 2, playings_limit: 3", ["kind: performance"] + ["kind: reproduction"] * 2, None),
        ("playings_limit: 3", ["kind: reproduction"] * 5, None),  # the count is not known
        ("playings_limit: 3", ["kind: reproduction, playings_before: 4"], "medium-limit-exceeded"),
    ],
)  # fmt: skip
def test_counts_and_limits_of_a_medium(
    tmp_path: Path, medium: str, takes: list[str], code: str | None
) -> None:
    assert codes(load_session(with_media(tmp_path, medium, takes))) == ([code] if code else [])


def with_media(folder: Path, medium: str, takes: list[str]) -> Path:
    whole_session(folder)
    text = (folder / SHEET).read_text(encoding="utf-8")
    head, rest = text.split("takes:\n  - id", 1)
    tail = rest[rest.index("# Photographs of the session") :]
    listed = "".join(
        f"  - {{id: t{n:02d}, file: takes/{n:04d}.wav, setup: s1, medium: foil, {take}}}\n"
        for n, take in enumerate(takes, start=1)
    )
    head = head.replace("media:\n", f"media:\n  - {{id: foil, kind: foil sheet, {medium}}}\n", 1)
    (folder / SHEET).write_text(f"{head}takes:\n{listed}{tail}", encoding="utf-8")
    for path in (folder / "takes").glob("*.wav"):
        path.unlink()
    for n in range(1, len(takes) + 1):
        write(folder, f"takes/{n:04d}.wav", b"RIFF")
    return folder


def test_takes_that_reproduce_each_other_in_a_circle(tmp_path: Path) -> None:
    takes = [f"kind: reproduction, reproduces: t{n:02d}" for n in (2, 3, 1)]
    takes += ["kind: reproduction, reproduces: t01"]
    loaded = load_session(with_media(tmp_path, "playings: 0", takes))
    assert codes(loaded) == ["take-circle", "take-source"]
    assert "`t01`, `t02`, `t03` reproduce each other" in loaded.findings[0].message


@pytest.mark.parametrize(
    ("uri", "expected"),
    # Terms of the licences as their deeds state them (Creative Commons 4.0).
    [
        ("https://creativecommons.org/licenses/by/4.0/", set(Act)),
        ("http://creativecommons.org/licenses/by-sa/3.0/", set(Act)),
        ("https://creativecommons.org/licenses/by-nc/4.0/", set(Act) - {Act.COMMERCE}),
        ("https://creativecommons.org/licenses/by-nd/4.0/", set(Act) - {Act.ALTER}),
        ("https://creativecommons.org/licenses/by-nc-nd/4.0/", {Act.COPY, Act.PUBLISH}),
        ("https://creativecommons.org/publicdomain/zero/1.0/", set(Act)),
        ("http://rightsstatements.org/vocab/InC/1.0/", set()),
        ("https://example.invalid/terms", set()),
        (None, set()),
    ],
)
def test_what_a_licence_allows(uri: str | None, expected: set[Act]) -> None:
    assert acts_allowed_by_uri(uri) == expected


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("Not to be published before 2050.", {Act.PUBLISH}),
        ("No copies may be made", {Act.COPY}),
        ("Publication is forbidden", {Act.PUBLISH}),
        ("The recording may not be altered or sold", {Act.ALTER, Act.COMMERCE}),
        ("Closed until 2050", {Act.PUBLISH, Act.COMMERCE}),
        ("On-site only", {Act.PUBLISH, Act.COMMERCE}),
        ("The voice is not to be used to imitate a person", set()),
        ("The voice of the performer is not to be used in advertising", set()),
        ("Not to be published without attribution", set()),
        ("Please name the museum", set()),
    ],
)
def test_what_a_restriction_forbids(text: str, expected: set[Act]) -> None:
    assert acts_forbidden(text) == expected


def test_every_rule_of_these_kinds_is_brought_about_or_tested_elsewhere() -> None:
    shown = {code for case in EDITS.values() for code in case[3]} - {"sheet-unknown-reference"}
    elsewhere = {
        "machine-same-inventory-number", "take-voice-without-consent", "take-exceeds-capacity",
        "medium-never-recorded", "medium-playings-contradict", "type-file-name", "type-reference",
        "variant-none-fits", "variant-open",
        # tests/session/test_measures.py, tests/session/test_future.py
        "measure-implausible", "date-in-future",
        # tests/session/test_previous.py
        "medium-carried-backwards", "medium-carried-forward", "medium-played-between",
        "medium-changed", "part-changed", "part-became-original",
    }  # fmt: skip
    own = {
        rule.code
        for module in (machine_rules, plausibility_rules)
        for rule in vars(module).values()
        if isinstance(rule, Rule)
    }
    assert shown | elsewhere == own


def test_every_rule_says_why_and_what_to_do() -> None:
    for module in (machine_rules, plausibility_rules):
        for rule in vars(module).values():
            if isinstance(rule, Rule):
                assert rule.reason.endswith("."), rule.code
                assert rule.remedy.endswith("."), rule.code
                assert rule.severity in Severity
