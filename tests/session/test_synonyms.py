"""Synonyms of the trade: asked about, never taken silently."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from pathlib import Path

import pytest

from archiver.session import load_session
from archiver.session.shape import Shape, shape
from archiver.session.synonyms import SYNONYMS, meant
from tests.session.folders import codes, edit, only, whole_session


def _closed_lists(form: Shape) -> Iterator[tuple[str, ...]]:
    if form.values:
        yield tuple(str(value) for value in form.values)
    inner = [*(form.fields or {}).values(), *([form.item] if form.item is not None else [])]
    for each in inner:
        yield from _closed_lists(each)


LISTS = [
    *dict.fromkeys(
        itertools.chain.from_iterable(
            _closed_lists(shape(name)) for name in ("session", "machine", "type")
        )
    ),
    ("yes", "no"),
]


def test_every_word_of_the_table_is_an_accepted_word() -> None:
    assert set(SYNONYMS) <= set(itertools.chain.from_iterable(LISTS))


def test_a_synonym_means_one_word_of_a_list() -> None:
    for words in LISTS:
        told = [each for word in words for each in SYNONYMS.get(word, ())]
        assert len(told) == len(set(told)), words


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("tin foil", "foil sheet"),
        ("tinfoil", "foil sheet"),
        ("Tin-Foil", "foil sheet"),
        ("cylinder", "wax cylinder"),
        ("wax cilinder", "wax cylinder"),
        ("acetate", "lacquer disc"),
    ],
)
def test_a_word_of_the_trade_is_answered_with_a_question(
    tmp_path: Path, text: str, kind: str
) -> None:
    folder = whole_session(tmp_path)
    edit(folder, "session.yaml", "    kind: wax cylinder\n", f"    kind: {text}\n")
    # The rest is judged as if the proposed word stood there.
    found = load_session(folder).findings
    (finding,) = (each for each in found if each.code == "sheet-value")
    assert f"`{text}` is not one of the accepted words; did you mean `{kind}`?" in finding.message
    assert finding.remedy == f"Write `kind: {kind}` if that is meant."


@pytest.mark.parametrize(
    ("old", "new", "word"),
    [
        ("    kind: reproduction\n", "    kind: playback\n", "reproduction"),
        ("    kind: performance\n", "    kind: recording\n", "performance"),
        ("      kind: spring  ", "      kind: hand-crank  ", "hand crank"),
        ("      kind: spring  ", "      kind: clockwork  ", "spring"),
        ("    role: performer\n", "    role: singer\n", "performer"),
    ],
)
def test_every_closed_list_is_asked_about(tmp_path: Path, old: str, new: str, word: str) -> None:
    folder = whole_session(tmp_path)
    edit(folder, "session.yaml", old, new)
    (finding,) = [f for f in load_session(folder).findings if f.code == "sheet-value"]
    assert f"did you mean `{word}`?" in finding.message


def test_a_word_far_from_all_is_answered_with_the_list_alone(tmp_path: Path) -> None:
    assert meant("porcelain", ("wax cylinder", "foil sheet")) is None
    folder = whole_session(tmp_path)
    edit(folder, "session.yaml", "    kind: wax cylinder\n", "    kind: xyz\n")
    finding = only(folder)
    assert "did you mean" not in finding.message
    assert "foil sheet" in finding.accepted
    assert codes(load_session(folder)) == ["sheet-value"]
