"""Cautions: what raises each, what takes it back, and how they defer to others."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from archiver.session import MediumKind, Session, load_session
from archiver.session.caution_words import hazard_languages
from archiver.session.cautions import DEFERRING, caution_note, cautions_of
from tests.session.folders import edit, whole_session

SHEET = "session.yaml"
MACHINE = "machines/example-machine.yaml"


def session_of(folder: Path) -> Session:
    session = load_session(folder).session
    assert session is not None
    return session


def codes_of(folder: Path) -> set[str]:
    return {caution.code for caution in cautions_of(session_of(folder))}


@pytest.mark.parametrize(
    ("file", "old", "new", "code"),
    [
        (MACHINE, "finish: black japan, nickel", "finish: red lead, nickel", "lead"),
        (MACHINE, "materials: [cast iron,", "materials: [lead weight, cast iron,", "lead"),
        (SHEET, "    kind: wax cylinder\n    material: brown wax ", "    kind: foil sheet\n    material: tin foil ", "foil-lead"),
        (SHEET, "    kind: wax cylinder\n    material: brown wax ", "    kind: foil sheet\n    # ", "foil-lead"),
        (SHEET, "remarks: no mould, no cracks", "remarks: mouldy at one end", "mould"),
        (SHEET, "    grade: good\n    note: runs quietly", "    grade: poor\n    note: white bloom in the case", "mould"),
        (SHEET, "gasket: new silicone, 1 mm", "gasket: asbestos cord", "asbestos"),
        (MACHINE, "  - {name: lid, state: missing}", "  - {name: gaskets, state: original}", "asbestos"),
        (SHEET, "    kind: wax cylinder\n", "    kind: celluloid cylinder\n", "celluloid"),
        (MACHINE, "note: 'glass, cemented'", "note: celluloid", "celluloid"),
        (SHEET, "    kind: spring     ", "    kind: motor      ", "mains"),
        (MACHINE, "text: No. 4117,", "text: 110 V = 0.6 A,", "mains"),
        (MACHINE, "note: 'glass, cemented'", "note: 'mercury switch'", "mercury"),
        (MACHINE, "note: 'glass, cemented'", "note: 'luminous dial'", "radium"),
    ],
)  # fmt: skip
def test_a_word_of_the_record_raises_a_caution(
    tmp_path: Path, file: str, old: str, new: str, code: str
) -> None:
    folder = whole_session(tmp_path)
    edit(folder, MACHINE, "hazards:\n", "hazards: []\nold_hazards:\n")
    before = codes_of(folder) - {"lead"}
    edit(folder, file, old, new)
    assert code not in before
    assert code in codes_of(folder)


def test_the_template_raises_what_its_machine_and_medium_are_made_of(tmp_path: Path) -> None:
    assert codes_of(whole_session(tmp_path)) == {"lead", "spring", "soft-wax"}


@pytest.mark.parametrize(
    ("file", "old", "new", "code"),
    [
        (MACHINE, "finish: black japan, nickel", "finish: lead-free paint, nickel", "lead"),
        (MACHINE, "finish: black japan, nickel", "finish: made in Japan, nickel", "lead"),
        (MACHINE, "finish: black japan, nickel", "finish: lead screw bright, nickel", "lead"),
        (SHEET, "remarks: no mould, no cracks", "remarks: free of mould", "mould"),
        (SHEET, "gasket: new silicone, 1 mm", "gasket: asbestos-free cord", "asbestos"),
    ],
)
def test_a_word_that_denies_or_means_another_thing_raises_none(
    tmp_path: Path, file: str, old: str, new: str, code: str
) -> None:
    folder = whole_session(tmp_path)
    edit(folder, file, old, new)
    assert code not in codes_of(folder)


@pytest.fixture(scope="module")
def sample(sample_session: Path) -> Session:
    """The sample session, read once."""
    return session_of(sample_session)


def raised_by(text: str, language: str, sample: Session) -> set[str]:
    """The cautions that one remark on a machine raises, in a session of a language."""
    machine = replace(sample.machines[0], finish=text, materials=(), marks=(), parts=(), hazards=())
    session = replace(
        sample, language=language, machines=(machine,), media=(), setups=(), conditions=()
    )
    return {caution.code for caution in cautions_of(session)}


# Common practice: words of catalogues and repair sheets in each language.
HAZARDS = [
    ("lead", {
        "de": ["Bleifarbe, grau", "mit Mennige gestrichen", "bleihaltiger Lack", "Blei"],
        "fr": ["peinture au plomb", "minium sous la laque", "céruse"],
        "da": ["blymaling", "malet med mønje", "blyholdig lak", "bly i loddet"],
        "it": ["vernice al piombo", "fondo di minio"],
        "es": ["pintura de plomo", "albayalde"],
        "nl": ["loodverf", "loodwit", "in de menie gezet", "loden gewicht"],
    }),
    ("foil-lead", {
        "de": ["Zinnfolie", "Stanniol"], "fr": ["feuille d’étain", "papier d'étain"],
        "da": ["tinfolie, tyk"], "it": ["stagnola"], "es": ["papel de estaño"],
        "nl": ["bladtin"],
    }),
    ("mould", {
        "de": ["Schimmel am Rand", "verschimmelt", "Stockflecken"],
        "fr": ["moisissures", "un peu moisi"],
        "da": ["skimmelsvamp", "mug på æsken"], "it": ["muffa sul bordo", "ammuffita"],
        "es": ["moho en la caja", "enmohecido"], "nl": ["beschimmeld", "schimmelplekken"],
    }),
    ("asbestos", {
        "de": ["Asbestpappe", "alte Dichtungen"],
        "fr": ["carton d'amiante", "joints d'origine", "vieux joints durcis"],
        "da": ["asbestpap", "gamle pakninger"], "it": ["cartone di amianto"],
        "es": ["cartón de amianto", "juntas viejas"], "nl": ["asbestkoord"],
    }),
    ("celluloid", {
        "de": ["Zelluloid", "Cellulosenitrat"], "fr": ["celluloïd", "nitrate de cellulose"],
        "da": ["celluloidring"], "it": ["celluloide"], "es": ["celuloide"],
        "nl": ["cellulosenitraat"],
    }),
    ("spring", {
        "de": ["gespannte Feder", "Federmotor", "Triebfeder neu"],
        "fr": ["ressort moteur", "moteur à ressort", "ressort sous tension"],
        "da": ["drivfjeder", "fjederværk", "spændt fjeder"],
        "it": ["molla motrice", "molla in tensione"],
        "es": ["muelle real", "motor de cuerda"], "nl": ["veermotor", "gespannen veer"],
    }),
    ("mains", {
        "de": ["Netzspannung", "Elektromotor"], "fr": ["moteur électrique", "sur le secteur"],
        "da": ["elmotor", "tilsluttes lysnettet"], "it": ["motore elettrico"],
        "es": ["motor eléctrico", "tensión de red"], "nl": ["elektromotor", "lichtnet"],
    }),
    ("mercury", {
        "de": ["Quecksilberschalter"], "fr": ["interrupteur à mercure"], "da": ["kviksølv"],
        "it": ["interruttore a mercurio"], "es": ["contacto de mercurio"],
        "nl": ["kwikschakelaar"],
    }),
    ("radium", {
        "de": ["Leuchtziffern", "Radiumfarbe"], "fr": ["aiguilles lumineuses"],
        "da": ["selvlysende tal"], "it": ["vernice al radio"], "es": ["pintura luminosa"],
        "nl": ["lichtgevende wijzers"],
    }),
    ("soft-wax", {
        "de": ["Wachswalze", "Wachszylinder"], "fr": ["cylindre de cire"],
        "da": ["vokscylinder", "voksvalse"], "it": ["cilindri di cera"],
        "es": ["cilindro de cera"], "nl": ["wasrol", "wascilinder"],
    }),
]  # fmt: skip


@pytest.mark.parametrize(
    ("code", "language", "text"),
    [
        (code, language, text)
        for code, languages in HAZARDS
        for language, texts in languages.items()
        for text in texts
    ],
)
def test_a_word_of_another_language_raises_the_caution(
    sample: Session, code: str, language: str, text: str
) -> None:
    assert code in raised_by(text, language, sample)


@pytest.mark.parametrize("language", ["en", "de", "fr", "da", "it", "es", "nl"])
def test_words_count_in_every_session_and_in_every_spelling(sample: Session, language: str) -> None:
    """A machine file is used again in sessions of other languages."""
    assert "mercury" in raised_by("QUECKSILBER", language, sample)
    assert "celluloid" in raised_by("Celluloïd", language, sample)


@pytest.mark.parametrize(
    ("language", "text"),
    [
        # They only look alike.
        ("de", "mit Bleistift numeriert; der Deckel bleibt offen; gebleichtes Leinen"),
        ("de", "Federzeichnung im Deckel, Federkontakt aus Bronze, Netzstoff, schimmernd"),
        ("de", "ein Schimmelreiter als Abziehbild"),
        ("fr", "posé au fil à plomb, bien d'aplomb; le plombier l'a vu mercredi"),
        ("fr", "il ressort du dossier que le secteur postal l'avait acheté; les joints du bois"),
        ("da", "nummer med blyant; en blyg smed; fjederbelagt; tinmærke"),
        ("it", "trasmesso alla radio; filo a piombo; messo a piombo; muffola; moderno"),
        ("es", "puesto a plomo; compañía de radio; mohair; muelle del puerto; la red de pesca"),
        ("nl", "loodrecht op de bodem, met potlood genummerd, uit de loods; veerboot; netwerk"),
        ("nl", "kwikstaart als merk"),
        ("en", "a coffee mug stood on it; the joint is tight; leading screw; radio cabinet"),
        # It says that it is not there.
        ("de", "kein Schimmel, ohne Asbest, bleifreie Farbe, frei von Quecksilber"),
        ("de", "keine sichtbaren Schimmelspuren, schimmelfrei, asbestfrei"),
        ("fr", "sans plomb, pas de moisissure, sans traces de moisissure, exempt d'amiante"),
        ("da", "ingen skimmel, uden asbest, blyfri maling, ingen mug, fri for kviksølv"),
        ("it", "senza piombo, senza tracce di muffa, privo di amianto, nessuna muffa"),
        ("es", "sin plomo, sin rastros de moho, libre de amianto, ningún moho"),
        ("nl", "loodvrije verf, geen schimmel, zonder asbest, vrij van kwik"),
    ],
)
def test_words_that_look_alike_and_words_that_deny_raise_nothing(
    sample: Session, language: str, text: str
) -> None:
    assert raised_by(text, language, sample) == set()


def test_a_denial_takes_back_nothing_but_what_it_stands_before(sample: Session) -> None:
    assert raised_by("No 12 Quecksilber", "de", sample) == {"mercury"}
    assert raised_by("ohne Deckel, Bleifarbe", "de", sample) == {"lead"}
    assert raised_by("sin tapa, con moho", "es", sample) == {"mould"}
    assert raised_by("ingen skimmel på hornet, men mug i æsken", "da", sample) == {"mould"}


def test_the_table_covers_every_kind_in_every_language() -> None:
    languages = {"de", "fr", "da", "it", "es", "nl"}
    assert hazard_languages() == {code: languages for code, _ in HAZARDS}


@pytest.mark.parametrize(
    ("material", "is_suspect"),
    [
        ("Stanniol", True), ("Aluminiumfolie", False), ("alluminio", False), ("papel de plata", True),
        ("hoja de aluminio", False), ("Kupfer", False), ("rame", False), ("kobberfolie", False),
        ("tin foil", True), ("pure tin foil", False), ("tin foil, pure tin by the supplier", False),
        ("Zinnfolie aus reinem Zinn", False), ("lead foil", True), ("lead-tin alloy", True),
    ],
)  # fmt: skip
def test_foil_of_a_named_other_metal_is_not_suspected(
    sample: Session, material: str, is_suspect: bool
) -> None:
    foil = replace(
        sample.media[0], kind=MediumKind.FOIL_SHEET, material=material, remarks=None, label=None
    )
    session = replace(sample, media=(foil,), machines=(), setups=(), conditions=())
    assert ("foil-lead" in {one.code for one in cautions_of(session)}) is is_suspect


def test_no_foil_is_called_lead_and_no_source_speaks_of_memory(sample: Session) -> None:
    """The name tin foil says nothing of lead; what is not known is told as not known."""
    foil = replace(
        sample.media[0], kind=MediumKind.FOIL_SHEET, material="tin foil", remarks=None, label=None
    )
    session = replace(sample, media=(foil,), machines=(), setups=(), conditions=())
    cautions = {one.code: one for one in cautions_of(session)}
    assert "lead" not in cautions
    assert "may be tin, lead, or an alloy" in cautions["foil-lead"].text
    for one in cautions_of(sample):
        assert "memory" not in f"{one.text} {one.source}"


def test_a_hazard_of_no_known_kind_is_told_in_its_own_words(tmp_path: Path) -> None:
    folder = whole_session(tmp_path)
    edit(folder, MACHINE, "{kind: spring under tension,", "{kind: sharp edge,")
    edit(folder, MACHINE, "note: let it down before opening the case}", "note: wear gloves}")
    (caution,) = [each for each in cautions_of(session_of(folder)) if each.code == "other"]
    assert caution.subject == "sharp edge"
    assert "wear gloves" in caution.text
    assert caution.source == "the machine file"


def test_every_caution_names_its_source_and_what_raised_it(sample_session: Path) -> None:
    cautions = cautions_of(session_of(sample_session))
    assert {"lead", "asbestos", "spring", "mains", "mould"} <= {each.code for each in cautions}
    for caution in cautions:
        assert caution.source
        assert caution.because
        assert caution.as_json()["because"] == list(caution.because)


def test_a_long_text_is_quoted_up_to_a_whole_word(tmp_path: Path) -> None:
    folder = whole_session(tmp_path)
    long = "mouldy at one end. Shaved last on 2026-10-12; the measures were taken before and after"
    edit(folder, SHEET, "remarks: no mould, no cracks", f"remarks: {long}")
    (mould,) = [each for each in cautions_of(session_of(folder)) if each.code == "mould"]
    shown = mould.because[0].partition(": ")[2]
    assert len(shown) <= 80
    assert shown == "wax cylinder; brown wax; mouldy at one end. Shaved last on 2026-10-12; the…"


def test_the_note_to_the_receiver_defers_to_local_codes(sample_session: Path) -> None:
    note = caution_note(session_of(sample_session))
    assert DEFERRING in note
    assert "local codes come first" in note
    assert "\n" not in note


def test_without_anything_to_be_careful_of_there_is_no_note(sample_session: Path) -> None:
    session = replace(session_of(sample_session), machines=(), media=(), setups=(), takes=())
    assert cautions_of(session) == ()
    assert caution_note(session) == ""
