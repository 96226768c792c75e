"""Checks of what a machine file says of its date, its maker, its variant and its parts."""

from __future__ import annotations

from archiver.findings import Finding
from archiver.session import machine_rules as rules
from archiver.session.attribution import attribution_of
from archiver.session.conform import nearest
from archiver.session.dating import Effect, Reach, date_machine
from archiver.session.dating_words import days_in_words
from archiver.session.day_set import ALL_DAYS, DaySet, days_of
from archiver.session.edtf import EdtfForm
from archiver.session.machine_record import Machine
from archiver.session.records import Session
from archiver.session.type_record import MachineType
from archiver.session.variants import compare_variants
from archiver.session.vocabulary import Confidence, PartState

__all__ = ["check_machine", "check_models", "check_type"]


def check_machine(machine: Machine) -> list[Finding]:
    """Check what a machine file says by itself."""
    return [
        *_pieces(machine),
        *_dating(machine),
        *_attribution(machine),
        *_parts(machine),
    ]


def check_type(machine_type: MachineType) -> list[Finding]:
    """Check that the variants of a type file name features that it describes."""
    known = {feature.id for feature in machine_type.features}
    findings = [
        _unknown_feature(each.feature, known, machine_type, f"{each.at}.feature")
        for variant in machine_type.variants
        for each in variant.features
        if each.feature not in known
    ]
    for section, ids in (
        ("features", [each.id for each in machine_type.features]),
        ("variants", [each.id for each in machine_type.variants]),
    ):
        findings += [
            rules.TYPE_REFERENCE.at(
                machine_type.locate(f"{section}[{n}].id"),
                f"the id `{id_}` is listed again",
                accepted="an id of its own for each",
                remedy="Give each its own id.",
            )
            for n, id_ in enumerate(ids)
            if id_ in ids[:n]
        ]
    return findings


def check_models(session: Session) -> list[Finding]:
    """Check machines against the type files of their models."""
    findings: list[Finding] = []
    for machine in session.machines:
        if machine.model is None:
            continue
        machine_type = session.type_of(machine)
        if machine_type is None:
            listed = [each.id for each in session.types]
            near = nearest(machine.model, listed)
            findings.append(
                rules.TYPE_UNKNOWN.at(
                    machine.locate("model"),
                    f"there is no type file types/{machine.model}.yaml"
                    + (f"; nearest: `{near}`" if near else ""),
                    accepted=", ".join(listed) or "the id of a type file",
                )
            )
            continue
        known = {feature.id for feature in machine_type.features}
        findings += [
            rules.TYPE_REFERENCE.at(
                machine.locate(f"{each.at}.feature"),
                f"the type file `{machine_type.id}` describes no feature `{each.feature}`"
                + (f"; nearest: `{near}`" if (near := nearest(each.feature, known)) else ""),
                accepted=", ".join(sorted(known)),
            )
            for each in machine.features
            if each.feature not in known
        ]
        findings += _variant(machine, machine_type)
    return findings


def _unknown_feature(
    feature: str, known: set[str], machine_type: MachineType, path: str
) -> Finding:
    near = nearest(feature, known)
    return rules.TYPE_REFERENCE.at(
        machine_type.locate(path),
        f"there is no feature `{feature}`" + (f"; nearest: `{near}`" if near else ""),
        accepted=", ".join(sorted(known)),
    )


def _variant(machine: Machine, machine_type: MachineType) -> list[Finding]:
    if not machine_type.variants:
        return []
    found = compare_variants(machine, machine_type)
    where = machine.locate("model")
    if not found.fitting:
        return [rules.VARIANT_NONE_FITS.at(where, found.statement, accepted="a known variant")]
    if len(found.fitting) > 1:
        return [rules.VARIANT_OPEN.at(where, found.statement)]
    return []


def _pieces(machine: Machine) -> list[Finding]:
    findings: list[Finding] = []
    for piece in machine.evidence:
        firm = piece.confidence is Confidence.FIRM
        if piece.says.form is EdtfForm.ALL_OF:
            findings.append(
                rules.EVIDENCE_NOT_ONE_DATE.at(
                    machine.locate(f"{piece.at}.says"),
                    f"`{piece.says.text}` says that all its dates hold",
                    accepted="a date, an interval, or a set in brackets",
                )
            )
        if piece.says.approximate and piece.within_years is None and firm:
            findings.append(
                rules.EVIDENCE_ABOUT.at(
                    machine.locate(f"{piece.at}.says"),
                    f"`{piece.says.text}` is approximate and firm, and nothing says how far "
                    "off it may be, so it limits nothing",
                    accepted="`within_years: 3`, or the confidence probable or weak",
                )
            )
        if piece.within_years is not None and not piece.says.approximate:
            findings.append(
                rules.EVIDENCE_MARGIN_UNUSED.at(
                    machine.locate(f"{piece.at}.within_years"),
                    f"within_years stands beside `{piece.says.text}`, which is not approximate",
                    accepted="a date with ~ or %",
                )
            )
        if piece.says.uncertain and firm:
            findings.append(
                rules.EVIDENCE_UNCERTAIN_FIRM.at(
                    machine.locate(f"{piece.at}.says"),
                    f"`{piece.says.text}` is uncertain, but called firm",
                    accepted="a date without ?, or the confidence probable or weak",
                )
            )
        if piece.part is not None and machine.part(piece.part) is None:
            names = [part.name for part in machine.parts]
            near = nearest(piece.part, names)
            findings.append(
                rules.EVIDENCE_PART_UNKNOWN.at(
                    machine.locate(f"{piece.at}.part"),
                    f"there is no part `{piece.part}`" + (f"; nearest: `{near}`" if near else ""),
                    accepted=", ".join(names) or "a part that is listed under parts",
                )
            )
    return findings


