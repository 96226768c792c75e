"""Validate a bag: every rule of the standard, every file, everything that is wrong.

Source: RFC 8493 section 3 (complete and valid), and the sections that the rules name.
"""

from __future__ import annotations

import enum
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from archiver.errors import IntegrityError
from archiver.findings import Finding, Severity, Where, in_order
from archiver.package.comparison import Comparison, Expectation, compare
from archiver.package.hashing import Hashed, Job, Journal, hash_all
from archiver.package.manifest import hashlib_name
from archiver.package.names import shown
from archiver.package.reader import Bag, read_bag
from archiver.package.rules import (
    ALGORITHM_UNKNOWN,
    CHECKSUM_DIFFERS,
    DECLARATION_VERSION,
    FILE_MISSING,
    FILE_NOT_OPENED,
    FILE_RENAMED,
    FILE_UNLISTED,
    FILE_UNREADABLE,
    READING_UNSTEADY,
)
from archiver.package.tree import Kind, Tree, survey

__all__ = ["BagReport", "CheckedFile", "Outcome", "Verdict", "validate"]

# What says that a checksum could not be verified, not that anything is wrong.
_UNDECIDED = frozenset({ALGORITHM_UNKNOWN.code, DECLARATION_VERSION.code, FILE_NOT_OPENED.code})
_FOLLOWED_CHANGES = 16

_OTHER_COPY = "take the file from another copy of the bag"


class Verdict(enum.StrEnum):
    """What can be said of a bag as a whole."""

    VALID = "valid"
    COMPLETE = "complete, content not read"
    INVALID = "not valid"
    UNDECIDED = "cannot be established"


class Outcome(enum.StrEnum):
    """What reading one listed file gave."""

    INTACT = "intact"
    UNSTEADY = "intact at the second reading"
    DIFFERS = "differs"
    UNREADABLE = "unreadable"
    UNKNOWN = "cannot be established"


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedFile:
    """A listed file that lies there.

    Parameters
    ----------
    path : str
        In the bag, with ``/``.
    size : int
        Bytes.
    outcome : Outcome
        Judged over all manifests that list it.
    digests : tuple of tuple of str
        Algorithm as :mod:`hashlib` names it, and digest found.
    belongs_to : str
        Of a file that differs, the path whose content it has; empty if no manifest knows it.
    """

    path: str
    size: int
    outcome: Outcome
    digests: tuple[tuple[str, str], ...]
    belongs_to: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class BagReport:
    """What validation found, and how deep it looked.

    Parameters
    ----------
    path : Path
        The bag.
    version : str
        Version of BagIt that the bag declares.
    verdict : Verdict
        Of the bag as a whole.
    findings : tuple of Finding
        Errors first.
    files : tuple of CheckedFile
        Payload and tag files that were listed and lie there, in the order of paths.
    missing : tuple of str
        Listed payload files that are not there.
    unlisted : tuple of str
        Payload files that stand in no manifest.
    algorithms : tuple of str
        Digest algorithms that were computed.
    payload_files, payload_bytes : int
        What lies below ``data/``.
    bytes_held : int
        Size of everything in the bag's directory.
    bytes_read : int
        Of these, how many were read and compared, or read as manifests.
    not_looked_at : tuple of str
        Files whose content was not compared with any checksum.
    manifests : tuple of tuple of str
        Name and SHA-256 of each manifest and tag manifest as it was read.
    """

    path: Path
    version: str
    verdict: Verdict
    findings: tuple[Finding, ...]
    files: tuple[CheckedFile, ...]
    missing: tuple[str, ...]
    unlisted: tuple[str, ...]
    algorithms: tuple[str, ...]
    payload_files: int
    payload_bytes: int
    bytes_held: int
    bytes_read: int
    not_looked_at: tuple[str, ...]
    manifests: tuple[tuple[str, str], ...] = ()

    @property
    def valid(self) -> bool:
        """Whether the bag is valid; warnings and notes do not count."""
        return self.verdict is Verdict.VALID


