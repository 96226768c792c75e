"""From a package to a bag that is complete and intact, in a place of its own."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from ssl import SSLContext
from urllib.parse import urlsplit

from archiver import files
from archiver.custody.audit import AuditVerdict, BagCheck, check_bag
from archiver.custody.deposit_record import BagIdentity, Package
from archiver.custody.deposit_rules import (
    FETCH_REFUSED,
    FETCHED_DIFFERS,
    PACKAGE_UNUSABLE,
    REFERENCE_NOT_HELD,
    SIGNATURE_MISSING,
)
from archiver.custody.fetching import FetchLimits, FetchRefusedError, fetch
from archiver.custody.inbox import Inbound
from archiver.custody.intake import copy_folder
from archiver.custody.outgoing import bag_identity
from archiver.custody.store import Store, bags_of
from archiver.custody.unread import require_read
from archiver.custody.verify import Depth
from archiver.errors import (
    ArchiverError,
    DefectError,
    InputError,
    IntegrityError,
    MisuseError,
    SurroundingsError,
)
from archiver.findings import Finding, Severity, Where
from archiver.package.entry_names import NameJudge
from archiver.package.form import Form
from archiver.package.limits import Limits
from archiver.package.manifest import hashlib_name
from archiver.package.named_information import is_ni
from archiver.package.names import shown
from archiver.package.reader import Bag, read_bag
from archiver.package.refusal import PackageDamagedError, PackageRefusedError
from archiver.package.tagfiles import FETCH, FetchLine
from archiver.package.tree import survey
from archiver.package.unpacking import unpack
from archiver.package.validate import BagReport, validate
from archiver.package.versions import unversioned_name
from archiver.pipeline.profiles import Profile
from archiver.pipeline.verify import accepted_signers
from archiver.pipeline.versions_sent import Completed, HeldChangedError, complete
from archiver.progress import Progress
from archiver.telling import count

__all__ = ["NotTakenError", "Unwrapped", "Unwrapper"]

_FETCH_BYTES = 1 << 40
# How a bag is named while it is unpacked.
_HIDDEN = re.compile(r"\.(.+)\.[0-9a-f]+\.unfinished")
_SIGNED = "good, signer known"


class NotTakenError(InputError):
    """The package is not taken; every reason is a finding."""

    def __init__(self, *findings: Finding) -> None:
        super().__init__(findings[0].message, where=str(findings[0].where))
        self.findings = findings


def _judge_names(said: Bag) -> None:
    """Judge what is to be brought in as what came in the package was, and against it.

    Raises
    ------
    PackageRefusedError
        A name is one that some systems refuse or change, or another's in another spelling.
    """
    top = _HIDDEN.sub(r"\1", said.path.name)
    judge = NameJudge(FETCH)
    paths = {line.path for manifest in said.payload_manifests for line in manifest.lines}
    for path in sorted(paths | {line.path for line in said.fetch}):
        judge.judge(f"{top}/{path}", is_directory=False)


def _errors(findings: Sequence[Finding]) -> list[Finding]:
    return [one for one in findings if one.severity is Severity.ERROR]


@dataclass(frozen=True, slots=True, kw_only=True)
class Unwrapped:
    """A bag that is complete and intact, in its staging place.

    Parameters
    ----------
    root : Path
        Its directory, under its own name.
    form : Form
        That it came in.
    identity : BagIdentity
    report : BagReport
        Of its validation, which read every byte.
    completed : mapping of str to str
        By path, where a file that was not sent was taken from.
    """

    root: Path
    form: Form
    identity: BagIdentity
    report: BagReport
    completed: Mapping[str, str]

    @property
    def as_package(self) -> Package:
        """A bag that came as a folder, as one package."""
        manifests = self.identity.manifests
        seal = next(
            (manifests[name] for name in sorted(manifests) if name.startswith("tagmanifest-")),
            next(iter(manifests.values()), ""),
        )
        return Package(
            name=f"{self.root.name}/",
            size=self.report.bytes_held,
            sha256=seal,
            verified_by="every file read",
        )

    def checked(self, profile: Profile, stage: Path) -> tuple[BagCheck, tuple[Finding, ...]]:
        """Return the check for the ledger, and what is wrong with the signatures.

        The validation has read every byte already, so only signatures are looked at anew.
        """
        reception = profile.institution.reception
        signers = None
        if reception.signers:
            signers = accepted_signers((profile.directory or Path()) / reception.signers)
        place = Store(location=str(stage), name="", root=stage, remote=False)
        # Whether it must be signed at all is for the profile to say, below.
        quick = check_bag(place, self.root.name, Depth.QUICK, signers=signers, ask_signature=False)
        check = replace(
            quick,
            depth=Depth.FULL,
            verdict=AuditVerdict.INTACT
            if quick.verdict is AuditVerdict.COMPLETE
            else quick.verdict,
            bytes_read=self.report.bytes_read,
            bytes_held=self.report.bytes_held,
            algorithms=self.report.algorithms,
            not_looked_at=len(self.report.not_looked_at),
        )
        signed = any(verdict == _SIGNED for _, verdict, _, _ in quick.signatures)
        if not reception.signature_required or signed:
            return check, ()
        return check, (
            SIGNATURE_MISSING.at(
                Where(file="tagmanifest-sha256.txt.sig"),
                "there is no good signature of a signer known here",
                accepted=f"a signer of {reception.signers or 'a list that the profile names'}",
            ),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Unwrapper:
    """Unpacks, completes and validates.

    Parameters
    ----------
    profile : Profile
    store : Store
        Whose bags may complete a new version.
    fetch_from : tuple of str
    trust : SSLContext, optional
    progress : Progress
    """

    profile: Profile
    store: Store
    fetch_from: tuple[str, ...]
    trust: SSLContext | None
    progress: Progress

    def unwrap(self, inbound: Inbound, stage: Path) -> Unwrapped:
        """Bring a bag into the staging place.

        Raises
        ------
        NotTakenError
            It is damaged, dangerous, or cannot be completed.
        SurroundingsError
            No space, no permission.
        """
        completed: dict[str, str] = {}

        def fill(root: Path) -> None:
            completed.update(self._fill(root))

        try:
            if inbound.folder is not None:
                root = copy_folder(
                    inbound.folder, stage, limits=self._limits(), on_bytes=self.progress.advance
                )
                fill(root)
                report, form = self._valid(root), Form.FOLDER
            else:
                unpacked = unpack(
                    inbound.packages[0] if len(inbound.packages) == 1 else inbound.packages,
                    stage,
                    limits=self._limits(),
                    complete=fill,
                    on_bytes=self.progress.advance,
                )
                root, report, form = unpacked.root, unpacked.report, unpacked.form
        except PackageRefusedError as error:
            raise NotTakenError(error.finding) from error
        except PackageDamagedError as error:
            require_read(error.findings)
            raise NotTakenError(*_errors(error.findings)) from error
        except NotTakenError:
            raise
        except (InputError, MisuseError) as error:
            raise NotTakenError(
                PACKAGE_UNUSABLE.at(
                    Where(file=inbound.place.name),
                    error.found,
                    accepted=error.accepted,
                )
            ) from error
        said = read_bag(root)
        require_read(said.findings)
        return Unwrapped(
            root=root,
            form=form,
            identity=bag_identity(said, survey(root), root.name),
            report=report,
            completed=completed,
        )

    def _valid(self, root: Path) -> BagReport:
        report = validate(root, self.progress.advance)
        if not report.valid:
            require_read(report.findings)
            raise NotTakenError(*_errors(report.findings))
        return report

    def _limits(self) -> Limits:
        reception = self.profile.institution.reception
        limits = Limits(most_bytes=reception.largest_unpacked_bytes)
        most = reception.most_files
        return limits if most is None else replace(limits, most_entries=most)

    def _fill(self, root: Path) -> Mapping[str, str]:
        """Bring in the files that the bag only names."""
        said = read_bag(root)
        require_read(said.findings)
        if not said.fetch:
            return {}
        institution = self.profile.institution
        named = [line for line in said.fetch if is_ni(line.url)]
        if named and not institution.earlier_versions_referenced:
            raise NotTakenError(
                REFERENCE_NOT_HELD.at(
                    Where(file=FETCH),
                    f"{count(len(named), 'file is', 'files are')} only named by digest",
                    accepted="whole bags",
                )
            )
        _judge_names(said)
        done = self._completed(root, said)
        completed = dict(done.files)
        left = institution.reception.largest_fetch_bytes or _FETCH_BYTES
        for line in done.pending:
            target = root.joinpath(*line.path.split("/"))
            if files.exists(target):
                continue
            left -= self._fetched(target, said, line, left)
            completed[line.path] = urlsplit(line.url).netloc
        return completed

    def _completed(self, root: Path, said: Bag) -> Completed:
        """Take what is named by digest from what is held; a failure counts at the second try."""
        earlier, unread = self._earlier(said)
        for last in (False, True):
            try:
                return complete(root, earlier, on_bytes=self.progress.advance)
            except (IntegrityError, InputError) as error:
                if not last:
                    continue
                if isinstance(error, HeldChangedError):
                    # Damage here is nothing that the sender could put right.
                    raise HeldChangedError(
                        f"a file that is held has changed, and would complete the package: "
                        f"{error.found}",
                        where=error.where,
                        remedy="Audit the store and repair the bag; the package is left where "
                        "it is",
                    ) from error
                if unread:
                    raise SurroundingsError(
                        f"cannot be read, and may hold what is to be completed: {error.found}",
                        where=str(unread[0]),
                        remedy="Audit the store, then receive the package again",
                    ) from error
                raise NotTakenError(
                    REFERENCE_NOT_HELD.at(Where(file=error.where or FETCH), error.found)
                ) from error
        raise DefectError("nothing was tried")  # pragma: no cover - the loop returns or raises

    def _earlier(self, said: Bag) -> tuple[list[Path], list[Path]]:
        """Return bags of the same depositor, those of the same name first, and unreadable ones.

        Bags of others are left out: whoever knows the digest of a file must not be able to
        bring it into a bag of his own.
        """
        family = unversioned_name(_HIDDEN.sub(r"\1", said.path.name))
        sender = said.info.values("Source-Organization")
        found: list[tuple[bool, str, Path]] = []
        unread: list[Path] = []
        for bag in bags_of(self.store):
            path = self.store.path_of(bag)
            try:
                held = read_bag(path)
                require_read(held.findings, str(path))
            except ArchiverError:
                unread.append(path)
                continue
            if sender and held.info.values("Source-Organization") == sender:
                found.append((unversioned_name(path.name) != family, bag, path))
        return [path for _, _, path in sorted(found)], unread

    def _fetched(self, target: Path, said: Bag, line: FetchLine, most_bytes: int) -> int:
        """Fetch one file, if somebody asked for that; return its bytes."""
        where = Where(file=FETCH, line=line.line)
        reception = self.profile.institution.reception
        hosts = tuple(
            host
            for host in self.fetch_from
            if not reception.fetch_hosts or host.partition(":")[0] in reception.fetch_hosts
        )
        if not hosts:
            raise NotTakenError(
                FETCH_REFUSED.at(
                    where, f"{shown(line.path)} is not in the package; it is to be fetched"
                )
            )
        digests = {
            name: entry.checksum
            for manifest in said.payload_manifests
            for entry in manifest.lines
            if entry.path == line.path and (name := hashlib_name(manifest.algorithm)) is not None
        }
        files.make_directory(target.parent)
        limits = FetchLimits(hosts=hosts, most_bytes=most_bytes, trust=self.trust)
        try:
            return fetch(
                line.url,
                target,
                limits=limits,
                length=line.length,
                digests=digests,
                on_bytes=self.progress.advance,
            )
        except FetchRefusedError as error:
            raise NotTakenError(
                FETCHED_DIFFERS.at(
                    where, f"{shown(line.url[:200])}: {error.found}", accepted=error.accepted
                )
            ) from error
