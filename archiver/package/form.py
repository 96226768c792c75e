"""In what form a bag travels: as a folder, or serialised into one file.

Sources: RFC 8493 leaves serialisation out; the drafts before it ask for one top directory and
an extension that names the form. Media types: IANA register (application/gzip RFC 6713,
application/zstd RFC 8878, application/zip); ``application/x-tar`` is common practice.
"""

from __future__ import annotations

import enum

__all__ = ["Form", "form_of_name"]


class Form(enum.StrEnum):
    """A form of serialisation."""

    FOLDER = "folder"
    TAR = "tar"
    TAR_GZ = "tar.gz"
    TAR_ZST = "tar.zst"
    ZIP = "zip"

    @property
    def ending(self) -> str:
        """What is put behind the name of the bag; empty for a folder."""
        return "" if self is Form.FOLDER else f".{self.value}"

    @property
    def media_type(self) -> str:
        """The media type; empty for a folder."""
        return _MEDIA_TYPES[self]


_MEDIA_TYPES = {
    Form.FOLDER: "",
    Form.TAR: "application/x-tar",
    Form.TAR_GZ: "application/gzip",
    Form.TAR_ZST: "application/zstd",
    Form.ZIP: "application/zip",
}
_ENDINGS = {
    ".tar": Form.TAR,
    ".tar.gz": Form.TAR_GZ,
    ".tgz": Form.TAR_GZ,
    ".tar.zst": Form.TAR_ZST,
    ".tzst": Form.TAR_ZST,
    ".zip": Form.ZIP,
}


def form_of_name(name: str) -> Form | None:
    """Tell the form by the ending of a file name; None if no ending says it."""
    lowered = name.lower()
    return next((form for ending, form in _ENDINGS.items() if lowered.endswith(ending)), None)
