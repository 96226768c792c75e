"""The files of a new session folder: a filled-in example with a comment on every field.

The template holds to the schemas, so that a person who overwrites one text after
the other never begins with errors of form.
"""

from __future__ import annotations

from importlib import resources
from importlib.resources.abc import Traversable

__all__ = ["template_files"]


def template_files() -> dict[str, str]:
    """Return the files of a new session folder.

    Returns
    -------
    dict of str to str
        Text by path relative to the session folder, with ``/``; sorted by path, so
        that the folders of takes, photographs and documents are made too.
    """
    root = resources.files("archiver.session").joinpath("templates")
    return dict(sorted(_texts(root, "")))


def _texts(place: Traversable, prefix: str) -> list[tuple[str, str]]:
    texts: list[tuple[str, str]] = []
    for entry in place.iterdir():
        if entry.is_dir():
            texts += _texts(entry, f"{prefix}{entry.name}/")
        else:
            texts.append((prefix + entry.name, entry.read_text(encoding="utf-8")))
    return texts
