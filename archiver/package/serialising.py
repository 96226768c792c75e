"""Serialise a bag: one file of one top directory, alike each time, never stored a second time.

The bytes depend on the bag alone: members in byte order, owner 0, fixed modes, and for the
time of all members the day on which the bag was made. They are produced while they are sent.

Source: the drafts of BagIt before RFC 8493 (one bag, one top directory, extension).
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Protocol

from archiver import files
from archiver.errors import MisuseError
from archiver.findings import Severity, Where
from archiver.package.compressed import Compressed, gzip_blocks, zstd_blocks
from archiver.package.entry_names import NameJudge
from archiver.package.form import Form
from archiver.package.layout import FileSource, Layout, Member
from archiver.package.manifest import hashlib_name
from archiver.package.package_rules import BAG_NOT_COMPLETE, NOT_PORTABLE
from archiver.package.reader import Bag, read_bag
from archiver.package.refusal import PackageDamagedError, PackageRefusedError, some_of
from archiver.package.tar_form import TarFrame
from archiver.package.validate import validate
from archiver.package.zip_form import ZipFrame

__all__ = ["Addition", "Sendable", "Serialised", "serialise"]

# The cheapest that is safe first; others in the order of the manifests.
_PREFERRED = ("sha256", "sha1", "sha512", "md5")
_DATE = re.compile(r"(\d{4})-(\d{2})-(\d{2})", re.ASCII)
_NO_DATE = datetime(1980, 1, 1, tzinfo=UTC)


class Sendable(Protocol):
    """A named stream of bytes that is the same each time.

    ``size`` is None where it is known only at the end.
    """

    name: str

    @property
    def size(self) -> int | None:
        """Bytes of the whole."""

    def blocks(self, start: int = 0) -> Iterator[bytes]:
        """Yield the bytes from an offset on; each block stays as it is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Addition:
    """A tag file that only the package holds, such as ``fetch.txt``."""

    path: str
    content: bytes


class Serialised:
    """A bag in a form, ready to be sent.

    Parameters
    ----------
    form : Form
        The form.
    stream : Sendable
        Its bytes.
    read_bytes : int
        How much of the bag is read on the way from the first byte to the last.
    """

    def __init__(self, *, form: Form, stream: Sendable, read_bytes: int) -> None:
        self.name = stream.name
        self.form = form
        self.read_bytes = read_bytes
        self._stream = stream

    @property
    def size(self) -> int | None:
        """Bytes of the package, exactly; None if the form compresses."""
        return self._stream.size

    def blocks(self, start: int = 0) -> Iterator[bytes]:
        """Yield the bytes of the package from an offset on, the same each time.

        Raises
        ------
        InputError
            A file of the bag changed since :func:`serialise`.
        IntegrityError
            A file is not what the bag's manifests say.
        SurroundingsError
            A file cannot be opened.
        """
        return self._stream.blocks(start)


def serialise(
    bag: Path,
    form: Form,
    *,
    omit: Collection[str] = (),
    additions: Sequence[Addition] = (),
    modified_s: int | None = None,
    any_names: bool = False,
    compare: bool = True,
    on_bytes: Callable[[int], object] | None = None,
) -> Serialised:
    """Prepare a bag to be sent in a form; no payload is read yet.

    Parameters
    ----------
    bag : Path
        The bag's directory.
    form : Form
        Not :attr:`Form.FOLDER`.
    omit : collection of str
        Paths of payload files that are left out of the package.
    additions : sequence of Addition
        Tag files that only the package holds.
    modified_s : int, optional
        Time of all members, in seconds since 1970-01-01; without it the day that the bag
        states as Bagging-Date.
    any_names : bool
        Whether names are packed that some systems refuse or change.
    compare : bool
        Whether every file is compared with the bag's manifests as it is read; without it a
        file must only be the one that it was when this was called.
    on_bytes : callable, optional
        Called with the number of bytes of the bag that were read.

    Raises
    ------
    PackageDamagedError
        The bag is not complete.
    PackageRefusedError
        The bag holds a name that would be refused when it is unpacked.
    MisuseError
        There is no bag, or what is to be left out or added does not fit it.
    """
    if form is Form.FOLDER:
        raise MisuseError(
            "a folder is not serialised",
            where=str(bag),
            accepted=", ".join(each for each in Form if each is not Form.FOLDER),
        )
    said = read_bag(bag)
    report = validate(said, content=False)
    wrong = tuple(f for f in report.findings if f.severity is Severity.ERROR)
    if wrong:
        raise PackageDamagedError(
            BAG_NOT_COMPLETE.at(
                Where(file=str(bag)),
                f"the bag is not complete: {some_of(wrong)}",
            ),
            wrong,
        )
    top = bag.name if bag.name not in {"", ".", ".."} else files.resolved(bag).name
    expected = _expected(said) if compare else {}
    members = _members(expected, bag, top, frozenset(omit), additions)
    _judge_names(top, form, members, any_names=any_names)
    content_bytes = sum(m.size for m in members if isinstance(m.source, FileSource))
    time_s = _day_of(said) if modified_s is None else modified_s
    name = top + form.ending
    if form is Form.ZIP:
        zipped = Layout(name, members, ZipFrame(time_s, on_bytes=on_bytes), on_bytes=on_bytes)
        return Serialised(form=form, stream=zipped, read_bytes=2 * content_bytes)
    tar = Layout(name, members, TarFrame(time_s), on_bytes=on_bytes)
    stream: Sendable = tar
    if form is Form.TAR_GZ:
        stream = Compressed(name, tar, gzip_blocks)
    elif form is Form.TAR_ZST:
        stream = Compressed(name, tar, zstd_blocks)
    return Serialised(form=form, stream=stream, read_bytes=content_bytes)


