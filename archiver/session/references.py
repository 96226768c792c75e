"""Names that refer to something: each id once, and each reference to what is there."""

from __future__ import annotations

from collections.abc import Iterable

from archiver.findings import Finding, Where
from archiver.session import rules
from archiver.session.conform import nearest
from archiver.session.portable_names import device_name
from archiver.session.records import Role, Session
from archiver.session.sheet import Sheet
from archiver.session.stated import Stated, stated
from archiver.session.tree import Group, Scalar

__all__ = ["VOICES", "check_references"]

_SECTIONS = {
    "operators": "operator",
    "chains": "capture chain",
    "media": "medium",
    "setups": "setup",
    "takes": "take",
}
_REFERENCES = (
    ("setups", "machine", "machines"),
    ("setups", "medium", "media"),
    ("takes", "setup", "setups"),
    ("takes", "chain", "chains"),
    ("takes", "medium", "media"),
    ("takes", "reproduces", "takes"),
    ("takes", "operators", "operators"),
    ("conditions", "machine", "machines"),
    ("conditions", "medium", "media"),
    ("conditions", "by", "operators"),
    ("photographs", "machine", "machines"),
    ("photographs", "by", "operators"),
)
VOICES = frozenset({Role.PERFORMER, Role.ANNOUNCER})
"""Roles of people whose voice is recorded, and whose consent is asked for."""

_SUGGESTIONS = 50
_LISTED = 12


def check_references(
    sheet: Sheet, session: Session | None, machine_files: Iterable[str]
) -> list[Finding]:
    """Check ids, references and consents of a sheet.

    Parameters
    ----------
    sheet : Sheet
        As read; ids count even where their record is not complete.
    session : Session or None
        The record, if there is one.
    machine_files : iterable of str
        Paths of the machine files, whether they could be read or not.
    """
    if sheet.root is None:
        return []
    findings: list[Finding] = []
    known: dict[str, set[str]] = {}
    for section in _SECTIONS:
        ids, doubled = _ids(sheet.root, section, sheet.file)
        findings += doubled
        known[section] = ids
    findings += _unusable_names(sheet.root, sheet.file)
    stems = {_stem(path) for path in machine_files}
    known["machines"] = stems | {machine.id for machine in (session.machines if session else ())}
    budget = [_SUGGESTIONS]
    for section, name, target in _REFERENCES:
        if target in sheet.damaged or _misnamed(sheet.root, target):
            continue
        for reference in stated(sheet.root, section, name):
            if reference.text not in known[target]:
                findings.append(_unknown(reference, target, known[target], sheet.file, budget))
    if session is not None:
        findings += _unused_machines(sheet.root, session)
        findings += _consents(session)
    return findings


def _stem(path: str) -> str:
    return path.rpartition("/")[2].removesuffix(".yaml")


def _unusable_names(root: Group, file: str) -> list[Finding]:
    """Check the ids that become file names in the bag."""
    named = list(stated(root, "takes", "id"))
    session = root.entries.get("session")
    if session is not None and isinstance(session.value, Group):
        entry = session.value.entries.get("identifier")
        if entry is not None and isinstance(entry.value, Scalar):
            value = entry.value
            named.append(
                Stated(
                    text=value.text,
                    field="session.identifier",
                    line=value.line,
                    column=value.column,
                )
            )
    return [
        rules.SHEET_ID_NOT_PORTABLE.at(
            _where(each, file),
            f"`{each.text}` {reason}",
            accepted="another word; it names a file of the bag",
        )
        for each in named
        if (reason := device_name(each.text)) is not None
    ]


def _misnamed(root: Group, section: str) -> bool:
    """Say whether a section is probably there under a mistyped name, which is told already."""
    return (
        section in _SECTIONS
        and section not in root.entries
        and any(
            nearest(name, [*_SECTIONS]) == section for name in root.entries if name not in _SECTIONS
        )
    )


def _ids(root: Group, section: str, file: str) -> tuple[set[str], list[Finding]]:
    first: dict[str, Stated] = {}
    findings: list[Finding] = []
    rule = rules.TAKE_LISTED_TWICE if section == "takes" else rules.SHEET_SAME_ID
    for each in stated(root, section, "id"):
        before = first.setdefault(each.text, each)
        if before is not each:
            findings.append(
                rule.at(
                    _where(each, file),
                    f"the {_SECTIONS[section]} `{each.text}` is listed again; "
                    f"it stands first in line {before.line}",
                    accepted=f"an id of its own for each {_SECTIONS[section]}",
                )
            )
    return set(first), findings


def _where(each: Stated, file: str) -> Where:
    return Where(file=file, line=each.line, column=each.column, field=each.field)


def _unknown(
    reference: Stated, target: str, known: set[str], file: str, budget: list[int]
) -> Finding:
    kind = "machine" if target == "machines" else _SECTIONS[target]
    rule = rules.MACHINE_UNKNOWN if target == "machines" else rules.SHEET_UNKNOWN_REFERENCE
    near = None
    if budget[0] > 0:  # looking for the nearest among thousands takes long
        budget[0] -= 1
        near = nearest(reference.text, known)
    listed = ", ".join(sorted(known)[:_LISTED]) + (" …" if len(known) > _LISTED else "")
    place = "in machines/" if target == "machines" else f"under {target}"
    return rule.at(
        _where(reference, file),
        f"there is no {kind} `{reference.text}` {place}" + (f"; nearest: `{near}`" if near else ""),
        accepted=listed or f"an id that is described {place}",
    )


def _unused_machines(root: Group, session: Session) -> list[Finding]:
    used = {each.text for each in stated(root, "setups", "machine")}
    used |= {each.text for each in stated(root, "photographs", "machine")}
    ids = [machine.id for machine in session.machines]
    # A mistyped id is told, and means one of them.
    used |= {near for each in used if each not in ids and (near := nearest(each, ids)) is not None}
    return [
        rules.MACHINE_NOT_USED.at(
            machine.locate("id"), f"no setup and no photograph refers to machine `{machine.id}`"
        )
        for machine in session.machines
        if not used & {machine.id, _stem(machine.places.file)}
    ]


def _consents(session: Session) -> list[Finding]:
    findings: list[Finding] = []
    heard = {id_ for take in session.takes for id_ in take.operators}
    for operator in session.operators:
        if operator.role not in VOICES:
            continue
        # The sheet need not name the people of a take, so a voice may be recorded all the same.
        who = (
            "whose voice is recorded"
            if operator.id in heard
            else f"who is listed as {operator.role} and named in no take"
        )
        if operator.consent is None:
            found = f"no consent is written down for {operator.name}, {who}"
            remedy = None
        elif not operator.consent.given:
            found = f"{operator.name}, {who}, has not given consent"
            remedy = (
                "Ask the person. If the answer stays no, take the takes with this voice out of "
                "the sheet and of the folder."
                if operator.id in heard
                else "Ask the person. If the answer stays no, and a take holds this voice, take it "
                "out of the sheet and of the folder; if none does, nothing else has to be done."
            )
        else:
            continue
        field = f"{operator.at}.consent" if operator.consent is not None else operator.at
        findings.append(
            rules.OPERATOR_CONSENT.at(
                session.locate(field),
                found,
                accepted="`consent: {given: yes, date: 2026-04-18, scope: Recording and archiving}`, "
                "with what was agreed to, and when",
                remedy=remedy,
            )
        )
    return findings
