"""Documents drawn from the schemas."""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st

from archiver.session.shape import Shape


def values(form: Shape) -> st.SearchStrategy[Any]:
    """Draw JSON that is valid by a shape."""
    if form.kind == "object":
        assert form.fields is not None
        needed = {name: values(part) for name, part in form.fields.items() if name in form.required}
        other = {
            name: values(part) for name, part in form.fields.items() if name not in form.required
        }
        return st.fixed_dictionaries(needed, optional=other)
    if form.kind == "array":
        assert form.item is not None
        return st.lists(values(form.item), min_size=form.min_items, max_size=2)
    if form.kind == "boolean":
        return st.booleans()
    if form.values:
        return st.sampled_from(form.values)
    if form.kind == "integer":
        return st.integers(form.minimum or 0, form.maximum or 99)
    if form.format or (form.pattern is not None and form.pattern.pattern != "\\S"):
        return st.just(form.example)
    return st.sampled_from([form.example, "no", "1.10", "2026-04-18", "x\ny", "é", "~"])
