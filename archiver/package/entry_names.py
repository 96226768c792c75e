"""Judge the names in a package before anything is written, alike on every system.

A name is taken for a path only if every common system and every common program reads it in
the same way. The same judge stands before packing, so that nothing is packed that would be
refused.

Sources: RFC 8493 sections 5.1 and 6.1; the list is the house's own.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from archiver.findings import Rule, Where
from archiver.package.names import danger, folded, obstacles, shown, travel_well
from archiver.package.package_rules import (
    DEPTH,
    NAME_CHARACTER,
    NAME_DEVICE,
    NAME_ENCODING,
    NAME_LONG,
    NAME_NUL,
    NAME_REPEATED,
    NAME_TRAILING,
    NAMES_ONE,
    PATH_ABSOLUTE,
    PATH_BACKSLASH,
    PATH_CLIMBS,
    PATH_CONFLICT,
    PATH_DRIVE,
    PATH_HOME,
    PATH_UNC,
    PATH_UNCLEAR,
    TOP_NAME,
    TOP_NO_DIRECTORY,
    TOP_NOT_ONE,
)
from archiver.package.refusal import PackageRefusedError

__all__ = ["DEEPEST", "LONGEST_NAME_BYTES", "LONGEST_PATH_BYTES", "LONGEST_TOP_BYTES", "NameJudge"]

LONGEST_NAME_BYTES = 255
"""Of one component, in UTF-8; the limit of common file systems."""
LONGEST_TOP_BYTES = 200
"""Of the top directory: ending, number of a part and the mark of what is unfinished are added."""
LONGEST_PATH_BYTES = 4096
"""Of a whole path, in UTF-8; the limit of Linux."""
DEEPEST = 64
"""Directories in each other."""

_MAC = "__MACOSX"

_DRIVE = re.compile(r"[A-Za-z]:")
_SURROGATE = re.compile(r"[\ud800-\udfff]")


class NameJudge:
    """Judges the names of one package, in the order of its entries.

    Parameters
    ----------
    package : str
        Named in the errors.
    any_names : bool
        Whether names are taken that Windows refuses or changes, and names that differ in case
        or Unicode form only. What leads out of the target is never taken.
    """

    def __init__(self, package: str, *, any_names: bool = False) -> None:
        self._package = package
        self._any_names = any_names
        self._top: str | None = None
        # By the number of the directory above and the folded name: its own number, the name as
        # it is spelt, and whether it is a directory. Whole paths would fill the memory, since
        # one entry can name as many directories as are allowed in each other.
        self._taken: dict[tuple[int, str], tuple[int, str, bool]] = {}

    @property
    def top(self) -> str | None:
        """The top directory; None before the first entry."""
        return self._top

    @property
    def count(self) -> int:
        """Files and directories so far, with those that are only named on the way to others."""
        return len(self._taken)

    def refuse(
        self, rule: Rule, name: str, message: str, *, accepted: str = ""
    ) -> PackageRefusedError:
        """Make the error that refuses an entry."""
        where = Where(file=self._package, field=shown(name[:300]))
        return PackageRefusedError(rule.at(where, message, accepted=accepted))

    def judge(self, name: str, *, is_directory: bool) -> str:
        """Judge one entry.

        Parameters
        ----------
        name : str
            As it stands in the package; a directory may end in ``/``.
        is_directory : bool
            Whether the entry is one.

        Returns
        -------
        str
            The path below the top directory, with ``/``; empty for that directory itself.

        Raises
        ------
        PackageRefusedError
            The name is not taken; the finding says why.
        """
        path = name.rstrip("/") if is_directory else name
        self._characters(name)
        self._place(name)
        components = path.split("/")
        if path.endswith("/") or any(part in {"", "."} for part in components):
            raise self.refuse(
                PATH_UNCLEAR, name, "the path has an empty component or one that is '.'"
            )
        self._lengths(name, components)
        if not self._any_names:
            self._portable(name, path)
        self._in_top(name, components, is_directory=is_directory)
        self._take(name, components, is_directory=is_directory)
        return "/".join(components[1:])

    def judge_all(self, names: Sequence[str]) -> None:
        """Judge all entries of a package that is to be made, in one look if they are harmless.

        Parameters
        ----------
        names : sequence of str
            A directory ends in ``/``; every directory of a file is among them.

        Raises
        ------
        PackageRefusedError
            As :meth:`judge`.
        """
        for name in names[:1]:
            self.judge(name, is_directory=name.endswith("/"))
        top = f"{self._top}/"
        plain = [name.removesuffix("/") for name in names]
        harmless = (
            travel_well(plain)
            and all(name.startswith(top) for name in names)
            and not any("//" in name or name.count("/") >= DEEPEST for name in names)
        )
        if not harmless:
            for name in names[1:]:
                self.judge(name, is_directory=name.endswith("/"))

    def _characters(self, name: str) -> None:
        if "\0" in name:
            raise self.refuse(NAME_NUL, name, "the name holds a NUL character")
        if _SURROGATE.search(name):
            raise self.refuse(NAME_ENCODING, name, "the name is not UTF-8")

    def _place(self, name: str) -> None:
        if not name:
            raise self.refuse(PATH_UNCLEAR, name, "the entry has no name")
        if name.startswith(("//", "\\\\")):
            raise self.refuse(PATH_UNC, name, "the path names a network share or a device")
        if name.startswith("/"):
            raise self.refuse(PATH_ABSOLUTE, name, "the path is absolute")
        below = name.partition("/")[2]
        if _DRIVE.match(name) or _DRIVE.match(below):
            raise self.refuse(PATH_DRIVE, name, "the path names a drive")
        if ".." in re.split(r"[/\\]", name):
            raise self.refuse(PATH_CLIMBS, name, "the path climbs with '..'")
        if "\\" in name:
            raise self.refuse(PATH_BACKSLASH, name, "the path holds a backslash")
        # As in a manifest: below the top directory the same paths are dangerous.
        reason = danger(name) or (danger(below) if below else "")
        if reason and not below.startswith("/"):
            raise self.refuse(PATH_HOME, name, f"the path is refused: {reason}")

    def _lengths(self, name: str, components: list[str]) -> None:
        if len(components) > DEEPEST:
            raise self.refuse(
                DEPTH,
                name,
                f"the path has {len(components)} components",
                accepted=f"{DEEPEST} at most",
            )
        longest = max(len(part.encode()) for part in components)
        if longest > LONGEST_NAME_BYTES or len(name.encode()) > LONGEST_PATH_BYTES:
            raise self.refuse(
                NAME_LONG,
                name,
                f"a name of {longest} bytes in a path of {len(name.encode())} bytes",
                accepted=f"{LONGEST_NAME_BYTES} bytes a name, {LONGEST_PATH_BYTES} a path",
            )

    def _portable(self, name: str, path: str) -> None:
        for reason in obstacles(path):
            rule = NAME_CHARACTER
            if "reserves" in reason:
                rule = NAME_DEVICE
            elif "drops" in reason:
                rule = NAME_TRAILING
            raise self.refuse(rule, name, reason)

    def _in_top(self, name: str, components: list[str], *, is_directory: bool) -> None:
        top = components[0]
        if self._top is None:
            if top.startswith("."):
                raise self.refuse(
                    TOP_NAME,
                    name,
                    "the top directory is hidden",
                    accepted="a name without a leading full stop",
                )
            if len(top.encode()) > LONGEST_TOP_BYTES:
                raise self.refuse(
                    NAME_LONG,
                    name,
                    f"the name of the top directory has {len(top.encode())} bytes",
                    accepted=f"{LONGEST_TOP_BYTES} bytes at most",
                )
            self._top = top
        elif top != self._top:
            mac = (
                " (macOS puts it beside what its own packing holds)"
                if _MAC in {top, self._top}
                else ""
            )
            raise self.refuse(
                TOP_NOT_ONE,
                name,
                f"there is a second name at the top, beside {shown(self._top)!r}{mac}",
                accepted="one top directory, as `archiver pack`, tar and zip make it",
            )
        if len(components) == 1 and not is_directory:
            raise self.refuse(
                TOP_NO_DIRECTORY, name, "a file stands at the top", accepted="one top directory"
            )

    def _take(self, name: str, components: list[str], *, is_directory: bool) -> None:
        above = 0
        for depth, component in enumerate(components, 1):
            directory = is_directory or depth < len(components)
            key = above, component if self._any_names else folded(component)
            before = self._taken.get(key)
            if before is None:
                above = len(self._taken) + 1
                self._taken[key] = above, component, directory
                continue
            above, spelt, was_directory = before
            path = "/".join(components[:depth])
            if spelt != component:
                other = "/".join((*components[: depth - 1], spelt))
                raise self.refuse(
                    NAMES_ONE,
                    name,
                    f"{path!a} and {other!a} are one name on some systems",
                )
            if was_directory is not directory:
                raise self.refuse(PATH_CONFLICT, name, f"{shown(path)!r} is a file and a directory")
            if not directory:
                raise self.refuse(NAME_REPEATED, name, "there are two entries of this name")
