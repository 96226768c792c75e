"""Cautions: what of a session may harm people, from materials, drives and condition.

These are the usual cautions of the trade, not advice for a case: local codes come
first, and work that the law keeps for licensed people is theirs. What is not named in
the record raises no caution, so silence is no all-clear.

Sources are named with each caution; titles and numbers of the documents are written from
memory. Where the trade agrees without a document, the source says "common practice". The words of other
languages are in :mod:`archiver.session.caution_words`.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from archiver.session.caution_words import read_hazards
from archiver.session.records import DriveKind, Machine, MediumKind, Session
from archiver.telling import excerpt

__all__ = ["DEFERRING", "Caution", "caution_note", "cautions_of"]

DEFERRING = (
    "These are the usual cautions, not advice for your case: local codes come first, and work "
    "that the law keeps for licensed people is left to them."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """One caution and what it rests on.

    Parameters
    ----------
    code : str
        Stable word, such as ``lead``.
    subject : str
        What it is about, in a few words.
    text : str
        What is usually done and not done.
    source : str
        Where the usual practice is written, or ``common practice``.
    because : tuple of str
        Where the record speaks of it, such as ``machine vesterholm-b, finish: black japan``.
    """

    code: str
    subject: str
    text: str
    source: str
    because: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Return the caution as JSON."""
        return {
            "code": self.code,
            "subject": self.subject,
            "text": self.text,
            "source": self.source,
            "because": list(self.because),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kind:
    """A caution and the words that raise it. ``unless`` are words that take them back."""

    code: str
    subject: str
    text: str
    source: str
    words: re.Pattern[str]
    unless: re.Pattern[str] = re.compile(r"(?!)")


def _words(*words: str) -> re.Pattern[str]:
    return re.compile(rf"\b(?:{'|'.join(words)})", re.IGNORECASE)


_COMMON = "common practice"
_EXCERPT = 80
_KINDS = (
    _Kind(
        code="lead",
        subject="lead in paint, japan or solder",
        text="Treat as lead-bearing until tested. No sanding, scraping or heating, no dust; wipe "
        "damp, wear gloves, wash hands before eating. Testing, removal and disposal follow the "
        "local rules.",
        source="common practice; European Directive 98/24/EC on chemical agents at work",
        words=_words(
            r"lead(?!ing|er|s\b|\s+screw|-in|-out|[- ]foil)",
            r"red lead",
            r"white lead",
            r"(?<!in )japan(?:ned)?\b",
            r"gilt line",
            r"old paint",
            r"grey paint",
            r"terne",
        ),
        unless=_words(r"lead[- ]free", r"no lead", r"tested[^.;]*free", r"leads renewed"),
    ),
    _Kind(
        code="foil-lead",
        subject="foil whose metal is not known for certain",
        text="Old foil for recording may be tin, lead, or an alloy of the two, and the name tin foil "
        "does not tell which. Until it is known, touch it with gloves, keep it away from food, wash "
        "hands; do not burn or melt it. Testing and disposal follow the local rules.",
        source=_COMMON,
        words=_words(r"lead foil", r"tin ?foil", r"tinfoil", r"stanniol"),
        unless=_words(r"alumini?um", r"lead[- ]free", r"tested[^.;]*free", r"pure tin"),
    ),
    _Kind(
        code="mould",
        subject="mouldy wax, cases or papers",
        text="Mould can harm the lungs. Do not play, brush or blow on it in the room; bag it, keep "
        "it apart from the collection, and let a conservator decide. Gloves and mask as the local "
        "rules ask.",
        source="common practice; WHO guidelines for indoor air quality: dampness and mould, 2009",
        words=_words(
            r"mou?ld(?:y|ed|\b)(?!\s+(?:plastic|shellac|record))",
            r"mildew",
            r"fung(?:us|i|al)",
            r"white bloom",
        ),
        unless=_words(r"no mou?ld", r"no trace of mou?ld", r"free of mou?ld", r"without mou?ld"),
    ),
    _Kind(
        code="asbestos",
        subject="asbestos in gaskets, mats or boards",
        text="Old gaskets, heat mats and resistor boards may hold asbestos. Do not cut, sand, brush "
        "or blow them; leave bags shut. Testing, removal and disposal follow the local code and "
        "are for a licensed firm.",
        source="common practice; European Directive 2009/148/EC on asbestos at work",
        words=_words(
            r"asbest",
            r"old gasket",
            r"old (?:hard )?rings",
            r"fibre mat",
            r"heat mat",
            r"resistor mat",
        ),
        unless=_words(r"asbestos[- ]free", r"no asbestos", r"tested[^.;]*free"),
    ),
    _Kind(
        code="celluloid",
        subject="celluloid (cellulose nitrate)",
        text="It burns fiercely and can light by itself when it decays. Keep it from heat, lamps, "
        "sparks and sun, away from other objects and with air around it. Storage of larger "
        "amounts and disposal follow the local fire code.",
        source="common practice; NFPA 40 on cellulose nitrate film",
        words=_words(r"celluloid", r"cellulose nitrate", r"nitrate", r"xylonite", r"pyralin"),
        unless=_words(r"no nitrate", r"no celluloid"),
    ),
    _Kind(
        code="spring",
        subject="spring under tension",
        text="A wound spring can maim. Let it down before the case is opened or the machine is "
        "carried; a spring barrel is opened by a trained repairer only.",
        source=_COMMON,
        words=_words(
            r"spring under tension",
            r"main ?spring",
            r"spring motor",
            r"spring barrel",
            r"wound spring",
        ),
    ),
    _Kind(
        code="mains",
        subject="mains wiring of an old motor or lamp",
        text="Old wiring has often no earth, bare terminals and brittle insulation. Feed it only "
        "from an isolated supply with a current limit, never from a wall socket; work on the "
        "wiring is for a licensed electrician under the local code.",
        source="common practice; IEC 60364-4-41 on protection against electric shock",
        words=_words(
            r"mains\b", r"electric motor", r"\d{2,3} ?V\b", r"bare terminals", r"line voltage"
        ),
        unless=_words(r"battery only", r"extra[- ]low voltage"),
    ),
    _Kind(
        code="mercury",
        subject="mercury in switches, contacts or governors",
        text="Keep the machine level and the vessel shut. Do not touch, vacuum or sweep spilt "
        "mercury: leave the room, air it, and call those whom the local rules name.",
        source="common practice; WHO fact sheet on mercury and health",
        words=_words(r"mercury", r"quicksilver", r"mercurial"),
        unless=_words(r"no mercury"),
    ),
    _Kind(
        code="radium",
        subject="radium paint on dials or hands",
        text="Luminous paint of the time before about 1960 may hold radium, whether it still glows "
        "or not. Do not open the glass, scrape or dust it; wash hands. Testing, marking and "
        "disposal follow the local radiation rules.",
        source=_COMMON,
        words=_words(r"radium", r"luminous (?:paint|dial|hands|figures)", r"radioactiv"),
        unless=_words(r"no radium", r"tested[^.;]*free"),
    ),
    _Kind(
        code="soft-wax",
        subject="wax that softens and breaks",
        text="Handle a cylinder with two fingers spread inside it, never on the grooves; let it "
        "come to the temperature of the room before it goes on a mandrel. Every playing takes "
        "something away: count it.",
        source="common practice; IASA-TC 05 on handling and storage of carriers",
        words=_words(r"wax cylinder", r"wax disc", r"brown wax"),
    ),
)


@functools.lru_cache(maxsize=4096)
def _raised_by(text: str, language: str) -> tuple[str, ...]:
    """Return the codes of the cautions that a text raises, in a session of a language.

    The texts of a record are looked through several times in a run.
    """
    found = []
    for kind in _KINDS:
        # Nearly always there is nothing to take back, and one reading serves all kinds.
        reading = read_hazards(kind.unless.sub(" ", text), language)
        if kind.code in reading.codes or kind.words.search(reading.rest):
            found.append(kind.code)
    return tuple(found)


def cautions_of(session: Session) -> tuple[Caution, ...]:
    """Return the cautions of a session, each once, with everything that raises it.

    A hazard that a machine file names is always told: in the words of its own note
    where it is of none of the known kinds.
    """
    raised: dict[str, list[str]] = {}
    others: list[Caution] = []
    language = session.language.partition("-")[0].lower()
    for machine in session.machines:
        for hazard in machine.hazards:
            text = f"{hazard.kind}. {hazard.note or ''}"
            place = f"machine {machine.id}, hazards"
            known = _raised_by(hazard.kind, language)
            for code in known:
                raised.setdefault(code, []).append(f"{place}: {excerpt(hazard.kind, _EXCERPT)}")
            if not known:
                others.append(
                    Caution(
                        code="other",
                        subject=hazard.kind,
                        text=" ".join(text.split()),
                        source="the machine file",
                        because=(place,),
                    )
                )
    known_foils = {
        f"medium {medium.id}" for medium in session.media if _known_metal(medium.material)
    }
    for place, text in _texts(session):
        for code in _raised_by(text, language):
            if code == "foil-lead" and place in known_foils:
                continue
            raised.setdefault(code, []).append(f"{place}: {excerpt(text, _EXCERPT)}")
    for place, code in _by_record(session):
        raised.setdefault(code, []).append(place)
    return (
        *(
            Caution(
                code=kind.code,
                subject=kind.subject,
                text=kind.text,
                source=kind.source,
                because=tuple(dict.fromkeys(raised[kind.code])),
            )
            for kind in _KINDS
            if kind.code in raised
        ),
        *dict.fromkeys(others),
    )


def _texts(session: Session) -> Iterator[tuple[str, str]]:
    """Yield every text of the record that may speak of a material or of condition."""
    for machine in session.machines:
        place = f"machine {machine.id}"
        if machine.finish:
            yield f"{place}, finish", machine.finish
        for material in machine.materials:
            yield f"{place}, materials", material
        for mark in machine.marks:
            yield f"{place}, marks", mark.text
        for part in machine.parts:
            yield f"{place}, {part.name}", _joined([part.name, part.material, part.note])
    for medium in session.media:
        yield (
            f"medium {medium.id}",
            _joined([str(medium.kind), medium.material, medium.remarks, medium.label]),
        )
    for setup in session.setups:
        for name, text in (
            ("diaphragm", setup.diaphragm),
            ("gasket", setup.gasket),
            ("recording horn", setup.horn_recording),
            ("reproducing horn", setup.horn_reproducing),
            ("remarks", setup.remarks),
        ):
            if text:
                yield f"setup {setup.id}, {name}", text
        if setup.drive is not None:
            yield f"setup {setup.id}, drive", _joined([setup.drive.note, setup.drive.governor])
    for report in session.conditions:
        subject = report.machine or report.medium or "condition"
        yield f"condition of {subject}", _joined([report.note])
        for each in report.parts:
            yield f"condition of {subject}, {each.part}", _joined([each.note])


def _by_record(session: Session) -> Iterator[tuple[str, str]]:
    """Yield what raises a caution by its kind and not by a word."""
    for setup in session.setups:
        kind = setup.drive.kind if setup.drive is not None else None
        if kind is DriveKind.SPRING:
            yield f"setup {setup.id}, drive: spring", "spring"
        if kind is DriveKind.MOTOR:
            yield f"setup {setup.id}, drive: motor", "mains"
    for medium in session.media:
        if medium.kind is MediumKind.CELLULOID_CYLINDER:
            yield f"medium {medium.id}: celluloid cylinder", "celluloid"
        foil = medium.kind is MediumKind.FOIL_SHEET
        if foil and not _known_metal(medium.material):
            yield f"medium {medium.id}: foil sheet, metal not named", "foil-lead"
    for machine in session.machines:
        if _lets_suspect_asbestos(machine):
            yield f"machine {machine.id}, gaskets of unknown age", "asbestos"


def _known_metal(material: str | None) -> bool:
    return bool(
        re.search(
            r"all?umini?[uo]m?|copper|kupfer|cuivre|kobber|\brame\b|\bcobre\b|\bkoper\b|"
            r"pure tin|reine[sm]? zinn|étain pur|rent tin|stagno puro|estaño puro|zuiver tin|"
            r"lead[- ]free|bleifrei|sans plomb|blyfri|senza piombo|sin plomo|loodvrij",
            material or "",
            re.IGNORECASE,
        )
    )


def _lets_suspect_asbestos(machine: Machine) -> bool:
    """Say whether a gasket is original or of unknown state, and no material is named."""
    return any(
        re.search(
            r"gasket|heat shield|insulat|dichtung|\bjoints? d'|pakning|guarnizion|\bjuntas?\b|"
            r"pakking|hitzeschild|isolier|isolant|isolering|isolatie",
            part.name,
            re.IGNORECASE,
        )
        and part.state in ("original", "unknown")
        and not part.material
        for part in machine.parts
    )


def _joined(texts: Iterable[str | None]) -> str:
    return "; ".join(text for text in texts if text)


def caution_note(session: Session) -> str:
    """Return the note to the receiver of a bag; empty if nothing calls for caution.

    The note speaks of the objects: a bag holds no lead and no mould.
    """
    cautions = cautions_of(session)
    if not cautions:
        return ""
    subjects = "; ".join(caution.subject for caution in cautions)
    return (
        f"The objects of this session call for care if you handle them: {subjects}. "
        f"{DEFERRING} Details: the machine files and metadata/session.json in this bag."
    )