def _dating(machine: Machine) -> list[Finding]:
    dating = date_machine(machine)
    if dating is None:
        return []
    findings = [
        rules.EVIDENCE_ON_LATER_PART.at(
            machine.locate(f"{each.piece.at}.part"),
            f"evidence {each.number + 1} dates the part `{each.piece.part}`, which is {part.state}",
        )
        for each in dating.weighed
        if each.reach is Reach.NOTHING and (part := machine.part(each.piece.part or "")) is not None
    ]
    if not dating.allowed:
        first = dating.conflicts.sets[0]
        findings.append(
            rules.EVIDENCE_CONFLICT.at(
                machine.locate(dating.weighed[first[0]].piece.at),
                dating.statement,
                accepted="firm evidence that can all hold",
            )
        )
        return findings
    findings += [
        rules.EVIDENCE_AGAINST_FIRM.at(
            machine.locate(f"{each.weighed.piece.at}.says"),
            f"the {each.weighed.confidence} evidence {each.weighed.number + 1} says "
            f"{days_in_words(each.weighed.days)}, but the firm evidence allows the machine "
            f"only {days_in_words(dating.allowed)}",
        )
        for each in dating.weaker
        if each.effect is Effect.CONTRADICTS
    ]
    return findings + _stated_date(machine, dating.allowed)


def _stated_date(machine: Machine, allowed: DaySet) -> list[Finding]:
    stated = machine.made.date if machine.made is not None else None
    if stated is None or allowed == ALL_DAYS or stated.form is EdtfForm.ALL_OF:
        return []
    days = days_of(stated)
    common = days & allowed
    reckoned = allowed.as_edtf()
    shown = "" if reckoned is None else f"`{reckoned.text}`"
    where = machine.locate("made.date")
    if common != days and not (stated.approximate and common):
        found = "contradicts the firm evidence, which allows" if not common else (
            "allows days that the firm evidence excludes; it allows"
        )  # fmt: skip
        return [
            rules.DATE_BEYOND_EVIDENCE.at(
                where,
                f"the stated date `{stated.text}` {found} the machine only "
                f"{days_in_words(allowed)}",
                accepted=shown,
            )
        ]
    if common != allowed and not stated.approximate:
        return [
            rules.DATE_WITHOUT_EVIDENCE.at(
                where,
                f"the stated date `{stated.text}` is narrower than the firm evidence, which "
                f"allows the machine {days_in_words(allowed)}",
                accepted=shown,
            )
        ]
    return []


def _attribution(machine: Machine) -> list[Finding]:
    found = attribution_of(machine)
    if found is None:
        return []
    findings: list[Finding] = []
    if found.stated is not None and found.stated_candidate is None:
        findings.append(
            rules.ATTRIBUTION_NOT_A_CANDIDATE.at(
                machine.locate("maker.name"),
                f"the maker `{found.stated}` is not among the candidates under attribution",
                accepted=", ".join(each.name for each in machine.attribution),
            )
        )
    candidate = found.stated_candidate
    if candidate is not None and candidate.against and not candidate.in_favour:
        findings.append(
            rules.ATTRIBUTION_AGAINST.at(
                machine.locate(candidate.at),
                f"only features against `{candidate.name}` are listed, who is stated as the maker",
                accepted="`in_favour: [maker's plate]`",
            )
        )
    if len(found.open) > 1:
        findings.append(rules.ATTRIBUTION_OPEN.at(machine.locate("attribution"), found.statement))
    return findings


def _parts(machine: Machine) -> list[Finding]:
    findings: list[Finding] = []
    made = machine.made.date if machine.made is not None else None
    for part in machine.parts:
        if machine.part(part.name) is not part:
            findings.append(
                rules.PART_LISTED_TWICE.at(
                    machine.locate(f"{part.at}.name"),
                    f"the part `{part.name}` is listed again",
                    accepted="a name of its own for each part",
                )
            )
        changed = [
            name
            for name, value in (
                ("date", part.date),
                ("by", part.by),
                ("reversible", part.reversible),
            )
            if value is not None
        ]
        if part.state is PartState.ORIGINAL and changed:
            findings.append(
                rules.PART_ORIGINAL_CHANGED.at(
                    machine.locate(f"{part.at}.{changed[0]}"),
                    f"the part `{part.name}` is original, but has {', '.join(changed)} of a change",
                    accepted="the state restored or replaced",
                )
            )
        latest = part.date.latest.day if part.date is not None else None
        if latest is not None and made is not None and made.earliest.day is not None:  # noqa: SIM102 - reads better apart
            if latest < made.earliest.day:
                findings.append(
                    rules.PART_BEFORE_MACHINE.at(
                        machine.locate(f"{part.at}.date"),
                        f"the part `{part.name}` is said to have been changed in "
                        f"{part.date.text if part.date else ''}, before the machine was made "
                        f"({made.text})",
                        accepted="a date after the making",
                    )
                )
    return findings
