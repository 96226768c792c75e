"""The project's JSON Schemas, from the installed package or from a checkout.

The schemas are the public contract of the sheet, the machine record and the
reports (JSON Schema draft 2020-12). In a wheel they lie inside the package; in a
checkout, at the top of the repository.
"""

from __future__ import annotations

import functools
import json
from importlib import resources
from pathlib import Path
from typing import Any

from archiver.errors import DefectError

__all__ = ["schema", "schema_names"]

_SUFFIX = ".schema.json"


def _texts() -> dict[str, Any]:
    package = resources.files("archiver")
    shipped = package.joinpath("schemas")
    # An editable installation has no copy inside the package.
    place = shipped if shipped.is_dir() else Path(str(package)).parent / "schemas"
    if not place.is_dir():
        return {}
    return {
        entry.name.removesuffix(_SUFFIX): entry
        for entry in place.iterdir()
        if entry.name.endswith(_SUFFIX)
    }


def schema_names() -> tuple[str, ...]:
    """Return the names of the schemas that are there, sorted."""
    return tuple(sorted(_texts()))


@functools.cache
def schema(name: str) -> dict[str, Any]:
    """Return a JSON Schema as parsed JSON; treat it as read-only.

    Parameters
    ----------
    name : str
        Name of the file without ``.schema.json``, such as ``"session"``.

    Raises
    ------
    DefectError
        The installation has no such schema.
    """
    found = _texts().get(name)
    if found is None:
        raise DefectError(
            f"the schema {name!r} is missing from the installation",
            accepted=", ".join(schema_names()) or "a complete installation",
            remedy="Install the program again",
        )
    document: dict[str, Any] = json.loads(found.read_text(encoding="utf-8"))
    return document
