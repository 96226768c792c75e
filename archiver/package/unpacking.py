"""Unpack a package: under the bag's name stands what its manifests say, or nothing.

Names, kinds and sizes are judged as they come, content goes to a hidden directory beside the
final one, the bag there is compared with its own manifests, and only then it gets its name.

Source: the drafts of BagIt before RFC 8493 (one bag, one top directory), RFC 8493 section 5;
the order of writing and flushing is the house's own.
"""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from archiver import files
from archiver.errors import ArchiverError, MisuseError, SurroundingsError
from archiver.findings import Severity, Where
from archiver.package.destination import make_destination
from archiver.package.entry_names import NameJudge
from archiver.package.form import Form
from archiver.package.incoming import Entry, Incoming
from archiver.package.inflating import content_bytes, inflated
from archiver.package.limits import RATIO_FROM_BYTES, Limits
from archiver.package.named_information import is_ni
from archiver.package.package_rules import (
    BAG_DIFFERS,
    NO_BAG,
    NOT_WHOLE,
    NOTHING,
    RATIO,
    TOO_MANY,
    TOO_MUCH,
    TRUNCATED,
)
from archiver.package.reader import read_bag
from archiver.package.refusal import PackageDamagedError, some_of
from archiver.package.rules import DECLARATION_MISSING, FETCH_PENDING, MANIFEST_MISSING, OXUM
from archiver.package.settling import Settler
from archiver.package.space import bytes_needed, require_space
from archiver.package.storing import close_quietly
from archiver.package.tar_reading import read_tar
from archiver.package.validate import BagReport, validate
from archiver.package.zip_reading import read_zip
from archiver.telling import count

__all__ = ["Unpacked", "unpack"]

_LOOK_FOR_SPACE_BYTES = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Unpacked:
    """A bag that came out of a package.

    Parameters
    ----------
    root : Path
        The bag's directory.
    form : Form
        Of the package.
    files : int
        Files of the bag.
    bytes : int
        Their content.
    report : BagReport
        What the comparison with the manifests gave; the bag is valid.
    """

    root: Path
    form: Form
    files: int
    bytes: int
    report: BagReport


def unpack(
    package: Path | Sequence[Path],
    into: Path,
    *,
    limits: Limits | None = None,
    complete: Callable[[Path], None] | None = None,
    on_bytes: Callable[[int], None] | None = None,
) -> Unpacked:
    """Unpack a bag and compare it with its manifests.

    Parameters
    ----------
    package : Path or sequence of Path
        The package, or its parts in their order.
    into : Path
        Directory that will hold the bag; made if it is missing.
    limits : Limits, optional
        How much it may unpack to.
    complete : callable, optional
        Called with the directory of the bag, which has not its name yet, before it is
        compared: to bring in the files that ``fetch.txt`` lists.
    on_bytes : callable, optional
        Called with the number of bytes of content that were unpacked.

    Returns
    -------
    Unpacked
        The bag; it is valid.

    Raises
    ------
    PackageRefusedError
        The package holds what is not taken; the finding says what.
    PackageDamagedError
        The package is damaged, or the bag is not what its manifests say.
    MisuseError
        The name of the bag is taken, or a path is no file.
    SurroundingsError
        No space, no permission. In all cases nothing is left.
    """
    limits = limits or Limits()
    paths = [package] if isinstance(package, Path) else list(package)
    with Incoming(paths) as incoming, contextlib.ExitStack() as undo:
        form = incoming.form()
        make_destination(into, undo, "a directory for the bag")
        if form is Form.ZIP:
            listed = read_zip(incoming, limits)
            announced = bytes_needed(entry.size for entry in listed)
            entries: Iterator[Entry] = iter(listed)
        else:
            said = content_bytes(incoming, form)
            announced = incoming.size if said is None else said
            _require_likely(incoming, form, limits, announced)
            entries = read_tar(inflated(incoming, form, limits), incoming)
        require_space(into, announced)
        writer = _Writer(incoming, into, limits, form, on_bytes)
        undo.callback(writer.discard)
        written = writer.write(entries)
        if complete is not None:
            complete(writer.root)
        report = _compared(incoming, writer.root, whole=complete is not None)
        writer.name()
        undo.pop_all()
        return Unpacked(
            root=writer.final,
            form=form,
            files=written[0],
            bytes=written[1],
            report=report,
        )