def _members(
    expected: dict[str, tuple[str, str]],
    bag: Path,
    top: str,
    omit: frozenset[str],
    additions: Sequence[Addition],
) -> list[Member]:
    found = [path for path, _ in files.walk_files(bag)]
    payload = {path for path in found if path.startswith("data/")}
    if strangers := sorted(omit - payload):
        raise MisuseError(
            f"{strangers[0]!r} cannot be left out: it is no payload file of the bag",
            where=str(bag),
            accepted="paths below data/ that lie in the bag",
        )
    members = []
    for path in found:
        if path in omit:
            continue
        # Text, since ten thousand path objects cost as much as reading as many small files.
        place = f"{bag}{os.sep}{path.replace('/', os.sep)}"
        status = files.status(place)
        algorithm, checksum = expected.get(path, ("", ""))
        source = FileSource(place=place, status=status, algorithm=algorithm, checksum=checksum)
        members.append(Member(path=f"{top}/{path}", size=status.size, source=source))
    taken = {member.path for member in members}
    for addition in additions:
        path = f"{top}/{addition.path}"
        if path in taken or addition.path.startswith("data/"):
            raise MisuseError(
                f"{addition.path!r} cannot be added: it "
                + ("lies in the bag" if path in taken else "would be payload"),
                where=str(bag),
                accepted="a tag file that the bag does not hold",
            )
        members.append(Member(path=path, size=len(addition.content), source=addition.content))
    directories = {f"{top}/data/"}
    for member in members:
        parts = member.path.split("/")[:-1]
        directories.update("/".join(parts[: depth + 1]) + "/" for depth in range(len(parts)))
    members += [Member(path=path, size=0) for path in directories]
    # What is not Unicode is refused with the other names, by the judge.
    return sorted(members, key=lambda member: member.path.encode("utf-8", "surrogatepass"))


def _judge_names(top: str, form: Form, members: Sequence[Member], *, any_names: bool) -> None:
    """Refuse what unpacking would refuse, and say what can be done where the bag is."""
    name = top + form.ending
    remedy = "Give the folder of the bag another name, and pack it under that"
    try:
        NameJudge(name, any_names=any_names).judge(f"{top}/", is_directory=True)
        remedy = "Make a new version of the bag in which it has another name, and pack that"
        NameJudge(name, any_names=any_names).judge_all([member.path for member in members])
    except PackageRefusedError as error:
        if error.finding.code in NOT_PORTABLE:
            remedy += ". Or allow names of any kind on both sides, with --any-names"
        raise PackageRefusedError(replace(error.finding, remedy=remedy)) from error


def _expected(said: Bag) -> dict[str, tuple[str, str]]:
    """Choose one checksum for each listed file."""
    ranks = {name: rank for rank, name in enumerate(_PREFERRED)}
    usable = [
        (ranks.get(name, len(ranks)), name, manifest)
        for manifest in said.manifests
        if (name := hashlib_name(manifest.algorithm)) is not None
    ]
    expected: dict[str, tuple[str, str]] = {}
    for _, name, manifest in sorted(usable, key=lambda one: one[0], reverse=True):
        for line in manifest.lines:
            expected[line.path] = (name, line.checksum)
    return expected


def _day_of(said: Bag) -> int:
    for value in said.info.values("Bagging-Date"):
        if found := _DATE.fullmatch(value.strip()):
            try:
                day = datetime(int(found[1]), int(found[2]), int(found[3]), tzinfo=UTC)
            except ValueError:
                continue
            return max(0, int(day.timestamp()))
    return int(_NO_DATE.timestamp())