def validate(
    bag: Bag | Path,
    on_bytes: Callable[[int], None] | None = None,
    workers: int | None = None,
    *,
    content: bool = True,
    journal: Journal | None = None,
    until: Callable[[], bool] | None = None,
) -> BagReport:
    """Validate a bag.

    Parameters
    ----------
    bag : Bag or Path
        As read by :func:`~archiver.package.reader.read_bag`, or its directory.
    on_bytes : callable, optional
        Called with the number of bytes of each block read, from any thread.
    workers : int, optional
        Threads; the number of processors by default.
    content : bool
        Whether to read the payload. Without it lists, sizes and tag files are compared, and
        the best verdict is that the bag is complete.
    journal : Journal, optional
        Remembers what was read, so that an interrupted validation can go on.
    until : callable, optional
        Asked before each file; once it says yes no further file is begun.

    Raises
    ------
    MisuseError, SurroundingsError
        There is no directory to read; everything else is a finding.
    HashingStopped
        ``until`` said yes.

    Source: RFC 8493 section 3.
    """
    if isinstance(bag, Path):
        bag = read_bag(bag)
    tree = survey(bag.path)
    comparison = compare(bag, tree)
    findings = [*bag.findings, *tree.findings, *comparison.findings]
    sizes = {file.path: file.size for file in tree.files}
    jobs = _jobs(comparison, tree)
    if not content:
        jobs = [job for job in jobs if not job.path.startswith("data/")]
    hashed = hash_all(
        bag.path, jobs, workers=workers, on_bytes=on_bytes, journal=journal, until=until
    )
    judge = _Judge(comparison, hashed)
    checked = tuple(
        judge.judge(path, sizes[path], expectations)
        for path, expectations in sorted(comparison.expected.items())
    )
    findings += judge.findings
    findings += _strays(bag, comparison, workers, content=content)
    findings = list(in_order(dict.fromkeys(findings)))
    read = {path for path, result in hashed.items() if result.error is None}
    read |= {manifest.name for manifest in bag.tag_manifests}
    payload = list(tree.payload())
    return BagReport(
        path=bag.path,
        version=bag.declaration.version_text,
        verdict=_verdict(findings, content=content),
        findings=tuple(findings),
        files=checked,
        missing=tuple(sorted(comparison.missing)),
        unlisted=tuple(comparison.unlisted),
        algorithms=tuple(sorted({a for result in hashed.values() for a in result.digests})),
        payload_files=len(payload),
        payload_bytes=sum(file.size for file in payload),
        bytes_held=sum(sizes.values()),
        bytes_read=sum(size for path, size in sizes.items() if path in read),
        not_looked_at=tuple(path for path in sizes if path not in read),
        manifests=bag.manifest_digests,
    )


def _verdict(findings: Iterable[Finding], *, content: bool) -> Verdict:
    errors = {finding.code for finding in findings if finding.severity is Severity.ERROR}
    if not errors:
        return Verdict.VALID if content else Verdict.COMPLETE
    return Verdict.UNDECIDED if errors <= _UNDECIDED else Verdict.INVALID


def _jobs(comparison: Comparison, tree: Tree) -> list[Job]:
    jobs: list[Job] = []
    expected = comparison.expected
    names: dict[tuple[str, ...], tuple[str, ...]] = {}
    for file in tree.files:
        wanted = tuple(
            [
                (name, expectation.checksum)
                for expectation in expected.get(file.path, ())
                if (name := hashlib_name(expectation.algorithm)) is not None
            ]
        )
        if not wanted:
            continue
        # Thousands of files have the same few algorithms, which need be there once.
        algorithms = tuple([name for name, _ in wanted])
        if algorithms not in names:
            names[algorithms] = tuple(dict.fromkeys(algorithms))
        jobs.append(
            Job(
                path=file.path,
                size=file.size,
                algorithms=names[algorithms],
                wanted=wanted,
                follow=file.kind is Kind.LINK,
            )
        )
    return jobs


