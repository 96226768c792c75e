"""Names before packing: one look over all of them must find what a look at each would find."""

from __future__ import annotations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from archiver.package.entry_names import DEEPEST, NameJudge
from archiver.package.refusal import PackageRefusedError

COMPONENTS = st.sampled_from(
    ["a", "b", "A", "data", "bagit.txt", ".hidden", "con", "con.txt", "console", "nul", "a.", ".."]
) | st.text(alphabet="aB.~%:\\ é-_", max_size=4)


def entries(paths: list[list[str]]) -> list[str]:
    """The names of files and of all their directories, as a package has them."""
    names: set[str] = set()
    for parts in paths:
        names.update("/".join(parts[:depth]) + "/" for depth in range(1, len(parts)))
        names.add("/".join(parts))
    return sorted(names)


def refusal_of_each(names: list[str]) -> str:
    judge = NameJudge("x.tar")
    try:
        for name in names:
            judge.judge(name, is_directory=name.endswith("/"))
    except PackageRefusedError as error:
        return str(error)
    return ""


def refusal_of_all(names: list[str]) -> str:
    try:
        NameJudge("x.tar").judge_all(names)
    except PackageRefusedError as error:
        return str(error)
    return ""


@given(st.lists(st.lists(COMPONENTS, min_size=1, max_size=3), min_size=1, max_size=6))
@example([["d"] * (DEEPEST - 1), ["x"]])
@example([["d"] * DEEPEST, ["x"]])
@example([["n" * 200, "x"], ["y" * 240]])
@example([["a"], ["a", "b"]])
def test_one_look_at_all_names_finds_what_a_look_at_each_finds(paths: list[list[str]]) -> None:
    names = entries([["top", *parts] for parts in paths])
    assert refusal_of_all(names) == refusal_of_each(names)


@pytest.mark.parametrize("names", [[".top/", ".top/a"], ["n" * 201 + "/"], ["top/", "other/a"]])
def test_a_top_that_is_not_taken_is_found_among_harmless_names(names: list[str]) -> None:
    with pytest.raises(PackageRefusedError):
        NameJudge("x.tar").judge_all(names)


def test_no_name_is_harmless() -> None:
    NameJudge("x.tar").judge_all([])
