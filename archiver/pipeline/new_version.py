"""Making a new version of a bag: which bag it replaces, and what of the payload it changes.

The earlier bag is only read: its lists, its records and, where two versions share no digest
algorithm, its payload.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from archiver import files
from archiver.describe.ebucore import axml_for_capture
from archiver.describe.runrecord import RunRecord, decode_run
from archiver.errors import ArchiverError, InputError, IntegrityError, MisuseError
from archiver.findings import Finding, Rule, Severity, Where
from archiver.package.builder import StoredFile
from archiver.package.hashing import Job, hash_all
from archiver.package.manifest import hashlib_name, manifest_kind
from archiver.package.reader import Bag, read_bag
from archiver.package.tagfiles import BAG_INFO, BagInfo, decode_bag_info
from archiver.package.text import DECLARATION, Declaration
from archiver.package.tree import survey
from archiver.package.validate import validate
from archiver.package.version_record import (
    ListedFile,
    VersionRecord,
    encode_version,
    payload_changes,
)
from archiver.package.versions import next_version, unversioned_name, versioned_name
from archiver.pipeline.check import CaptureFacts
from archiver.pipeline.plan import Plan
from archiver.session.records import Session
from archiver.wave.container import read_payload, walk

__all__ = ["Earlier", "described_on", "find_earlier", "version_document"]

_RUN_RECORD = ("metadata", "archiving.json")
_LARGEST_RECORD_BYTES = 1 << 28
_LARGEST_AXML_BYTES = 1 << 24
_LARGEST_INFO_BYTES = 1 << 24
# A profile of an institution may have another value written for one of them.
_SESSION_LABELS = ("External-Identifier", "Bag-Group-Identifier", "Internal-Sender-Identifier")
_NUMBER = re.compile(r"[1-9]\d{0,8}", re.ASCII)

EARLIER_ABSENT = Rule(
    code="version-earlier-absent",
    severity=Severity.WARNING,
    reason="Without the bag that is replaced nobody can say what of the payload has changed",
    remedy="Name it with --replaces, or make the new version beside it",
)
EARLIER_NOT_WHOLE = Rule(
    code="version-earlier-not-whole",
    severity=Severity.WARNING,
    reason="A new version does not make up for damage to the one before",
    remedy="Run `archiver verify` on the earlier bag, and repair it from another copy",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Earlier:
    """The bag that a new version replaces.

    Parameters
    ----------
    path : Path
        Its directory.
    version : int
    bag : Bag
        What it says of itself.
    run : RunRecord, optional
        How it was made; None if it holds no such record.
    """

    path: Path
    version: int
    bag: Bag
    run: RunRecord | None

    @property
    def name(self) -> str:
        """Name of the bag."""
        return self.path.name


def _axml(master: Path) -> Iterator[bytes]:
    with files.open_read(master, follow=False) as file:
        for chunk in walk(file, master.name).chunks:
            if chunk.chunk_id == b"axml" and chunk.present_bytes <= _LARGEST_AXML_BYTES:
                yield read_payload(file, chunk, master.name)


def described_on(
    earlier: Earlier, session: Session, plan: Plan, captures: Iterable[CaptureFacts]
) -> Mapping[str, datetime]:
    """Find the masters whose description would be that of the earlier bag, but for its day.

    It was last modified when the earlier bag was made, then, and not today; such a master
    stays byte for byte as it is.

    Returns
    -------
    mapping of str to datetime
        When the earlier bag was made, by the path of the master in the new bag.
    """
    if earlier.run is None:
        return {}
    try:
        made = datetime.fromisoformat(earlier.run.made)
    except ValueError:
        return {}
    facts = {one.file: one for one in captures}
    lengths = {master.file: master.frames for master in earlier.run.masters}
    found: dict[str, datetime] = {}
    for held, path in plan.masters:
        one = facts.get(held.file)
        if one is None:
            continue
        wanted = axml_for_capture(
            session,
            held,
            samples=one.sample_format,
            coding=one.coding,
            # What is decoded has its length only then.
            frames=(lengths.get(path) if one.coding.is_decoded else one.frames) or 0,
            file_name=path.rpartition("/")[2],
            modified=made.strftime("%Y-%m-%d"),
        )
        # Whatever is wrong with the earlier master, the new one does not need it.
        with contextlib.suppress(ArchiverError):
            if any(wanted == kept for kept in _axml(earlier.path.joinpath(*path.split("/")))):
                found[path] = made
    return found


def find_earlier(
    destination: Path,
    name: str,
    version: int | None,
    session: str,
    named: Path | None = None,
) -> tuple[int, Earlier | None, tuple[Finding, ...]]:
    """Find the bag that a version replaces, and the number of the version.

    Versions follow one another without a gap, and each is replaced by one only, as far as
    the bags tell that lie where the new one goes and where the earlier one is.

    Parameters
    ----------
    destination : Path
        Where the new version goes; the earlier one is looked for there.
    name : str
        Name of the first version.
    version : int, optional
        Of the new bag; the first replaces nothing. If it is not given, it is one more than
        that of the bag named, or 1 if none is named.
    session : str
        Identifier of the session; the earlier bag must be of the same.
    named : Path, optional
        The earlier bag, where it lies elsewhere.

    Raises
    ------
    MisuseError
        What was named is no bag, of another session, not the version before this one or
        replaced already; or it was named for a first version; or the version before this
        one is not there, but others are.
    IntegrityError
        A manifest of the earlier bag has changed.
    """
    if named is not None:
        if version == 1:
            raise MisuseError(
                "a first version replaces nothing",
                where="--replaces",
                accepted="--version 2 or higher with it, or no --version",
            )
        earlier, findings = _named(named, version, session)
        version = earlier.version + 1
    else:
        version = version or 1
        if version == 1:
            return version, None, ()
        place = destination / versioned_name(name, version - 1)
        if not files.exists(place / DECLARATION):
            return version, None, _absent(destination, name, version)
        earlier, findings = _read(place, version - 1, session)
    _refuse_replaced(earlier, destination, session)
    return version, earlier, findings


def _named(named: Path, version: int | None, session: str) -> tuple[Earlier, tuple[Finding, ...]]:
    if not files.exists(named / DECLARATION):
        raise MisuseError(
            "is no bag",
            where=str(named),
            accepted="the directory of the bag that is replaced",
            remedy="Give the bag with --replaces",
        )
    # The way of writing it, such as a dot at the end, is no part of a bag's name.
    earlier, findings = _read(
        files.resolved(named), None if version is None else version - 1, session
    )
    if version is not None and version != earlier.version + 1:
        raise MisuseError(
            f"the bag is version {earlier.version}, and cannot be replaced by version {version}: "
            "versions follow one another without a gap",
            where=str(named),
            accepted=f"--version {earlier.version + 1}",
            remedy="Leave out --version, or name the bag that this version replaces",
        )
    return earlier, findings


def _absent(destination: Path, name: str, version: int) -> tuple[Finding, ...]:
    """Tell that the bag before is not there; where others are, the number is a mistake."""
    expected = next_version(destination, name)
    if expected > 1:
        raise MisuseError(
            f"version {version} replaces version {version - 1}, which is not there; "
            f"the newest there is version {expected - 1}",
            where=str(destination),
            accepted=f"--version {expected}",
            remedy=f"Give --version {expected}; if version {version - 1} lies elsewhere, name it "
            "with --replaces",
        )
    return (
        EARLIER_ABSENT.at(
            Where(file=versioned_name(name, version - 1)),
            f"the bag that version {version} replaces is not in {destination}, so what has "
            "changed is not recorded",
        ),
    )


def _refuse_replaced(earlier: Earlier, destination: Path, session: str) -> None:
    """Let a version be replaced by one only; two would both claim to be the next."""
    beside = earlier.path.parent
    folders = {
        files.resolved(folder): folder for folder in (beside, destination) if files.exists(folder)
    }
    later = [
        (number, place)
        for folder in folders.values()
        for place, info in _bags_in(folder)
        if any(session in info.values(label) for label in _SESSION_LABELS)
        and (number := _version_stated(info) or _version_marked(place.name)) > earlier.version
    ]
    same = [
        place for _, place in sorted(later) if earlier.name in _info(place).values("Bag-Replaces")
    ]
    if not same:
        return
    number, newest = max(later)
    at_destination = newest.parent == destination
    how = f"--version {number + 1} and no --replaces" if at_destination else f"--replaces {newest}"
    raise MisuseError(
        f"it is replaced already, by {same[0].name}, and one version is replaced by one only",
        where=str(earlier.path),
        accepted=f"the newest version, {newest.name}",
        remedy=f"Make version {number + 1}, which replaces {newest.name}: give {how}",
    )


def _bags_in(folder: Path) -> Iterator[tuple[Path, BagInfo]]:
    for entry in files.entries(folder):
        place = folder / entry.name
        # What a run has not ended yet is hidden.
        if entry.is_directory and not entry.name.startswith("."):
            yield place, _info(place)


def _info(place: Path) -> BagInfo:
    """Read what a bag says of itself; nothing if it cannot be read."""
    try:
        content = files.read_bytes(place / BAG_INFO, limit=_LARGEST_INFO_BYTES, follow=False)
    except ArchiverError:
        return BagInfo()
    info, _ = decode_bag_info(content, Declaration(version=(1, 0), encoding="UTF-8"), BAG_INFO)
    return info


def _version_stated(info: BagInfo) -> int | None:
    stated = next(iter(info.values("Bag-Version")), "")
    return int(stated) if _NUMBER.fullmatch(stated) else None


def _version_marked(name: str) -> int:
    first = unversioned_name(name)
    return 1 if first == name else int(name.removeprefix(f"{first}-v"))


def _read(place: Path, version: int | None, session: str) -> tuple[Earlier, tuple[Finding, ...]]:
    """Read an earlier bag; where it does not say which version it is, it is the one given."""
    bag = read_bag(place)
    report = validate(bag, content=False)
    run = _run(place)
    of = run.session if run is not None else next(iter(bag.info.values("External-Identifier")), "")
    if of and of != session:
        raise MisuseError(
            f"the bag is of the session {of!r}, not of {session!r}",
            where=str(place),
            accepted="an earlier version of the same session",
            remedy="Give the bag that is replaced with --replaces",
        )
    wrong = [one for one in report.findings if one.severity is Severity.ERROR]
    for one in wrong:
        if manifest_kind(one.where.file) is not None or one.where.file == DECLARATION:
            raise IntegrityError(
                f"the bag that is replaced cannot be relied on: {one.where}: {one.message}",
                where=str(place),
                remedy="Run `archiver verify` on it, and repair it from another copy",
            )
    findings = tuple(
        EARLIER_NOT_WHOLE.at(
            Where(file=place.name), f"the bag that is replaced: {one.where}: {one.message}"
        )
        for one in wrong[:1]
    )
    stated = run.version if run is not None else _version_stated(bag.info)
    return Earlier(path=place, version=stated or version or 1, bag=bag, run=run), findings


def _run(place: Path) -> RunRecord | None:
    record = place.joinpath(*_RUN_RECORD)
    if not files.exists(record):
        return None
    try:
        return decode_run(files.read_bytes(record, limit=_LARGEST_RECORD_BYTES, follow=False))
    except InputError:
        return None


def version_document(
    earlier: Earlier,
    *,
    bag: str,
    version: int,
    session: str,
    payload: Iterable[StoredFile],
    algorithms: Sequence[str],
    samples_md5: Iterable[tuple[str, str]],
    reason: str = "",
) -> bytes:
    """Return ``metadata/version.json`` of a new bag.

    Parameters
    ----------
    earlier : Earlier
    bag, version, session
        Name and version of the new bag, identifier of the session.
    payload : iterable of StoredFile
        All payload of the new bag.
    algorithms : sequence of str
        Of the new bag, in their order.
    samples_md5 : iterable of (str, str)
        Path and MD5 of the samples of each new master.
    reason : str
        Why there is a new version.

    Raises
    ------
    IntegrityError, SurroundingsError
        The payload of the earlier bag had to be read, and could not be.
    """
    algorithm, before = _listed(earlier, algorithms)
    known = {} if earlier.run is None else {m.file: m.samples_md5 for m in earlier.run.masters}
    return encode_version(
        VersionRecord(
            bag=bag,
            version=version,
            session=session,
            replaces=earlier.name,
            replaces_version=earlier.version,
            tag_manifests=tuple(
                (name, digest)
                for name, digest in earlier.bag.manifest_digests
                if name.startswith("tag")
            ),
            reason=" ".join(reason.split()),
            algorithm=algorithm,
            changes=payload_changes(
                before,
                (
                    ListedFile(file=one.path, digest=one.digest(algorithm), size_bytes=one.size)
                    for one in payload
                ),
                same_sound={path: md5 == known[path] for path, md5 in samples_md5 if path in known},
            ),
        )
    )


def _listed(earlier: Earlier, algorithms: Sequence[str]) -> tuple[str, list[ListedFile]]:
    """Return the payload of the earlier bag with digests of an algorithm of the new one."""
    sizes = {file.path: file.size for file in survey(earlier.path).payload()}
    listed = {m.algorithm.lower(): m for m in earlier.bag.payload_manifests}
    shared = next((name for name in algorithms if name in listed), None)
    if shared is not None:
        return shared, [
            ListedFile(file=line.path, digest=line.checksum, size_bytes=sizes.get(line.path, 0))
            for line in listed[shared].lines
        ]
    name = hashlib_name(algorithms[0]) or algorithms[0]
    jobs = [Job(path=path, size=size, algorithms=(name,)) for path, size in sizes.items()]
    found: list[ListedFile] = []
    for path, hashed in sorted(hash_all(earlier.path, jobs).items()):
        if hashed.error is not None:
            raise hashed.error
        found.append(ListedFile(file=path, digest=hashed.digests[name], size_bytes=hashed.size))
    return algorithms[0], found