class _Judge:
    """Compares digests found with those listed and says what the difference may be."""

    def __init__(self, comparison: Comparison, hashed: dict[str, Hashed]) -> None:
        self.comparison = comparison
        self.hashed = hashed
        self.findings: list[Finding] = []
        self._owners: dict[str, str] | None = None

    def judge(self, path: str, size: int, expectations: list[Expectation]) -> CheckedFile:
        """Judge one file over all manifests that list it."""
        found = self.hashed.get(path)
        if found is None:
            return CheckedFile(path=path, size=size, outcome=Outcome.UNKNOWN, digests=())
        if found.error is not None:
            where = Where(file=shown(path))
            broken = isinstance(found.error, IntegrityError)
            rule = FILE_UNREADABLE if broken else FILE_NOT_OPENED
            self.findings.append(rule.at(where, f"the file {found.error.found}"))
            return CheckedFile(path=path, size=size, outcome=Outcome.UNREADABLE, digests=())
        unsteady: list[tuple[str, Expectation]] = []
        differing: list[tuple[str, Expectation]] = []
        for expectation in expectations:
            name = hashlib_name(expectation.algorithm)
            if name is None or found.digests[name] == expectation.checksum:
                continue
            is_unsteady = found.again.get(name) == expectation.checksum
            (unsteady if is_unsteady else differing).append((name, expectation))
        # One finding a file, however many manifests list it: what happened to it is one thing.
        where = Where(file=shown(path))
        if unsteady:
            self._unsteady(where, found, unsteady)
        owner = ""
        if differing:
            owner = self._differs(where, found, differing)
        outcome = Outcome.DIFFERS if differing else Outcome.UNSTEADY if unsteady else Outcome.INTACT
        return CheckedFile(
            path=path,
            size=size,
            outcome=outcome,
            digests=tuple(found.digests.items()),
            belongs_to=owner,
        )

    def _unsteady(
        self, where: Where, found: Hashed, stated: Sequence[tuple[str, Expectation]]
    ) -> None:
        readings = (
            f"the first reading gave the {name} checksum {found.digests[name]}, the second "
            f"{said.checksum}, as {said.manifest} says"
            for name, said in stated
        )
        self.findings.append(READING_UNSTEADY.at(where, "; ".join(readings)))

    def _differs(
        self, where: Where, found: Hashed, stated: Sequence[tuple[str, Expectation]]
    ) -> str:
        """Tell what differs, and return the path whose content it is, if there is one."""
        facts = [
            f"the {name} checksum is {found.digests[name]}; {said.manifest} line {said.line} "
            f"says {said.checksum}"
            for name, said in stated
        ]
        names = dict.fromkeys(name for name, _ in stated)
        if not found.again:
            facts.append("a second reading failed")
        elif all(found.again.get(name) == found.digests[name] for name in names):
            facts.append("a second reading gave the same")
        else:
            other = " and ".join(found.again[name] for name in names if name in found.again)
            facts.append(f"a second reading gave {other}, so the disk or this machine is failing")
        owner = ""
        if found.size == 0:
            facts.append("the file is empty")
        else:
            owner = next(filter(None, (self._owner(found.digests[name]) for name in names)), "")
        remedy = None
        if owner:
            facts.append(f"this is the content that belongs to {shown(owner)!r}")
            remedy = f"If files have only changed their names, give them back; else {_OTHER_COPY}"
        self.findings.append(CHECKSUM_DIFFERS.at(where, "; ".join(facts), remedy=remedy))
        return owner

    def _owner(self, digest: str) -> str | None:
        """Tell which listed file has this digest."""
        if self._owners is None:
            self._owners = {
                said.checksum: path
                for listed in (self.comparison.missing, self.comparison.expected)
                for path, expectations in listed.items()
                for said in expectations
            }
        return self._owners.get(digest)


def _strays(
    bag: Bag, comparison: Comparison, workers: int | None, *, content: bool
) -> list[Finding]:
    """Tell missing files, unlisted files, and files that only have another name apart."""
    missing = dict(comparison.missing)
    unlisted = list(comparison.unlisted)
    findings: list[Finding] = []
    owners = {
        said.checksum: path for path, expectations in missing.items() for said in expectations
    }
    if owners and unlisted and content:
        names = {
            name
            for expectations in missing.values()
            for said in expectations
            if (name := hashlib_name(said.algorithm)) is not None
        }
        # A bag that lost everything to another folder need not be hashed a second time
        # in full to be understood.
        jobs = [
            Job(path=path, size=0, algorithms=tuple(sorted(names)))
            for path in unlisted[:_FOLLOWED_CHANGES]
        ]
        hashed = hash_all(bag.path, jobs, workers=workers)
        for path in unlisted[:_FOLLOWED_CHANGES]:
            digests = hashed[path].digests.values()
            was = next((owners[d] for d in digests if d in owners), None)
            if was is None or was not in missing:
                continue
            del missing[was]
            unlisted.remove(path)
            findings.append(
                FILE_RENAMED.at(
                    Where(file=shown(path)),
                    f"the file has the content that is listed as {was!a}, under the name {path!a}",
                )
            )
    findings += [
        FILE_MISSING.at(
            Where(file=shown(path)),
            "the file is not there; "
            + ", ".join(f"{said.manifest} line {said.line}" for said in expectations)
            + " lists it",
        )
        for path, expectations in missing.items()
    ]
    findings += [
        FILE_UNLISTED.at(
            Where(file=shown(path)),
            "the file stands in no payload manifest",
            accepted="every payload file in every payload manifest",
        )
        for path in unlisted
    ]
    return findings
