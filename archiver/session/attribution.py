"""Who made a machine: candidates with what speaks for and against each.

Nothing is decided here. The stated maker is the person's; the features are listed
beside every candidate, so that a reader can disagree.
"""

from __future__ import annotations

from dataclasses import dataclass

from archiver.session.dating_words import listed
from archiver.session.machine_record import Candidate, Machine

__all__ = ["Attribution", "attribution_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Attribution:
    """The candidates of a machine.

    Parameters
    ----------
    stated : str or None
        The maker as stated.
    stated_candidate : Candidate or None
        The same among the candidates.
    candidates : tuple of Candidate
        In the order of the file.
    open : tuple of Candidate
        Those against whom no feature is listed, or for whom at least one is.
    """

    stated: str | None
    stated_candidate: Candidate | None
    candidates: tuple[Candidate, ...]
    open: tuple[Candidate, ...]

    @property
    def statement(self) -> str:
        """The attribution in one paragraph, deciding nothing."""
        sentences = [
            f"Stated maker: {self.stated}."
            if self.stated is not None
            else "No maker is stated."
        ]  # fmt: skip
        if len(self.open) > 1:
            sentences.append(
                f"{len(self.open)} makers come into question, and the features do not decide."
            )
        sentences += [_candidate(each) for each in self.candidates]
        return " ".join(sentences)


def _candidate(candidate: Candidate) -> str:
    place = f", {candidate.place}" if candidate.place else ""
    favour = listed(candidate.in_favour) or "nothing is listed"
    against = listed(candidate.against) or "nothing is listed"
    source = f" (source: {candidate.source.rstrip('. ')})" if candidate.source else ""
    return f"{candidate.name}{place}: in favour, {favour}; against, {against}{source}."


def attribution_of(machine: Machine) -> Attribution | None:
    """Gather the candidates of a machine; None if none are listed."""
    if not machine.attribution:
        return None
    stated = machine.maker.name if machine.maker is not None else None
    return Attribution(
        stated=stated,
        stated_candidate=next(
            (each for each in machine.attribution if stated and _same(each.name, stated)), None
        ),
        candidates=machine.attribution,
        open=tuple(each for each in machine.attribution if each.in_favour or not each.against),
    )


def _same(one: str, other: str) -> bool:
    return " ".join(one.casefold().split()) == " ".join(other.casefold().split())
