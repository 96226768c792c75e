"""Reading an institution profile: a small YAML file beside the sheet or in the configuration.

Its schema is ``institution.schema.json``. Field and line of what is wrong are told as for a
sheet.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from archiver.findings import Finding
from archiver.session.conform import Fields, Value, conform
from archiver.session.institution import (
    BAG_NAME,
    FILE_NAME,
    Institution,
    InstitutionContact,
    Reception,
)
from archiver.session.institution_terms import Agreement, Asked, Naming, Paper
from archiver.session.shape import shape
from archiver.session.sheet import read_sheet

__all__ = ["read_institution", "size_bytes"]

_SIZE = re.compile(r"([0-9]{1,12})(?:[.]([0-9]{1,6}))? ?(B|kB|MB|GB|TB|KiB|MiB|GiB|TiB)", re.ASCII)
_UNITS = {
    "B": 1,
    "kB": 10**3,
    "MB": 10**6,
    "GB": 10**9,
    "TB": 10**12,
    "KiB": 1 << 10,
    "MiB": 1 << 20,
    "GiB": 1 << 30,
    "TiB": 1 << 40,
}


def size_bytes(text: str) -> int | None:
    """Read a size such as ``4 GB`` or ``1.5 GiB``; None if it is none.

    Source: IEC 80000-13 for the binary prefixes, SI for the decimal ones.
    """
    found = _SIZE.fullmatch(text.strip())
    if found is None:
        return None
    whole, part, unit = found[1], found[2] or "", found[3]
    scale: int = 10 ** len(part)
    return int(whole + part) * _UNITS[unit] // scale


def read_institution(content: bytes, file: str) -> tuple[Institution | None, tuple[Finding, ...]]:
    """Read a profile.

    Parameters
    ----------
    content : bytes
        The whole file.
    file : str
        Its name, for the findings.

    Returns
    -------
    institution : Institution or None
        None if the file holds no fields at all.
    findings : tuple of Finding
        Everything that is wrong with it.
    """
    sheet = read_sheet(content, file)
    if sheet.root is None:
        return None, sheet.findings
    fields, met = conform(sheet.root, shape("institution"), file, damaged=sheet.damaged)
    return (
        Institution(
            name=_text(fields, "name"),
            contact=_contact(_group(fields, "contact")),
            agreement=_agreement(_group(fields, "agreement")),
            bagit_profile=_text(fields, "bagit_profile"),
            bagit_profile_copy=_text(fields, "bagit_profile_copy"),
            documents=_words(fields, "documents"),
            papers=tuple(
                Paper(file=_text(one, "file"), asks=_text(one, "asks"))
                for one in _groups(fields, "papers")
                if _text(one, "file")
            ),
            bag_info=tuple(
                Asked(
                    label=_text(one, "label"),
                    asks=_text(one, "asks"),
                    required=one.values.get("required") is not False,
                    values=_words(one, "values"),
                    value=_text(one, "value"),
                )
                for one in _groups(fields, "bag_info")
                if _text(one, "label")
            ),
            digests=_words(fields, "digests"),
            access=_words(fields, "access"),
            file_name=_text(fields, "file_name") or FILE_NAME,
            bag_name=_text(fields, "bag_name") or BAG_NAME,
            naming=_naming(_group(fields, "naming")),
            serialisation=_text(fields, "serialisation"),
            largest_package_bytes=_size(fields, "largest_package"),
            largest_part_bytes=_size(fields, "largest_part"),
            destination=_text(fields, "destination"),
            receipt_days=_number(fields, "receipt_days"),
            earlier_versions_referenced=_text(fields, "earlier_versions") == "referenced",
            leave_out_restricted=_text(fields, "restricted") == "left out",
            reception=_reception(_group(fields, "reception")),
        ),
        (*sheet.findings, *met),
    )


def _contact(fields: Fields | None) -> InstitutionContact:
    if fields is None:
        return InstitutionContact()
    return InstitutionContact(
        name=_text(fields, "name"),
        phone=_text(fields, "phone"),
        email=_text(fields, "email"),
        address=_text(fields, "address"),
    )


def _agreement(fields: Fields | None) -> Agreement | None:
    if fields is None:
        return None
    return Agreement(
        title=_text(fields, "title"),
        edition=_text(fields, "edition"),
        terms=_words(fields, "terms"),
        signed_by=_text(fields, "signed_by"),
    )


def _naming(fields: Fields | None) -> Naming | None:
    if fields is None:
        return None
    return Naming(
        asks=_text(fields, "asks"),
        characters=_text(fields, "characters") or "any",
        longest_path=_number(fields, "longest_path"),
    )


def _reception(fields: Fields | None) -> Reception:
    if fields is None:
        return Reception()
    return Reception(
        senders=_words(fields, "senders"),
        signers=_text(fields, "signers"),
        signature_required=fields.values.get("signature_required") is True,
        most_files=_number(fields, "most_files"),
        largest_unpacked_bytes=_size(fields, "largest_unpacked"),
        fetch_hosts=_words(fields, "fetch_hosts"),
        largest_fetch_bytes=_size(fields, "largest_fetch"),
        letter=_text(fields, "letter"),
        receipt=_text(fields, "receipt"),
    )


def _text(fields: Fields, name: str) -> str:
    value = fields.values.get(name)
    return value if isinstance(value, str) else ""


def _number(fields: Fields, name: str) -> int | None:
    value = fields.values.get(name)
    return value if isinstance(value, int) and not isinstance(value, bool) else None


def _size(fields: Fields, name: str) -> int | None:
    return size_bytes(_text(fields, name))


def _listed(fields: Fields, name: str) -> list[Value]:
    value = fields.values.get(name)
    return value if isinstance(value, list) else []


def _words(fields: Fields, name: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys(word for word in _listed(fields, name) if isinstance(word, str)))


def _group(fields: Fields, name: str) -> Fields | None:
    value = fields.values.get(name)
    return value if isinstance(value, Fields) else None


def _groups(fields: Fields, name: str) -> Iterator[Fields]:
    return (one for one in _listed(fields, name) if isinstance(one, Fields))
