"""Rights against restrictions: whether a licence allows what a restriction forbids.

Licences are known by their web address (Creative Commons 1.0 to 4.0, the public
domain marks, and the statements of rightsstatements.org); statements and
restrictions in words are searched for the usual English phrases. Words that are not
understood say nothing, so that silence is no proof.
"""

from __future__ import annotations

import enum
import re

from archiver.findings import Finding
from archiver.session import plausibility_rules as rules
from archiver.session.day import Day
from archiver.session.edtf import EdtfDate
from archiver.session.records import Rights, RightsLayer, Session
from archiver.session.references import VOICES
from archiver.session.vocabulary import Purpose

__all__ = ["Act", "acts_allowed_by_uri", "acts_forbidden", "check_rights"]


class Act(enum.StrEnum):
    """What somebody may do with a recording."""

    PUBLISH = "publishing"
    COPY = "copying"
    ALTER = "altering"
    COMMERCE = "commercial use"


_ALL = frozenset(Act)
_CREATIVE_COMMONS = re.compile(
    r"^https?://(?:www\.)?creativecommons\.org/(?:licenses/(?P<terms>by(?:-nc)?(?:-nd|-sa)?)/"
    r"|publicdomain/(?P<free>zero|mark)/)",
    re.IGNORECASE,
)
_IN_COPYRIGHT = re.compile(
    r"^https?://(?:www\.)?rightsstatements\.org/(?:vocab|page)/InC", re.IGNORECASE
)
_NOT = r"\b(?:not|no|never|neither|nor|without|forbidden|prohibited)\b"
_NEAR = r"[^.;]{0,60}?\b"
_WORDS = {
    Act.PUBLISH: r"(?:publi(?:sh|cation)\w*|broadcast\w*|shown? in public|made public)",
    Act.COPY: r"(?:cop(?:y|ies|ied|ying)|reproduc\w+|duplicat\w+|download\w*|distribut\w+|shar(?:ed?|ing))",
    Act.ALTER: r"(?:alter\w*|modif\w+|edit(?:ed|ing|s)?|adapt\w*|derivative\w*|remix\w*)",
    Act.COMMERCE: r"(?:commerc\w+|sold|sale)",
}
_FORBID = {
    act: re.compile(f"{_NOT}{_NEAR}{words}|{words}{_NEAR}{_NOT}", re.IGNORECASE)
    for act, words in _WORDS.items()
}
_CLOSED = re.compile(
    r"\b(?:closed (?:until|for|to)|embargo\w*|confidential|not (?:public|accessible)|no (?:public )?access"
    r"|(?:reading room|on[ -]site|in[ -]house|internal(?: use)?|staff|research(?: use| purposes)?"
    r"|private study|educational(?: use| purposes)?|teaching)\s+only)\b",
    re.IGNORECASE,
)
_NON_COMMERCIAL = re.compile(r"\bnon-?commercial\b", re.IGNORECASE)
_MAY = {
    act: re.compile(rf"\bmay (?:freely )?be{_NEAR}{words}", re.IGNORECASE)
    for act, words in _WORDS.items()
}
_MAY_NOT = re.compile(r"\bmay (?:not|never|only)\b", re.IGNORECASE)
_FREE = re.compile(
    r"\b(?:public domain|free (?:of rights|to use)|no rights reserved)\b", re.IGNORECASE
)
_RESERVED = re.compile(r"\ball rights (?:are )?reserved\b", re.IGNORECASE)
# A limit of time or a condition is not a ban that lasts; it still bans until then.
_UNLESS = re.compile(r"\b(?:unless|except|without (?:credit|attribution|naming))\b", re.IGNORECASE)


def acts_allowed_by_uri(uri: str | None) -> frozenset[Act]:
    """Return what a licence of this address allows everybody; empty if it is not known."""
    match = _CREATIVE_COMMONS.match(uri or "")
    if match is None:
        return frozenset()
    if match["free"]:
        return _ALL
    terms = match["terms"].lower().split("-")
    barred = {Act.COMMERCE} if "nc" in terms else set()
    if "nd" in terms:
        barred.add(Act.ALTER)
    return _ALL - barred


def acts_forbidden(text: str) -> frozenset[Act]:
    """Return what a restriction in words forbids, as far as its words are usual ones."""
    found: set[Act] = set()
    for clause in re.split(r"[.;]\s", text):
        if _UNLESS.search(clause):
            continue
        found |= {act for act, phrase in _FORBID.items() if phrase.search(clause)}
        if _CLOSED.search(clause):
            found |= {Act.PUBLISH, Act.COMMERCE}
        if _NON_COMMERCIAL.search(clause):
            found.add(Act.COMMERCE)
    return frozenset(found)


