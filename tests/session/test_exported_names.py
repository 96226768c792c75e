"""The public names of the room."""

from __future__ import annotations

from archiver import session


def test_public_names_are_sorted_and_there() -> None:
    assert session.__all__ == sorted(session.__all__)
    for name in session.__all__:
        assert hasattr(session, name)
