"""Names in braces that an institution's texts may hold, and what they stand for.

The schema ``institution.schema.json`` lists the same names; a test holds the two together.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

__all__ = ["ARCHIVING", "PLACEHOLDERS", "filled", "names_in"]

PLACEHOLDERS: Mapping[str, str] = {
    "institution": "who takes the bag in",
    "contact": "whom to ask there",
    "depositor": "the organisation that hands over",
    "depositor_address": "its address",
    "depositor_contact": "whom to ask there",
    "code": "its short name",
    "session": "identifier of the session",
    "title": "title of the session",
    "date": "day of the session",
    "place": "where the session was held",
    "bag": "name of the bag",
    "version": "number of the version",
    "replaces": "name of the bag that this one replaces",
    "files": "number of files in the bag",
    "size": "size of the bag",
    "rights": "the statement of rights",
    "holder": "who holds the rights",
    "restrictions": "what may not be done",
    "digests": "digest algorithms of the manifests",
    "destination": "where the package is sent",
    "today": "day of the deposit",
    "receipt_days": "days until a receipt is due",
    "receipt_due": "day on which the receipt is due",
}
"""All names, in the order of the schema."""

ARCHIVING = (
    "institution",
    "depositor",
    "code",
    "session",
    "title",
    "date",
    "bag",
    "version",
    "replaces",
    "rights",
    "holder",
)
"""Those that are known before a bag is made, for fields of ``bag-info.txt``."""

_NAME = re.compile(r"\{([a-z_]+)\}")


def filled(text: str, values: Mapping[str, str]) -> str:
    """Put values in the place of names in braces.

    Parameters
    ----------
    text : str
        As the institution wrote it.
    values : mapping of str to str
        By the names of :data:`PLACEHOLDERS`; a name without a value stays as it is, so that
        a reader of the text sees what is missing. A value cannot bring in another name.
    """
    return _NAME.sub(lambda found: values.get(found[1], found[0]), text)


def names_in(text: str) -> tuple[str, ...]:
    """Return the names that a text holds in braces, each once, in order."""
    return tuple(dict.fromkeys(_NAME.findall(text)))