class _Writer:
    """Writes the entries of a package below a directory that has not its name yet."""

    def __init__(
        self,
        incoming: Incoming,
        into: Path,
        limits: Limits,
        form: Form,
        on_bytes: Callable[[int], None] | None,
    ) -> None:
        self._form = form
        self._incoming = incoming
        self._into = into
        self._limits = limits
        self._on_bytes = on_bytes
        # Windows refuses such names itself, or takes them for something else.
        any_names = limits.any_names and os.name != "nt"
        self._judge = NameJudge(incoming.name, any_names=any_names)
        self._held = contextlib.ExitStack()
        self._made = into
        self._bytes = 0
        self.root = into
        self.final = into

    def write(self, entries: Iterator[Entry]) -> tuple[int, int]:
        """Write all entries and bring them to the medium; return how many files and bytes."""
        count = file_count = 0
        with Settler() as settler:
            for entry in entries:
                count += 1
                path = self._judge.judge(entry.name, is_directory=entry.is_directory)
                # A directory counts that is only named on the way to a file: it is made too.
                if max(count, self._judge.count) > self._limits.most_entries:
                    raise self._incoming.refused(
                        TOO_MANY,
                        f"there are more than {self._limits.most_entries} files and directories",
                        accepted=f"{self._limits.most_entries} at most",
                    )
                self._room_for(entry)
                if count == 1:
                    self._begin(self._judge.top or "")
                place = self.root.joinpath(*path.split("/")) if path else self.root
                if entry.is_directory:
                    self._make(place)
                    # It has no content; what is packed as none may hide something.
                    for _ in entry.blocks():
                        pass
                else:
                    self._make(place.parent)
                    self._write(entry, place, settler)
                    file_count += 1
            settler.finish()
        if not file_count:
            raise self._incoming.refused(NOTHING, "there is no file in the package")
        return file_count, self._bytes

    def _room_for(self, entry: Entry) -> None:
        most = self._limits.most_bytes
        if most is not None and self._bytes + entry.size > most:
            raise self._incoming.refused(
                TOO_MUCH,
                f"there are more than {most} bytes",
                field=entry.name,
                accepted=f"{most} bytes at most",
            )
        # Before the free space is looked at: what cannot be true is no fault of the disk.
        _require_likely(self._incoming, self._form, self._limits, entry.size, entry.name)
        if entry.size >= _LOOK_FOR_SPACE_BYTES:
            free = files.free_bytes(self._into)
            if entry.size > free:
                raise SurroundingsError(
                    f"an entry of the package announces {entry.size} bytes and {free} are free",
                    where=str(self._into),
                    remedy=f"Free at least {entry.size - free} bytes or choose another destination",
                )

    def _begin(self, top: str) -> None:
        self.final = self._into / top
        self._held.enter_context(
            files.lock(
                self._into / f".{top}.lock",
                busy=MisuseError(
                    "another run is making a bag of this name at this moment",
                    where=str(self.final),
                    remedy="Wait until it has ended",
                ),
            )
        )
        if files.exists(self.final):
            raise MisuseError(
                "a bag of this name exists already, and no bag is ever overwritten",
                where=str(self.final),
                remedy="Choose another destination, or move the existing one away",
            )
        # The lock is held, so the run that made these has ended.
        pattern = re.compile(rf"\.{re.escape(top)}\.[0-9a-f]+\.unfinished")
        for left in files.entries(self._into):
            if pattern.fullmatch(left.name):
                files.discard(self._into / left.name)
        self.root = files.temporary_sibling(self.final)
        self._make(self.root)

    def _make(self, directory: Path) -> None:
        if directory != self._made:
            files.make_directory(directory)
            self._made = directory

    def _write(self, entry: Entry, place: Path, settler: Settler) -> None:
        settler.check()
        unflushed = 0
        file = files.create(place)
        with contextlib.ExitStack() as ours:
            ours.callback(close_quietly, file)
            for block in entry.blocks():
                with files.translated(place, "written"):
                    file.write(block)
                unflushed = settler.early(file, place, unflushed + len(block))
                self._bytes += len(block)
                if self._on_bytes is not None:
                    self._on_bytes(len(block))
            ours.pop_all()
        settler.settle(file, place, None)

    def name(self) -> None:
        """Bring the directories to the medium and give the bag its name."""
        for directory in _deepest_first(self.root):
            files.flush_directory(directory)
        try:
            files.rename_new(self.root, self.final)
            files.flush_directory(self._into)
        except BaseException:
            # A run that fails leaves nothing, not even a bag that is probably whole.
            with contextlib.suppress(ArchiverError):
                if not files.exists(self.root) and files.exists(self.final):
                    files.rename_new(self.final, self.root)
            raise
        self._held.close()

    def discard(self) -> None:
        """Remove what was written and let go of the name."""
        try:
            if self.root != self._into:
                with contextlib.suppress(ArchiverError):
                    files.discard(self.root)
        finally:
            self._held.close()


