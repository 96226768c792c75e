"""The template: a filled-in example in which every field is explained."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from archiver.session import load_session, template_files
from archiver.session.shape import Shape, shape
from tests.session.folders import codes, write

FILES = {
    "session": "session.yaml",
    "machine": "machines/example-machine.yaml",
    "type": "types/example-model.yaml",
}


def test_the_template_as_laid_out_lacks_only_the_files_that_it_lists(tmp_path: Path) -> None:
    for path, text in template_files().items():
        write(tmp_path, path, text.encode("utf-8"))
    assert sorted(codes(load_session(tmp_path))) == [
        "document-missing",
        "photograph-missing",
        "photograph-missing",
        "take-file-missing",
        "take-file-missing",
    ]


def test_every_folder_of_a_session_is_laid_out() -> None:
    assert {path.partition("/")[0] for path in template_files() if "/" in path} == {
        "documents",
        "machines",
        "photographs",
        "takes",
        "types",
    }


def _names(form: Shape) -> Iterator[str]:
    for name, field in (form.fields or {}).items():
        yield name
        inner = field.item if field.kind == "array" else field
        if inner is not None:
            yield from _names(inner)


@pytest.mark.parametrize("name", list(FILES))
def test_every_field_of_the_schema_stands_in_the_template(name: str) -> None:
    text = template_files()[FILES[name]]
    missing = [each for each in _names(shape(name)) if not re.search(rf"\b{each}:", text)]
    assert missing == []


@pytest.mark.parametrize("name", list(FILES))
def test_every_word_of_a_closed_list_is_named(name: str) -> None:
    def words(form: Shape) -> Iterator[str]:
        yield from (str(value) for value in form.values)
        for field in (form.fields or {}).values():
            yield from words(field)
        if form.item is not None:
            yield from words(form.item)

    text = " ".join(template_files()[FILES[name]].replace("#", " ").split())
    missing = [word for word in words(shape(name)) if not word.isdigit() and word not in text]
    assert missing == []


def test_lines_fit_an_editor() -> None:
    for path, text in template_files().items():
        assert max(map(len, text.splitlines())) <= 120, path
        assert text.endswith("\n"), path
