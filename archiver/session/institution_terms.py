"""What an institution profile says in lists and groups: terms, papers, fields, names."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Agreement", "Asked", "Naming", "Paper"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """Terms of a deposit, with names in braces; see :mod:`archiver.session.placeholders`."""

    title: str = ""
    edition: str = ""
    terms: tuple[str, ...] = ()
    signed_by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Paper:
    """A paper that must lie in the bag: a path with ``*``, and the institution's words."""

    file: str
    asks: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """A field of ``bag-info.txt`` that an institution asks for.

    Parameters
    ----------
    label : str
        In ``bag-info.txt``.
    asks : str
        What it is, in the institution's words.
    required : bool
        Whether a bag without it is refused.
    values : tuple of str
        What is taken; empty for anything.
    value : str
        What archiving writes there, with names in braces; empty for nothing.
    """

    label: str
    asks: str
    required: bool = True
    values: tuple[str, ...] = ()
    value: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Naming:
    """How files may be named: the institution's words, and what can be checked of them."""

    asks: str
    characters: str = "any"
    longest_path: int | None = None
