"""Every rule of every room, for explaining one by its code."""

from __future__ import annotations

import difflib
import importlib
import pkgutil
from collections.abc import Mapping

import archiver
from archiver.findings import RULES, Rule

__all__ = ["all_rules", "nearest_codes"]

# Rules stand beside what they judge, not always in a module of that name; the command
# line defines none.
_WITHOUT_RULES = ("archiver.cli", "archiver.__main__")


def all_rules() -> Mapping[str, Rule]:
    """Return all rules by code, having imported every module that may define one."""
    for module in pkgutil.walk_packages(archiver.__path__, "archiver."):
        if not module.name.startswith(_WITHOUT_RULES):
            importlib.import_module(module.name)
    return dict(sorted(RULES.items()))


def nearest_codes(code: str, *, most: int = 5) -> list[str]:
    """Return the codes that a mistyped one was probably meant to be, the nearest first."""
    known = list(all_rules())
    wanted = "-".join(code.strip().lower().replace("_", "-").split())
    close = difflib.get_close_matches(wanted, known, n=most, cutoff=0.6)
    # Short words such as "no" stand in codes of every kind.
    words = {word for word in wanted.split("-") if len(word) > 3}
    sharing = sorted(
        (each for each in known if words & set(each.split("-")) and each not in close),
        key=lambda each: -len(words & set(each.split("-"))),
    )
    return (close + sharing)[:most]
