"""The ledger in forms that others read: JSON lines, and PREMIS fixity-check events.

Source of the second: PREMIS Data Dictionary 3.0 (entities event, object, agent) and its
XML schema of 18 January 2016; terms from the preservation vocabularies of the Library of
Congress, as the description room writes them.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator

from archiver.custody.entry import Entry, EntryKind

__all__ = ["json_lines", "premis_events"]

_LOCAL = "local"
_AGENT = "program"
_NOTE_LIMIT = 4000


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
    """Write the checks and repairs as a PREMIS 3.0 document.

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
    for entry in told:
        facts = entry.parsed_facts()
        event = PREMIS.add(root, "event")
        add_identifier(event, "event", _LOCAL, _event_identifier(entry))
        add_term(event, "eventType", EVENT_TYPES[kinds[EntryKind(entry.kind)]])
        PREMIS.add(event, "eventDateTime", entry.moment)
        detail = PREMIS.add(event, "eventDetailInformation")
        PREMIS.add(detail, "eventDetail", _detail(entry, facts))
        information = PREMIS.add(event, "eventOutcomeInformation")
        add_term(information, "eventOutcome", OUTCOMES[Outcome(_outcome(entry, facts))])
        note = PREMIS.add(information, "eventOutcomeDetail")
        PREMIS.add(note, "eventOutcomeDetailNote", _note(entry, facts))
        link = add_identifier(
            event, "linkingAgent", _LOCAL, _AGENT, wrapper="linkingAgentIdentifier"
        )
        add_term(link, "linkingAgentRole", EVENT_ROLES["executing program"])
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
    return serialised(root)


def _bag_identifier(store: str, bag: str) -> str:
    return f"{store}/{bag}"


def _event_identifier(entry: Entry) -> str:
    # The digest makes it the same in every export, and one of a kind in the world.
    return f"ledger-{entry.number}-{entry.digest[:16]}"


def _detail(entry: Entry, facts: dict[str, object]) -> str:
    if entry.kind == EntryKind.CHECK:
        algorithms = facts.get("algorithms")
        names = ", ".join(str(name) for name in algorithms) if isinstance(algorithms, list) else ""
        return f"Depth: {facts.get('depth')}; algorithms: {names or 'none'}"
    return f"{entry.kind}: {facts.get('path', 'whole bag')}"


def _outcome(entry: Entry, facts: dict[str, object]) -> str:
    if entry.kind == EntryKind.REPAIR_FAILED:
        return "failure"
    if entry.kind != EntryKind.CHECK:
        return "success"
    match facts.get("verdict"):
        case "intact":
            return "success"
        case "complete" | "cannot be established":
            return "warning"
        case _:
            return "failure"


def _note(entry: Entry, facts: dict[str, object]) -> str:
    lines = [str(facts.get("verdict", entry.kind))]
    findings = facts.get("findings")
    if isinstance(findings, list):
        lines += [
            f"{found.get('code')}: {found.get('where')}: {found.get('message')}"
            for found in findings
            if isinstance(found, dict)
        ]
    if "bytes_read" in facts:
        lines.append(f"{facts['bytes_read']} of {facts.get('bytes_held')} bytes read")
    lines.append(f"Ledger entry {entry.number}, SHA-256 {entry.digest}")
    return "\n".join(lines)[:_NOTE_LIMIT]