def _require_likely(
    incoming: Incoming, form: Form, limits: Limits, announced: int, name: str = ""
) -> None:
    """Refuse what announces more than can come out of the package."""
    if form is Form.TAR and announced > incoming.size:
        raise incoming.damaged(
            TRUNCATED,
            f"{announced} bytes are announced, and the package has {incoming.size}",
            field=name,
        )
    if announced > max(RATIO_FROM_BYTES, limits.most_ratio * incoming.size):
        raise incoming.refused(
            RATIO,
            f"{incoming.size} bytes announce {announced}",
            field=name,
            accepted=f"{limits.most_ratio:g} times at most",
        )


def _deepest_first(root: Path) -> Iterator[Path]:
    """Yield the directories below one, each behind those in it, and that one last."""
    # As they lie there, since what completes a bag makes directories of its own.
    waiting = [(root, _directories(root))]
    while waiting:
        directory, rest = waiting[-1]
        deeper = next(rest, None)
        if deeper is None:
            waiting.pop()
            yield directory
        else:
            waiting.append((directory / deeper, _directories(directory / deeper)))


def _directories(directory: Path) -> Iterator[str]:
    return iter([entry.name for entry in files.entries(directory) if entry.is_directory])


def _compared(incoming: Incoming, root: Path, *, whole: bool) -> BagReport:
    """Compare a bag with its manifests; ``whole`` says that all was brought in that it names."""
    report = validate(root)
    if report.valid:
        return report
    wrong = tuple(f for f in report.findings if f.severity is Severity.ERROR)
    codes = {finding.code for finding in wrong}
    if {DECLARATION_MISSING.code, MANIFEST_MISSING.code} <= codes:
        raise incoming.refused(NO_BAG, "it holds no bag: there is no bagit.txt and no manifest")
    # What it states of its payload it states of all of it.
    if not whole and FETCH_PENDING.code in codes <= {FETCH_PENDING.code, OXUM.code}:
        raise incoming.refused(NOT_WHOLE, _left_out(root))
    raise PackageDamagedError(
        BAG_DIFFERS.at(
            Where(file=incoming.name),
            f"the bag in it is {report.verdict}: {some_of(wrong)}",
        ),
        wrong,
    )


def _left_out(root: Path) -> str:
    absent = [
        line.url
        for line in read_bag(root).fetch
        if not files.exists(root.joinpath(*line.path.split("/")))
    ]
    named = sum(is_ni(url) for url in absent)
    parts = [
        f"{count(named, 'file')} of an earlier version" if named else "",
        f"{count(len(absent) - named, 'file')} at a URL" if len(absent) > named else "",
    ]
    return (
        f"what it holds is intact, and {' and '.join(filter(None, parts))}, as fetch.txt says, "
        f"{'is' if len(absent) == 1 else 'are'} to be brought in"
    )
