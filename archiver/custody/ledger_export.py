"""The ledger in forms that others read: JSON lines, and PREMIS events.

Source of the second: PREMIS Data Dictionary 3.0 (entities event, object, agent) and its
XML schema of 18 January 2016; terms from the preservation vocabularies of the Library of
Congress, as the description room writes them.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator

from archiver.custody.entry import Entry, EntryKind
from archiver.custody.ledger_events import (
    Organisation,
    by_program,
    detail_of,
    note_of,
    organisations_of,
    outcome_of,
)

__all__ = ["json_lines", "premis_events"]

_LOCAL = "local"
_AGENT = "program"


def json_lines(entries: Iterable[Entry]) -> Iterator[str]:
    """Write each entry as one line of JSON, as ``ledger.schema.json`` describes it.

    Without its member ``digest`` a line is the canonical form that the digest is taken over,
    so that ``jq -cjS 'del(.digest)' | sha256sum`` recomputes it.
    """
    for entry in entries:
        yield (
            json.dumps(entry.as_json(), ensure_ascii=False, sort_keys=True, separators=(",", ":"))
            + "\n"
        )


def premis_events(entries: Iterable[Entry], *, program: str, version: str) -> bytes:
    """Write checks, repairs, deposits and receipts as a PREMIS 3.0 document.

    Parameters
    ----------
    entries : iterable of Entry
        Those that are no event of one bag are left out.
    program, version : str
        What wrote the document.

    Returns
    -------
    bytes
        UTF-8, valid against the schema of PREMIS 3.0: each bag as an intellectual entity,
        each entry as an event.
    """
    from archiver.describe.facts import EventKind, Outcome  # noqa: PLC0415 - loads much
    from archiver.describe.premis_terms import (  # noqa: PLC0415
        PREMIS,
        XSI_TYPE,
        add_identifier,
        add_term,
        premis_root,
    )
    from archiver.describe.vocabulary import (  # noqa: PLC0415
        AGENT_TYPES,
        EVENT_ROLES,
        EVENT_TYPES,
        OUTCOMES,
    )
    from archiver.describe.xmltree import serialised  # noqa: PLC0415

    kinds = {
        EntryKind.CHECK: EventKind.FIXITY_CHECK,
        EntryKind.REPAIRED: EventKind.REPAIR,
        EntryKind.REPAIR_FAILED: EventKind.REPAIR,
        EntryKind.REPLICATED: EventKind.REPLICATION,
        EntryKind.DEPOSITED: EventKind.TRANSFER,
        EntryKind.RECEIPT: EventKind.ACCESSION,
        EntryKind.RECEIVED: EventKind.INGESTION,
        EntryKind.QUARANTINED: EventKind.QUARANTINE,
    }
    told = [entry for entry in entries if entry.bag and entry.kind in kinds]
    of_bag: dict[tuple[str, str], list[Entry]] = {}
    for entry in told:
        of_bag.setdefault((entry.store, entry.bag), []).append(entry)
    root = premis_root()
    for (store, bag), events in of_bag.items():
        element = PREMIS.add(root, "object", attributes={XSI_TYPE: "premis:intellectualEntity"})
        add_identifier(element, "object", _LOCAL, _bag_identifier(store, bag))
        for entry in events:
            add_identifier(
                element,
                "linkingEvent",
                _LOCAL,
                _event_identifier(entry),
                wrapper="linkingEventIdentifier",
            )
    organisations: dict[Organisation, None] = {}
    for entry in told:
        facts = entry.parsed_facts()
        event = PREMIS.add(root, "event")
        add_identifier(event, "event", _LOCAL, _event_identifier(entry))
        add_term(event, "eventType", EVENT_TYPES[kinds[EntryKind(entry.kind)]])
        PREMIS.add(event, "eventDateTime", entry.moment)
        detail = PREMIS.add(event, "eventDetailInformation")
        PREMIS.add(detail, "eventDetail", detail_of(entry, facts))
        information = PREMIS.add(event, "eventOutcomeInformation")
        add_term(information, "eventOutcome", OUTCOMES[Outcome(outcome_of(entry, facts))])
        note = PREMIS.add(information, "eventOutcomeDetail")
        PREMIS.add(note, "eventOutcomeDetailNote", note_of(entry, facts))
        roles = [
            (organisation.identifier, "implementer")
            for organisation in organisations_of(entry, facts)
        ]
        organisations.update(dict.fromkeys(organisations_of(entry, facts)))
        if by_program(entry) or not roles:
            roles.append((_AGENT, "executing program"))
        for identifier, role in roles:
            link = add_identifier(
                event, "linkingAgent", _LOCAL, identifier, wrapper="linkingAgentIdentifier"
            )
            add_term(link, "linkingAgentRole", EVENT_ROLES[role])
        add_identifier(
            event,
            "linkingObject",
            _LOCAL,
            _bag_identifier(entry.store, entry.bag),
            wrapper="linkingObjectIdentifier",
        )
    agent = PREMIS.add(root, "agent")
    add_identifier(agent, "agent", _LOCAL, _AGENT)
    PREMIS.add(agent, "agentName", program)
    add_term(agent, "agentType", AGENT_TYPES["software"])
    PREMIS.add(agent, "agentVersion", version)
    for organisation in organisations:
        agent = PREMIS.add(root, "agent")
        add_identifier(agent, "agent", _LOCAL, organisation.identifier)
        PREMIS.add(agent, "agentName", organisation.name)
        add_term(agent, "agentType", AGENT_TYPES["organization"])
    return serialised(root)


def _bag_identifier(store: str, bag: str) -> str:
    return f"{store}/{bag}"


def _event_identifier(entry: Entry) -> str:
    # The digest makes it the same in every export, and one of a kind in the world.
    return f"ledger-{entry.number}-{entry.digest[:16]}"