def acts_allowed_by_words(text: str) -> frozenset[Act]:
    """Return what a statement in words allows, as far as its words are usual ones."""
    if _FREE.search(text):
        return _ALL
    found: set[Act] = set()
    for sentence in re.split(r"[.;]\s", text):
        if not _MAY_NOT.search(sentence):
            found |= {act for act, phrase in _MAY.items() if phrase.search(sentence)}
    return frozenset(found)


def check_rights(session: Session) -> list[Finding]:
    """Check rights, their web address, closing dates, restrictions and consents."""
    rights = session.rights
    by_uri, by_words = acts_allowed_by_uri(rights.uri), acts_allowed_by_words(rights.statement)
    allowed = by_uri or by_words
    source = f"the licence {rights.uri}" if by_uri else "the rights statement"
    findings = [
        rules.RIGHTS_CONTRADICT_RESTRICTION.at(
            session.locate(f"session.restrictions[{number}]"),
            f"the restriction `{' '.join(text.split())}` forbids {_listed(clash)}, "
            f"which {source} allows everybody",
            accepted="a restriction that the rights leave room for",
        )
        for number, text in enumerate(session.restrictions)
        if (clash := acts_forbidden(text) & allowed)
    ]
    findings += _by_itself(session, rights, "session.rights")
    for layer in rights.layers:
        findings += _by_itself(session, layer, layer.at)
    return findings + _consents(session, allowed, source)


def _by_itself(session: Session, rights: Rights | RightsLayer, at: str) -> list[Finding]:
    """Check one statement of rights against its own address and closing date."""
    findings: list[Finding] = []
    by_uri = acts_allowed_by_uri(rights.uri)
    closed = rights.closed_until
    if by_uri and closed is not None and _is_ahead(session, closed):
        findings.append(
            rules.RIGHTS_CONTRADICT_RESTRICTION.at(
                session.locate(f"{at}.closed_until"),
                f"the recordings are closed until {closed.text}, and {rights.uri} allows "
                f"everybody {_listed(by_uri)} now",
                accepted="rights that begin when the closing ends",
            )
        )
    if by_uri and _RESERVED.search(rights.statement):
        found = f"the statement reserves all rights, and {rights.uri} gives them away"
    elif by_uri and (clash := acts_forbidden(rights.statement) & by_uri):
        found = f"the statement forbids {_listed(clash)}, which {rights.uri} allows everybody"
    elif _IN_COPYRIGHT.match(rights.uri or "") and _FREE.search(rights.statement):
        found = (
            f"the statement says that the recordings are free, and {rights.uri} that they are not"
        )
    else:
        return findings
    return [
        *findings,
        rules.RIGHTS_CONTRADICT_THEMSELVES.at(
            session.locate(f"{at}.statement"), found, accepted="one and the same in both"
        ),
    ]


def _is_ahead(session: Session, closed: EdtfDate) -> bool:
    last = closed.latest.day
    start = session.start.moment
    return last is None or last >= Day(start.year, start.month, start.day)


def _consents(session: Session, allowed: frozenset[Act], source: str) -> list[Finding]:
    """Check the consent of each voice against the day and against the rights."""
    findings: list[Finding] = []
    for operator in session.operators:
        consent = operator.consent
        if consent is None or not consent.given:
            continue
        if consent.until is not None and not _is_ahead(session, consent.until):
            findings.append(
                rules.CONSENT_RAN_OUT.at(
                    session.locate(f"{operator.at}.consent.until"),
                    f"the consent of {operator.name} held until {consent.until.text}, and the "
                    f"session is of {session.start.text}",
                    accepted="a date after the session",
                )
            )
        if (
            operator.role in VOICES
            and Act.PUBLISH in allowed
            and not consent.covers(Purpose.PUBLICATION)
        ):
            findings.append(
                rules.CONSENT_NARROWER_THAN_RIGHTS.at(
                    session.locate(f"{operator.at}.consent.purposes"),
                    f"{operator.name} agreed to {', '.join(consent.purposes)}, and {source} "
                    "allows everybody publishing",
                    accepted="publication among the purposes, or narrower rights",
                )
            )
    return findings


def _listed(acts: frozenset[Act]) -> str:
    return " and ".join(act for act in Act if act in acts)
