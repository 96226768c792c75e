"""Bringing a text into a ``bext`` field, with a finding for each change."""

from __future__ import annotations

from archiver.findings import Finding, Where
from archiver.wave import rules
from archiver.wave.bext import TEXT_FIELDS
from archiver.wave.text import fit_ascii

__all__ = ["fit_field"]


def fit_field(attribute: str, text: str, where: Where) -> tuple[str, tuple[Finding, ...]]:
    """Make a text fit a field of :class:`~archiver.wave.bext.Bext`.

    Parameters
    ----------
    attribute : str
        Such as ``description``.
    text : str
        The full text; it should stand unchanged in another chunk as well.
    where : Where
        Where the text comes from, for the findings.

    Returns
    -------
    text : str
        ASCII, and short enough.
    findings : tuple of Finding
        At most one each for transliteration and for cutting.
    """
    name, width = TEXT_FIELDS[attribute]
    fitted = fit_ascii(text, width)
    findings: list[Finding] = []
    if fitted.transliterated:
        message = f"in {name}, {text!r} is written as {fitted.text!r}"
        if "?" in fitted.text.replace("?" if "?" in text else "\0", ""):
            message += "; what has no ASCII form became ?"
        findings.append(rules.TRANSLITERATED.at(where, message, accepted="ASCII"))
    if fitted.cut:
        findings.append(
            rules.CUT.at(
                where,
                f"in {name}, {text!r} is cut to {fitted.text!r}",
                accepted=f"at most {width} characters",
            )
        )
    return fitted.text, tuple(findings)
