"""The example of an institution profile that ships with the program, to be written over."""

from __future__ import annotations

from importlib import resources

__all__ = ["example_files"]


def example_files() -> dict[str, str]:
    """Return the files of the example: the profile and its BagIt Profile.

    Returns
    -------
    dict of str to str
        Text by file name, sorted by name.
    """
    place = resources.files("archiver.session").joinpath("examples", "institution")
    return {
        entry.name: entry.read_text(encoding="utf-8")
        for entry in sorted(place.iterdir(), key=lambda entry: entry.name)
    }
