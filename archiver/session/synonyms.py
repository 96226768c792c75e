"""What people in the trade say for the words of the closed lists.

A synonym is never taken for the word: it is answered with a question, since only the
person knows whether the same is meant. Common practice; the table is from memory.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

__all__ = ["SYNONYMS", "meant", "meant_field"]

_TABLE = {
    "wax cylinder": "cylinder, phonograph cylinder, brown wax, black wax, dictation cylinder, roll",
    "foil sheet": "foil, tin foil, tinfoil, lead foil, tin sheet, sheet",
    "wax disc": "wax disk, wax plate, wax master, wax tablet",
    "lacquer disc": "lacquer, lacquer disk, acetate, acetate disc, acetate disk, instantaneous disc",
    "celluloid cylinder": "celluloid, indestructible cylinder, unbreakable cylinder",
    "hand crank": "crank, cranked, hand cranked, by hand, hand, manual, handle, hand driven",
    "spring": "spring motor, spring driven, clockwork, mainspring, wind up",
    "weight": "weights, falling weight, weight driven, gravity",
    "motor": "electric, electric motor, electrical motor, electricity, mains",
    "treadle": "foot, foot treadle, pedal, foot driven",
    "performance": "recording, record, recorded, live, dictation",
    "reproduction": "playback, play back, playing, play, replay, reproducing, reproduced",
    "performance and reproduction": "recording and playback, record and playback, both",
    "announcement": "announcing, slate, voice slate, introduction, speech, spoken",
    "room tone": "silence, ambience, ambient, atmosphere, background, room noise, noise",
    "test tone": "tone, calibration, calibration tone, line up tone, reference tone, sine",
    "machine operator": "operator, machinist, phonograph operator, cranker",
    "performer": "singer, musician, player, reader, artist, speaker, actor",
    "recording engineer": "engineer, sound engineer, recordist, sound recordist, technician",
    "announcer": "narrator, presenter, host",
    "photographer": "camera, photography",
    "curator": "keeper, conservator, registrar, custodian",
    "observer": "visitor, guest, witness, audience, listener",
    "mono": "monaural, single channel, one channel, 1, 1.0",
    "stereo": "stereophonic, two channels, 2, 2.0",
    "multichannel": "surround, multi channel, 4, 5.1",
    "maker's plate": "plate, nameplate, name plate, maker plate, badge",
    "serial number": "serial, serial no, serial no., number, no",
    "stamp": "stamped, punch, punch mark",
    "inscription": "engraving, engraved, handwriting, scratched",
    "label": "paper label, sticker, tag",
    "original": "old, genuine, as made, authentic",
    "replaced": "new, replacement, renewed, exchanged",
    "restored": "repaired, refurbished, conserved, overhauled",
    "missing": "lost, absent, gone",
    "unknown": "uncertain, not known, unclear, unsure",
    "good": "excellent, very good, fine, ok, working",
    "fair": "average, moderate, acceptable, worn",
    "poor": "bad, damaged, fragile",
    "not working": "broken, defective, out of order",
    "not examined": "not seen, not checked, unchecked",
    "firm": "certain, sure, strong, high, secure",
    "probable": "likely, medium, possible",
    "weak": "low, doubtful, unlikely",
    "before": "pre, earlier",
    "after": "post, later",
    "composition": "song, work, piece",
    "photographs": "photograph, photo, photos, pictures, images",
    "text": "lyrics, words, poem",
    "copyright": "author's right, authors right",
    "licence": "license, licensed",
    "contract": "agreement",
    "statute": "law, legal exception",
    "public domain": "pd, out of copyright, no copyright, copyright expired",
    "publication": "publishing, publish, online, web",
    "archiving": "archive, preservation, keeping",
    "name": "naming, credit",
    "trading dates": "trade dates, years of trade, directory",
    "document": "invoice, letter, catalogue, advertisement, price list",
    "yes": "ja, oui, si, sí, sì, sim, jo, 1, given, agreed, granted, x, ✓",
    "no": "nein, non, nej, nee, não, nei, 0, none, not given, refused, denied",
}


def _folded(word: str) -> str:
    return re.sub(r"[\s_-]+", " ", word.strip().casefold())


SYNONYMS = {
    word: frozenset(_folded(each) for each in line.split(", ")) for word, line in _TABLE.items()
}
"""Synonyms by the accepted word, in small letters with blanks for hyphens."""


def meant(text: str, accepted: Iterable[str]) -> str | None:
    """Return the accepted word that a text is a synonym of, or None.

    Parameters
    ----------
    text : str
        As a person wrote it; case, hyphens and blanks do not matter.
    accepted : iterable of str
        The words of the closed list.
    """
    folded = _folded(text)
    return next((word for word in accepted if folded in SYNONYMS.get(word, ())), None)


_FIELDS = {
    "place": "venue, location, where, room, site",
    "start": "begin, started",
    "end": "finish, ended, stop",
    "remarks": "comment, comments, notes, note, remark",
    "note": "comment, comments, notes, remarks, remark",
    "caption": "description, legend",
    "identifier": "signature, shelfmark, shelf mark",
    "inventory_number": "accession number, accession no, inventory no",
    "reproduces": "source, plays, replays",
}


def meant_field(name: str, known: Iterable[str]) -> str | None:
    """Return the field that a name of everyday is probably meant to be, or None."""
    folded = _folded(name)
    return next((each for each in known if folded in _FIELDS.get(each, "").split(", ")), None)
