"""The dating of a machine in words: one paragraph that a stranger can check."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from archiver.session.day import Day, days_in_month
from archiver.session.day_set import ALL_DAYS, DaySet, Span

if TYPE_CHECKING:
    from archiver.session.dating import Dating, Weaker

__all__ = ["day_in_words", "days_in_words", "listed", "paragraph", "piece_in_words"]

_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September",
    "October", "November", "December",
)  # fmt: skip


def day_in_words(ordinal: float, *, end: bool) -> str:
    """Name a day; by its year or month alone if it begins or, as an ``end``, closes it."""
    day = Day.from_ordinal(int(ordinal))
    year = _year(day.year)
    if (day.month, day.day) == ((12, 31) if end else (1, 1)):
        return year
    month = f"{_MONTHS[day.month - 1]} {year}"
    if day.day == (days_in_month(day.year, day.month) if end else 1):
        return month
    return f"{day.day} {month}"


def _year(year: int) -> str:
    return f"{1 - year} BC" if year < 1 else str(year)


def days_in_words(days: DaySet) -> str:
    """Say when: ``in 1909``, ``from 1909 to 1912``, ``in 1907, or from 1909 on``."""
    if not days:
        return "at no time"
    if days == ALL_DAYS:
        return "at any time"
    return ", or ".join(_span(span) for span in days.spans)


def _span(span: Span) -> str:
    if math.isinf(span.first):
        return f"not after {day_in_words(span.last, end=True)}"
    if math.isinf(span.last):
        return f"not before {day_in_words(span.first, end=False)}"
    first, last = day_in_words(span.first, end=False), day_in_words(span.last, end=True)
    if span.first == span.last:
        day = Day.from_ordinal(int(span.first))
        return f"on {day.day} {_MONTHS[day.month - 1]} {_year(day.year)}"
    if first == last:
        return f"in {first}"
    return f"from {first} to {last}"


def listed(texts: Sequence[str], *, word: str = "and") -> str:
    """Join texts as a sentence does."""
    if len(texts) < 2:
        return "".join(texts)
    return f"{', '.join(texts[:-1])} {word} {texts[-1]}"


def piece_in_words(dating: Dating, number: int) -> str:
    """Cite a piece of evidence: its number, what was seen, and the source."""
    piece = dating.weighed[number].piece
    return f"{piece.what.rstrip('. ')} (evidence {number + 1}; {piece.source.rstrip('. ')})"


def _sets(dating: Dating, sets: Sequence[tuple[int, ...]]) -> str:
    """Cite sets of pieces; of many, the first few."""
    shown = [
        listed([piece_in_words(dating, number) for number in each], word="together with")
        for each in sets[:_SHOWN]
    ]
    more = len(sets) - len(shown)
    text = "; ".join(shown)
    return f"{text}; and {more} more" if more else text


_SHOWN = 3


def paragraph(dating: Dating) -> str:
    """Write the dating statement."""
    sentences = _conflict(dating) if not dating.allowed else _reckoned(dating)
    sentences += [_weak(dating, each) for each in dating.weaker if each.weighed.days != ALL_DAYS]
    sentences += [
        f"{_begun(piece_in_words(dating, each.number))} limits nothing: {each.why}."
        for each in dating.weighed
        if each.days == ALL_DAYS and each.why
    ]
    return " ".join(sentences)


def _begun(text: str) -> str:
    return text[:1].upper() + text[1:]


def _reckoned(dating: Dating) -> list[str]:
    days = dating.allowed
    if days == ALL_DAYS:
        return ["No firm evidence limits the date of making."]
    sentences = [f"Made {days_in_words(days)}, as all firm evidence allows."]
    for ordinal, end, found, words in (
        (days.first, False, dating.binding_first, "It is not earlier"),
        (days.last, True, dating.binding_last, "It is not later"),
    ):
        if math.isinf(ordinal):
            continue
        if found.sets:
            than = day_in_words(ordinal, end=end)
            sentences.append(f"{words} than {than}: {_sets(dating, found.sets)}.")
        else:
            sentences.append(f"{words}: too many pieces of evidence to name those that say so.")
    if dating.together and dating.together != days and _several(dating):
        together = days_in_words(dating.together)
        sentences.append(f"With all probable evidence it would be {together}.")
    return sentences


def _several(dating: Dating) -> bool:
    narrowing = [each for each in dating.weaker if each.allowed != dating.allowed]
    return sum(each.weighed.confidence == "probable" for each in narrowing) > 1


def _conflict(dating: Dating) -> list[str]:
    found = dating.conflicts
    head = "The firm evidence contradicts itself, so no date is given"
    sentences = [f"{head}: these cannot all hold: {_sets(dating, found.sets)}."]
    if not found.complete:
        sentences.append("There are more contradictions than are listed.")
    ways = dating.ways_out.sets[:_SHOWN]
    if ways:
        without = listed(
            [listed([f"evidence {n + 1}" for n in each], word="and") for each in ways], word="or"
        )
        sentences.append(f"The rest agrees without {without}.")
    return sentences


def _weak(dating: Dating, weaker: Weaker) -> str:
    each = weaker.weighed
    # What was found may be a sentence or a name, so it stands by itself.
    what, source = each.piece.what.rstrip(". "), each.piece.source.rstrip(". ")
    subject = f"Evidence {each.number + 1} ({each.confidence}: {what}; {source})"
    if not dating.allowed:
        return f"{subject} says {days_in_words(each.days)}."
    match weaker.effect.name:
        case "NOTHING":
            return f"{subject} changes nothing."
        case "NARROWS":
            return f"{subject} would narrow it: {days_in_words(weaker.allowed)}."
        case _:
            against = listed(
                [listed([f"evidence {n + 1}" for n in one]) for one in weaker.against[:_SHOWN]],
                word="or",
            )
            said = days_in_words(each.days)
            return f"{subject} says {said} and contradicts {against or 'the firm evidence'}."
