"""Words of the trade that raise a caution, by hazard and language.

The English words stand with the cautions themselves. Names of substances are those of
Regulation (EC) No 1272/2008 (CLP), Annex VI, and of Directive 2009/148/EC (asbestos) in
each language, from memory; names of parts, media and finishes are common practice of the
trade, as catalogues and repair sheets use them.
"""

from __future__ import annotations

import functools
import re
from dataclasses import dataclass

__all__ = ["Reading", "hazard_languages", "read_hazards"]

# A word counts from its beginning, so that compounds are found; one that ends in a dollar
# counts only as a whole, since longer ones mean other things (a pencil is a Bleistift).
_TABLE: dict[str, dict[str, str]] = {
    "lead": {
        "de": "blei$, bleihaltig, bleifarbe, bleiweiß, bleimennige, bleilot$, bleifolie, "
        "bleigewicht, bleianstrich, bleilegierung, bleimantel, bleirohr, bleiblech, mennige, "
        "japanlack",
        "fr": "plomb$, plombs$, plombifère, céruse, minium$, laque du japon, laque noire du japon",
        "da": "bly$, blyholdig, blymaling, blyhvidt, blymønje, blyfolie, blylod$, blyvægt, "
        "blyplade, mønje, japanlak",
        "it": "piombo$, biacca, minio$, lacca giapponese",
        "es": "plomo$, albayalde, minio$, laca japonesa",
        "nl": "lood$, loodhoudend, loodwit, loodmenie, loodverf, loodfolie, loodgewicht, "
        "loodsoldeer, loden$, menie$, japanlak",
    },
    "foil-lead": {
        "de": "zinnfolie, stanniol, bleifolie",
        "fr": "feuille d'étain, papier d'étain, feuille de plomb",
        "da": "tinfolie, stanniol, blyfolie",
        "it": "stagnola, foglio di stagno, lamina di stagno",
        "es": "papel de estaño, hoja de estaño, lámina de estaño, hoja de plomo",
        "nl": "tinfolie, stanniool, bladtin, loodfolie",
    },
    "mould": {
        "de": "schimmel$, schimmelt$, schimmlig, schimmelig, schimmelpilz, schimmelbefall, "
        "schimmelspuren, schimmelflecken, verschimmelt, stockfleck",
        "fr": "moisi$, moisie, moisis$, moisissure",
        "da": "skimmel, muggen$, mugne$, jordslå",
        "it": "muffa$, muffe$, ammuffit",
        "es": "moho$, mohos$, mohoso, mohosa, enmohecid",
        "nl": "schimmel$, schimmels$, schimmelig, schimmelvlek, schimmelplek, beschimmeld",
    },
    "asbestos": {
        "de": "asbest, alte dichtung, alten dichtung",
        "fr": "amiante, joint d'origine, joints d'origine",
        "da": "asbest, gamle pakning, gammel pakning",
        "it": "amianto, asbesto, vecchia guarnizion, vecchie guarnizion",
        "es": "amianto, asbesto, junta vieja, juntas viejas, junta antigua, juntas antiguas",
        "nl": "asbest, oude pakking",
    },
    "celluloid": {
        "de": "zelluloid, celluloid, zellulosenitrat, cellulosenitrat, nitrozellulose, "
        "nitrocellulose",
        "fr": "celluloïd, nitrate de cellulose, nitrocellulose",
        "da": "celluloid, cellulosenitrat, nitrocellulose",
        "it": "celluloide, nitrato di cellulosa, nitrocellulosa",
        "es": "celuloide, nitrato de celulosa, nitrocelulosa",
        "nl": "celluloid, cellulosenitraat, nitrocellulose",
    },
    "spring": {
        "de": "gespannte feder, gespannte zugfeder, feder unter spannung, zugfeder, triebfeder, "
        "aufzugsfeder, federmotor, federwerk, federhaus",
        "fr": "ressort moteur, ressort tendu, ressort sous tension, ressort armé, "
        "moteur à ressort, barillet",
        "da": "spændt fjeder, fjeder under spænding, drivfjeder, hovedfjeder, optræksfjeder, "
        "fjedermotor, fjederværk, fjederhus",
        "it": "molla motrice, molla carica, molla in tensione, motore a molla, bariletto",
        "es": "muelle real, muelle tensado, resorte motor, resorte tensado, resorte bajo tensión, "
        "motor de resorte, motor a resorte, motor de cuerda, motor a cuerda",
        "nl": "gespannen veer, veer onder spanning, drijfveer, hoofdveer, trekveer, veermotor, "
        "veerwerk, veerhuis",
    },
    "mains": {
        "de": "netzspannung, netzanschluss, netzkabel, netzleitung, netzstecker, netzstrom, "
        "elektromotor",
        "fr": "tension secteur, tension du secteur, sur secteur, sur le secteur, "
        "alimentation secteur, moteur électrique, moteurs électriques",
        "da": "netspænding, lysnet, netledning, elmotor, elektromotor",
        "it": "tensione di rete, rete elettrica, motore elettrico, motori elettrici",
        "es": "tensión de red, tensión de la red, red eléctrica, motor eléctrico, "
        "motores eléctricos",
        "nl": "netspanning, lichtnet, netsnoer, elektromotor, elektrische motor",
    },
    "mercury": {
        "de": "quecksilber",
        "fr": "mercure$",
        "da": "kviksølv",
        "it": "mercurio$",
        "es": "mercurio$, azogue",
        "nl": "kwik$, kwikzilver, kwikhoudend, kwikschakel",
    },
    "radium": {
        "de": "radium, radioaktiv, leuchtfarbe, leuchtziffer, leuchtzeiger, leuchtzahlen",
        "fr": "radium, radioactif, radioactiv, peinture lumineuse, peinture luminescente, "
        "aiguilles lumin, chiffres lumin",
        "da": "radium, radioaktiv, selvlysende, lysmaling",
        "it": "vernice al radio, vernice luminescente, vernice luminosa, radioattiv, "
        "lancette luminescenti",
        "es": "pintura de radio, pintura luminiscente, pintura luminosa, radiactiv, radioactiv",
        "nl": "radium, radioactie, lichtgevende verf, lichtgevende wijzer, lichtgevende cijfer",
    },
    "soft-wax": {
        "de": "wachszylinder, wachswalze, wachsplatte",
        "fr": "cylindre de cire, cylindres de cire, cylindre en cire, disque de cire, "
        "disque en cire, rouleau de cire, rouleaux de cire",
        "da": "vokscylind, voksrulle, voksvalse, voksplade",
        "it": "cilindro di cera, cilindri di cera, disco di cera, dischi di cera",
        "es": "cilindro de cera, cilindros de cera, disco de cera, discos de cera",
        "nl": "wascilinder, wasrol, wasplaat, wasplaten",
    },
}
# These mean something else in another language: in English a mug is a cup and a joint holds.
_ONLY_THERE: dict[str, dict[str, str]] = {
    "mould": {"da": "mug$"},
    "asbestos": {"fr": "vieux joints, anciens joints, joint ancien"},
}
_MEAN_OTHERWISE = ("fil à plomb", "filo a piombo", " a piombo", " a plomo")
_FREE = ("frei", "fri", "vrij", "-frei", "-fri", "-vrij")
_DENIAL = re.compile(
    r"(?<!\w)(?:keine?[mnrs]?|ohne|frei von|sans|pas d[e']|aucune?|exempte?s? d[e']|ingen|intet|"
    r"uden|fri for|senza|nessun[ao]?|priv[oaie] di|sin|ning[uú]n[ao]?|libres? de|geen|zonder|"
    r"vrij van)\s*"
    r"(?:(?:sichtbare[rnms]?|synligt?|zichtbare?|traces? d[e']|tracce di|rastros? de)\s*)?$"
)
_LONGEST_DENIAL = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What a text says of hazards.

    Parameters
    ----------
    codes : frozenset of str
        Codes of the cautions that its words raise.
    rest : str
        The text without what it says is not there, for the words of English.
    """

    codes: frozenset[str]
    rest: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Word:
    code: str
    text: str
    is_whole: bool


@functools.cache
def _words(language: str) -> tuple[_Word, ...]:
    found: dict[tuple[str, str], _Word] = {}
    for code, by_language in _TABLE.items():
        for words in by_language.values():
            _enter(found, code, words)
    for code, by_language in _ONLY_THERE.items():
        _enter(found, code, by_language.get(language, ""))
    return tuple(found.values())


def _enter(found: dict[tuple[str, str], _Word], code: str, words: str) -> None:
    for word in filter(None, (one.strip() for one in words.split(","))):
        text = word.removesuffix("$").casefold()
        found[code, text] = _Word(code=code, text=text, is_whole=word.endswith("$"))


def hazard_languages() -> dict[str, frozenset[str]]:
    """Return the languages in which each hazard is known, by code."""
    return {code: frozenset(by_language) for code, by_language in _TABLE.items()}


@functools.lru_cache(maxsize=4096)
def read_hazards(text: str, language: str) -> Reading:
    """Look for hazards in a text, in whatever language it is.

    Parameters
    ----------
    text : str
        From the record of a session.
    language : str
        Of the session, as a language tag without region; words that mean something else
        in other languages count only in theirs.

    Returns
    -------
    Reading
        A denial takes back only the word that it stands right before: many a number
        begins with "No" without denying anything.
    """
    plain = f" {text.casefold()} ".replace("\N{RIGHT SINGLE QUOTATION MARK}", "'")
    for phrase in _MEAN_OTHERWISE:
        plain = plain.replace(phrase, " " * len(phrase))
    rest = plain
    codes: set[str] = set()
    for word in _words(language):
        at = plain.find(word.text)
        while at >= 0:
            end = at + len(word.text)
            if not plain[at - 1].isalnum() and not (word.is_whole and plain[end].isalnum()):
                denial = _DENIAL.search(plain, max(0, at - _LONGEST_DENIAL), at)
                if denial is not None or plain.startswith(_FREE, end):
                    rest = rest[:at] + " " * (end - at) + rest[end:]
                else:
                    codes.add(word.code)
            at = plain.find(word.text, end)
    return Reading(codes=frozenset(codes), rest=rest)
