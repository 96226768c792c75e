"""One table: our terms, and the terms of each standard for them.

Sources: preservation vocabularies of the Library of Congress at id.loc.gov (codes
from machine copies of the published lists), LIDO Terminology (public uses that
agree), Getty AAT (only ids on whose meaning public records of several institutions
agree), DCMI Type Vocabulary, DataCite Metadata Schema 4.6 controlled lists. Where no
concept is confirmed the URI is empty: an empty one is legal, a guessed one is a
defect. :func:`unmapped_terms` says which terms of a session have none.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from archiver.describe import rules
from archiver.describe.facts import EventKind, FileRole, Outcome
from archiver.findings import Finding
from archiver.session.records import Role, Session

__all__ = [
    "AAT",
    "AAT_SOUND_RECORDINGS",
    "AGENT_TYPES",
    "CUSTODY_TERMS",
    "DATACITE_CONTRIBUTORS",
    "DCMI_TYPES",
    "DIGESTS",
    "EBUCORE_ROLES",
    "EVENT_ROLES",
    "EVENT_TYPES",
    "LIDO_EVENTS",
    "OUTCOMES",
    "PREMIS_BASE",
    "PREMIS_LISTS",
    "RELATIONSHIPS",
    "RELATIONSHIP_PARTS",
    "RIGHTS_BASES",
    "Concept",
    "DigestName",
    "PremisTerm",
    "custody_event",
    "machine_concept",
    "unmapped_terms",
]

PREMIS_BASE = "http://id.loc.gov/vocabulary/preservation/"
AAT = "http://vocab.getty.edu/aat/"
_LIDO_BASE = "http://terminology.lido-schema.org/"


@dataclass(frozen=True, slots=True, kw_only=True)
class PremisTerm:
    """A term of a preservation vocabulary: list, code and label."""

    scheme: str
    code: str
    label: str
    authority: Mapping[str, str] = field(init=False, compare=False, repr=False)

    def __post_init__(self) -> None:
        """Compose the attributes that stand beside the label."""
        attributes = {
            "authority": self.scheme,
            "authorityURI": PREMIS_BASE + self.scheme,
            "valueURI": self.uri,
        }
        object.__setattr__(self, "authority", attributes)

    @property
    def uri(self) -> str:
        """URI of the term."""
        return f"{PREMIS_BASE}{self.scheme}/{self.code}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Concept:
    """A label, and the URI of the concept where it is confirmed; else empty."""

    label: str
    uri: str = ""


PREMIS_LISTS: Mapping[str, Mapping[str, str]] = {
    "eventType": {
        "acc": "accession",
        "cap": "capture",
        "cre": "creation",
        "fix": "fixity check",
        "ing": "ingestion",
        "ipc": "information package creation",
        "mem": "metadata modification",
        "mes": "message digest calculation",
        "mig": "migration",
        "qua": "quarantine",
        "rec": "recovery",
        "rep": "replication",
        "tra": "transfer",
        "val": "validation",
    },
    "agentType": {"per": "person", "org": "organization", "sof": "software", "har": "hardware"},
    "eventOutcome": {"suc": "success", "fai": "fail", "war": "warning"},
    "eventRelatedAgentRole": {"imp": "implementer", "exe": "executing program"},
    "rightsBasis": {
        "cop": "copyright",
        "lic": "license",
        "sta": "statute",
        "ins": "institutional policy",
        "oth": "other",
    },
    "relationshipType": {
        "der": "derivation",
        "str": "structural",
        "dep": "dependency",
        "rep": "replacement",
    },
    "relationshipSubType": {
        "hss": "has source",
        "iso": "is source of",
        "hsp": "has part",
        "isp": "is part of",
        "inc": "includes",
        "isr": "is represented by",
        "rep": "represents",
        "req": "requires",
    },
    "cryptographicHashFunctions": {
        "md5": "MD5",
        "sha1": "SHA-1",
        "sha256": "SHA-256",
        "sha384": "SHA-384",
        "sha512": "SHA-512",
    },
}
"""The terms that are written or understood here, by list and code."""


def _term(scheme: str, code: str) -> PremisTerm:
    return PremisTerm(scheme=scheme, code=code, label=PREMIS_LISTS[scheme][code])


EVENT_TYPES: Mapping[EventKind, PremisTerm] = {
    EventKind.CAPTURE: _term("eventType", "cap"),
    EventKind.CREATION: _term("eventType", "cre"),
    EventKind.ACCESS_COPY: _term("eventType", "cre"),
    EventKind.EMBEDDING: _term("eventType", "mem"),
    EventKind.DIGESTS: _term("eventType", "mes"),
    EventKind.VALIDATION: _term("eventType", "val"),
    EventKind.FIXITY_CHECK: _term("eventType", "fix"),
    EventKind.PACKAGING: _term("eventType", "ipc"),
    EventKind.INGESTION: _term("eventType", "ing"),
    EventKind.REPLICATION: _term("eventType", "rep"),
    EventKind.REPAIR: _term("eventType", "rec"),
    EventKind.TRANSFER: _term("eventType", "tra"),
    EventKind.ACCESSION: _term("eventType", "acc"),
    EventKind.QUARANTINE: _term("eventType", "qua"),
}
OUTCOMES: Mapping[Outcome, PremisTerm] = {
    Outcome.SUCCESS: _term("eventOutcome", "suc"),
    Outcome.WARNING: _term("eventOutcome", "war"),
    Outcome.FAILURE: _term("eventOutcome", "fai"),
}
AGENT_TYPES: Mapping[str, PremisTerm] = {
    label: _term("agentType", code) for code, label in PREMIS_LISTS["agentType"].items()
}
EVENT_ROLES: Mapping[str, PremisTerm] = {
    label: _term("eventRelatedAgentRole", code)
    for code, label in PREMIS_LISTS["eventRelatedAgentRole"].items()
}
RIGHTS_BASES: Mapping[str, PremisTerm] = {
    label: _term("rightsBasis", code) for code, label in PREMIS_LISTS["rightsBasis"].items()
}
RELATIONSHIPS: Mapping[str, PremisTerm] = {
    label: _term("relationshipType", code)
    for code, label in PREMIS_LISTS["relationshipType"].items()
}
RELATIONSHIP_PARTS: Mapping[str, PremisTerm] = {
    label: _term("relationshipSubType", code)
    for code, label in PREMIS_LISTS["relationshipSubType"].items()
}


@dataclass(frozen=True, slots=True, kw_only=True)
class DigestName:
    """A digest algorithm: its name in METS and EBUCore, its PREMIS term, its length."""

    name: str
    term: PremisTerm
    hex_digits: int


DIGESTS: Mapping[str, DigestName] = {
    code: DigestName(
        name=label, term=_term("cryptographicHashFunctions", code), hex_digits=hex_digits
    )
    for (code, label), hex_digits in zip(
        PREMIS_LISTS["cryptographicHashFunctions"].items(), (32, 40, 64, 96, 128), strict=True
    )
}
"""By the name of the manifest, such as ``sha256`` (RFC 8493, 2.4)."""

EBUCORE_ROLES: Mapping[Role, str] = {
    Role.MACHINE_OPERATOR: "machine operator",
    Role.PERFORMER: "performer",
    Role.RECORDING_ENGINEER: "sound engineer",
    Role.ANNOUNCER: "announcer",
    Role.PHOTOGRAPHER: "photographer",
    Role.CURATOR: "curator",
    Role.OBSERVER: "observer",
}
DATACITE_CONTRIBUTORS: Mapping[Role, str] = {
    Role.MACHINE_OPERATOR: "DataCollector",
    Role.PERFORMER: "RelatedPerson",
    Role.RECORDING_ENGINEER: "DataCollector",
    Role.ANNOUNCER: "RelatedPerson",
    Role.PHOTOGRAPHER: "DataCollector",
    Role.CURATOR: "DataCurator",
    Role.OBSERVER: "Other",
}
DCMI_TYPES: Mapping[FileRole, str] = {
    FileRole.MASTER: "Sound",
    FileRole.ORIGINAL: "Sound",
    FileRole.ACCESS: "Sound",
    FileRole.PHOTOGRAPH: "StillImage",
    FileRole.DOCUMENT: "Text",
    FileRole.RESTRICTED: "Text",
    FileRole.METADATA: "Dataset",
}

LIDO_EVENTS: Mapping[str, Concept] = {
    "production": Concept(label="Production", uri=_LIDO_BASE + "lido00007"),
    "modification": Concept(label="Modification", uri=_LIDO_BASE + "lido00006"),
    "use": Concept(label="Use", uri=_LIDO_BASE + "lido00011"),
    "change of custody": Concept(
        label="Change of physical control or legal title", uri=_LIDO_BASE + "lido01151"
    ),
}
CUSTODY_TERMS: Mapping[str, str] = {
    word: event
    for event, words in (
        (
            "change of custody",
            (
                "accession accessioned acquired acquisition auction auctioned bequeathed bequest "
                "bought donated donation gift given inherited loan lent purchase purchased sale "
                "sold transfer transferred"
            ),
        ),
        (
            "modification",
            (
                "cleaned converted modified overhaul overhauled refitted relined renewed repair "
                "repaired replaced restoration restored"
            ),
        ),
        ("use", "demonstrated played used"),
    )
    for word in words.split()
}
"""Words in the text of a custody event that tell what kind of event it is."""

AAT_SOUND_RECORDINGS = Concept(label="sound recordings", uri=AAT + "300028633")
_MACHINES: Mapping[str, Concept] = {
    "cylinder phonograph": Concept(label="cylinder phonographs", uri=AAT + "300265798"),
    "cylinder phonographs": Concept(label="cylinder phonographs", uri=AAT + "300265798"),
}

_WORD = re.compile(r"\w+")


def machine_concept(kind: str) -> Concept:
    """Return the concept of a type of machine; without URI where none is confirmed."""
    return _MACHINES.get(kind.strip().lower(), Concept(label=kind))


def custody_event(text: str | None) -> Concept:
    """Return the kind of a custody event; without URI where its words do not tell.

    A custody event without words is a change of hands, which the record is for.
    """
    if not text:
        return LIDO_EVENTS["change of custody"]
    for word in _WORD.findall(text.lower()):
        event = CUSTODY_TERMS.get(word)
        if event is not None:
            return LIDO_EVENTS[event]
    return Concept(label="Event")


def unmapped_terms(session: Session) -> tuple[Finding, ...]:
    """Say which terms of a session have no confirmed concept in a shared vocabulary."""
    return tuple(_unmapped(session))


def _unmapped(session: Session) -> Iterable[Finding]:
    for machine in session.machines:
        if not machine_concept(machine.type).uri:
            yield rules.TERM_UNMAPPED.at(
                machine.locate("type"),
                f"no concept of the Art & Architecture Thesaurus is confirmed for `{machine.type}`",
            )
        for number, event in enumerate(machine.custody):
            if not custody_event(event.event).uri:
                yield rules.TERM_UNMAPPED.at(
                    machine.locate(f"custody[{number}].event"),
                    f"`{event.event}` does not tell whether hands, the machine or its use changed",
                    accepted=", ".join(sorted(CUSTODY_TERMS)),
                )
