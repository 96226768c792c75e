"""Several copies of one bag: whose word counts, and which file of which copy is good.

What a bag should be is stated by its tag manifest, which states its manifests, which state
the payload. If the copies' tag manifests differ, the ledger decides; without it the signature of an
accepted signer; without one a majority of copies; without one, the statement that more of the files
found agree with. Manifests that the bag's own evidence contradicts (the record of its sound, the MD5
in a master, a signature) decide nothing, however many copies have them. If that leaves a choice,
nothing is decided and nothing may be repaired.
"""

from __future__ import annotations

import enum
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from archiver import files
from archiver.custody.audit import plain
from archiver.custody.inner_evidence import (
    Evidence,
    evidence_of_master,
    evidence_of_signatures,
    sound_record,
)
from archiver.custody.store import Store
from archiver.errors import ArchiverError
from archiver.findings import Severity
from archiver.package.hashing import Job, hash_all
from archiver.package.manifest import Manifest, hashlib_name
from archiver.package.names import normalised
from archiver.package.reader import Bag, read_bag
from archiver.package.tree import Kind, survey

if TYPE_CHECKING:
    from archiver.package.signers import Signer

__all__ = [
    "Comparison",
    "Copy",
    "CopyVerdict",
    "FileState",
    "Reference",
    "agrees",
    "compare_copies",
    "read_copy",
    "statements_of",
]

_VOTE = "sha256"
_MASTERS = "data/masters/"


class FileState(enum.StrEnum):
    """What is to be said of one file of one copy."""

    GOOD = "good"
    ALTERED = "altered"
    MISSING = "missing"
    UNREADABLE = "unreadable"
    EXTRA = "extra"


class CopyVerdict(enum.StrEnum):
    """What is to be said of a copy; the first that fits."""

    GOOD = "good"
    ABSENT = "absent"
    UNUSABLE = "unusable"
    BOTH = "payload and manifest altered"
    MANIFEST = "manifest altered"
    PAYLOAD = "payload altered"
    TAGS = "tag files altered"
    UNDECIDED = "cannot be decided"


@dataclass(frozen=True, slots=True, kw_only=True)
class Copy:
    """One copy of a bag as it was read.

    Parameters
    ----------
    store : Store
    bag : str
    content : Bag, optional
        What it says of itself; None if it is not there or not usable.
    digests : mapping
        By path, digests by algorithm; empty for a file that cannot be read.
    sizes : mapping of str to int
        Bytes by path.
    error : str
        Why there is no content.
    """

    store: Store
    bag: str
    content: Bag | None
    digests: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    sizes: Mapping[str, int] = field(default_factory=dict)
    error: str = ""

    @property
    def bytes_held(self) -> int:
        """Size of everything in the bag's directory."""
        return sum(self.sizes.values())


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """What the bag should be.

    Parameters
    ----------
    basis : str
        On whose word, for people.
    statements : mapping
        By path, the digests that the file must have, by algorithm.
    manifests : mapping of str to str
        SHA-256 of the manifests, as far as they are known.
    payload_known : bool
        False if no copy has the manifest that the tag manifest states.
    """

    basis: str
    statements: Mapping[str, Mapping[str, str]]
    manifests: Mapping[str, str]
    payload_known: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """The copies of one bag, judged.

    Parameters
    ----------
    bag : str
    copies : tuple of Copy
    reference : Reference, optional
        None if nothing decides between the copies.
    states : tuple of mapping
        For each copy, what is to be said of each file that is not good.
    verdicts : tuple of CopyVerdict
        For each copy.
    doubts : tuple of str
        What in copies speaks against their own manifests.
    """

    bag: str
    copies: tuple[Copy, ...]
    reference: Reference | None
    states: tuple[Mapping[str, FileState], ...]
    verdicts: tuple[CopyVerdict, ...]
    doubts: tuple[str, ...] = ()

    @property
    def good(self) -> bool:
        """Whether every copy is there and good."""
        return all(verdict is CopyVerdict.GOOD for verdict in self.verdicts)

    def sources_of(self, path: str) -> tuple[Copy, ...]:
        """Return the copies whose file of this path is good."""
        if self.reference is None:
            return ()
        stated = self.reference.statements[path]
        return tuple(
            copy
            for copy in self.copies
            if path in copy.digests and agrees(copy.digests[path], stated)
        )

    @property
    def repairable(self) -> bool:
        """Whether something that is not good could be made good from another copy."""
        if self.reference is None:
            return False
        lost = set(self.beyond_help())
        absent = CopyVerdict.ABSENT in self.verdicts and len(lost) < len(self.reference.statements)
        return absent or any(set(states) - lost for states in self.states)

    def beyond_help(self) -> tuple[str, ...]:
        """Return the stated files of which no copy is good."""
        if self.reference is None:
            return ()
        return tuple(path for path in self.reference.statements if not self.sources_of(path))

    def as_json(self) -> dict[str, Any]:
        """Return the facts for machines."""
        return {
            "bag": plain(self.bag),
            "good": self.good,
            "reference": None if self.reference is None else self.reference.basis,
            "copies": [
                {
                    "store": copy.store.name,
                    "verdict": str(verdict),
                    "error": plain(copy.error) or None,
                    "files": {plain(path): str(state) for path, state in sorted(states.items())},
                }
                for copy, verdict, states in zip(
                    self.copies, self.verdicts, self.states, strict=True
                )
            ],
            "doubts": [plain(doubt) for doubt in self.doubts],
            "beyond_help": [plain(path) for path in self.beyond_help()],
        }


def read_copy(store: Store, bag: str, *, on_bytes: Callable[[int], None] | None = None) -> Copy:
    """Read a copy whole; what cannot be read is part of the result."""
    path = store.path_of(bag)
    try:
        if not files.exists(path):
            return Copy(store=store, bag=bag, content=None, error="it is not there")
        content = read_bag(path)
        tree = survey(path)
    except ArchiverError as error:
        return Copy(store=store, bag=bag, content=None, error=error.found)
    algorithms = {_VOTE}
    for manifest in content.manifests:
        name = hashlib_name(manifest.algorithm)
        if name is not None:
            algorithms.add(name)
    jobs = [
        Job(path=file.path, size=file.size, algorithms=tuple(sorted(algorithms)))
        for file in tree.files
        if file.kind is Kind.FILE
    ]
    hashed = hash_all(path, jobs, on_bytes=on_bytes)
    return Copy(
        store=store,
        bag=bag,
        content=content,
        digests={name: found.digests for name, found in sorted(hashed.items())},
        sizes={file.path: file.size for file in tree.files},
    )


def compare_copies(
    bag: str,
    copies: Sequence[Copy],
    *,
    recorded: Mapping[str, str] | None = None,
    entry: str = "",
    signers: Sequence[Signer] | None = None,
    on_bytes: Callable[[int], None] | None = None,
) -> Comparison:
    """Judge the copies of a bag.

    Parameters
    ----------
    bag : str
    copies : sequence of Copy
    recorded : mapping of str to str, optional
        SHA-256 of the manifests as the ledger knows them.
    entry : str
        Which entry of the ledger that is, in words.
    signers : sequence of Signer, optional
        Whose signature decides where no ledger does.
    on_bytes : callable, optional
        Called with the number of bytes of sound read to decide between manifests.
    """
    usable = [copy for copy in copies if copy.content is not None]
    reference, doubts = _reference(usable, recorded or {}, entry, signers, on_bytes)
    states: list[Mapping[str, FileState]] = []
    verdicts: list[CopyVerdict] = []
    for copy in copies:
        if copy.content is None:
            absent = copy.error == "it is not there"
            states.append({})
            verdicts.append(CopyVerdict.ABSENT if absent else CopyVerdict.UNUSABLE)
        elif reference is None:
            states.append({})
            verdicts.append(CopyVerdict.UNDECIDED)
        else:
            found = _states(copy, reference)
            states.append(found)
            verdicts.append(_verdict(found, reference))
    return Comparison(
        bag=bag,
        copies=tuple(copies),
        reference=reference,
        states=tuple(states),
        verdicts=tuple(verdicts),
        doubts=doubts,
    )


def agrees(found: Mapping[str, str], stated: Mapping[str, str]) -> bool:
    """Say whether a file has every digest that is stated of it."""
    return bool(stated) and all(found.get(name) == digest for name, digest in stated.items())


_Root = frozenset[tuple[str, str]]


def _root_of(copy: Copy) -> _Root:
    """Return name and SHA-256 of the tag manifests, or of the manifests if there are none."""
    content = copy.content
    if content is None:
        return frozenset()
    tags = {manifest.name for manifest in content.tag_manifests}
    names = tags or {manifest.name for manifest in content.payload_manifests}
    return frozenset(item for item in content.manifest_digests if item[0] in names)


def _reference(
    copies: Sequence[Copy],
    recorded: Mapping[str, str],
    entry: str,
    signers: Sequence[Signer] | None,
    on_bytes: Callable[[int], None] | None,
) -> tuple[Reference | None, tuple[str, ...]]:
    roots: dict[_Root, list[Copy]] = {}
    for copy in copies:
        if root := _root_of(copy):
            roots.setdefault(root, []).append(copy)
    if not roots:
        return None, ()
    if recorded:
        return _by_ledger(copies, roots, recorded, entry), ()
    if len(roots) == 1:
        ((root, owners),) = roots.items()
        kind = "tag manifest" if any(n.startswith("tagmanifest-") for n, _ in root) else "manifest"
        basis = f"the {kind} that all copies agree on" if len(copies) > 1 else "its own manifests"
        return _stated(owners[0], copies, basis), ()
    evidence = _evidence(copies, roots, signers, on_bytes)
    doubts = tuple(
        f"{', '.join(copy.store.name for copy in roots[root])}: {doubt}"
        for root, found in evidence.items()
        for doubt in found.doubts
    )
    decided = _decided(copies, roots, evidence)
    if decided is None:
        return None, doubts
    owner, basis = decided
    return _stated(owner, copies, basis), doubts


def _decided(
    copies: Sequence[Copy], roots: Mapping[_Root, list[Copy]], evidence: Mapping[_Root, Evidence]
) -> tuple[Copy, str] | None:
    """Choose between tag manifests that differ: a copy that has the right one, and on what basis."""
    signed = [root for root in roots if evidence[root].accepted]
    if len(signed) == 1:
        return roots[signed[0]][0], "the signature of an accepted signer"
    standing = [root for root in roots if not evidence[root].doubts]
    for root in standing:
        number = len(roots[root])
        if 2 * number > len(copies):
            # Anybody can sign; but then somebody has to say whose signature counts.
            others = any(evidence[other].signed for other in roots if other != root)
            if others and not evidence[root].signed:
                return None
            return roots[root][0], f"{number} of {len(copies)} copies"
    if len(standing) == 1:
        found = evidence[standing[0]].agreements
        if not found:
            return None
        return roots[standing[0]][0], f"{found[0]}, which agrees with no other manifest"
    weighed = sorted(
        ((_support(_stated(roots[r][0], copies, ""), copies), roots[r][0]) for r in standing),
        key=lambda item: item[0],
        reverse=True,
    )
    if len(weighed) > 1 and weighed[0][0] > weighed[1][0]:
        return weighed[0][1], "the files found agree with it best"
    return None


def _evidence(
    copies: Sequence[Copy],
    roots: Mapping[_Root, list[Copy]],
    signers: Sequence[Signer] | None,
    on_bytes: Callable[[int], None] | None,
) -> dict[_Root, Evidence]:
    """Hold each tag manifest against what the bag itself holds, where they differ on a master."""
    stated = {root: _stated(owners[0], copies, "") for root, owners in roots.items()}
    whole = [reference.statements for reference in stated.values() if reference.payload_known]
    disputed = sorted(
        path
        for path in {path for statements in whole for path in statements}
        if path.startswith(_MASTERS)
        and any(statements.get(path) != whole[0].get(path) for statements in whole)
    )
    return {
        root: _signatures(owners, signers)
        + _masters(owners[0], copies, stated[root], disputed, on_bytes)
        for root, owners in roots.items()
    }


def _signatures(owners: Sequence[Copy], signers: Sequence[Signer] | None) -> Evidence:
    found = [
        evidence_of_signatures(
            copy.store.path_of(copy.bag), [name for name in copy.sizes if "/" not in name], signers
        )
        for copy in owners
    ]
    # A signature that only one of equal copies has lost says nothing against their manifests.
    good = next((one for one in found if one.agreements), None)
    return good or next((one for one in found if one.doubts), Evidence())


def _masters(
    owner: Copy,
    copies: Sequence[Copy],
    reference: Reference,
    disputed: Sequence[str],
    on_bytes: Callable[[int], None] | None,
) -> Evidence:
    statements = reference.statements
    sound = [
        path
        for path in owner.digests
        if path in statements and agrees(owner.digests[path], statements[path])
    ]
    evidence = Evidence()
    for path in disputed:
        holder = next(
            (
                copy
                for copy in copies
                if path in statements and agrees(copy.digests.get(path, {}), statements[path])
            ),
            None,
        )
        if holder is None:
            continue
        record = sound_record(owner.store.path_of(owner.bag), sound, path)
        file = holder.store.path_of(holder.bag).joinpath(*path.split("/"))
        evidence += evidence_of_master(file, path, record, on_bytes=on_bytes)
    return evidence


def _by_ledger(
    copies: Sequence[Copy],
    roots: Mapping[_Root, list[Copy]],
    recorded: Mapping[str, str],
    entry: str,
) -> Reference | None:
    basis = entry or "the ledger"
    for root, owners in roots.items():
        if all(recorded.get(name) == digest for name, digest in root):
            return _stated(owners[0], copies, basis)
    # No copy has the tag manifest any more; the manifests that the ledger knows still count.
    statements: dict[str, dict[str, str]] = {name: {_VOTE: d} for name, d in recorded.items()}
    known = False
    for copy in copies:
        if copy.content is None:
            continue
        for name, digest in recorded.items():
            manifest = _manifest(copy, name, {_VOTE: digest})
            if manifest is not None:
                _add(statements, manifest)
                known = True
    if not known:
        return None
    return Reference(basis=basis, statements=statements, manifests=dict(recorded))


def _add(statements: dict[str, dict[str, str]], manifest: Manifest) -> None:
    algorithm = hashlib_name(manifest.algorithm)
    if algorithm is not None:
        for line in manifest.lines:
            statements.setdefault(line.path, {})[algorithm] = line.checksum


def _stated(owner: Copy, copies: Sequence[Copy], basis: str) -> Reference:
    """Follow the statements of a copy's tag manifests through all copies' manifests."""
    content = owner.content
    statements: dict[str, dict[str, str]] = {}
    manifests: dict[str, str] = {}
    if content is None:
        return Reference(basis=basis, statements={}, manifests={}, payload_known=False)
    root = dict(_root_of(owner))
    for name, digest in root.items():
        statements[name] = {_VOTE: digest}
        manifests[name] = digest
    for manifest in content.tag_manifests:
        _add(statements, manifest)
    wanted = [name for name in statements if name.startswith("manifest-")]
    payload_known = bool(wanted)
    for name in wanted:
        whole = next(
            (found for copy in copies if (found := _manifest(copy, name, statements[name]))), None
        )
        if whole is None:
            payload_known = False
            continue
        _add(statements, whole)
    for copy in copies:
        for name in wanted:
            if name in copy.digests and agrees(copy.digests[name], statements[name]):
                manifests[name] = copy.digests[name].get(_VOTE, "")
    return Reference(
        basis=basis, statements=statements, manifests=manifests, payload_known=payload_known
    )


def _manifest(copy: Copy, name: str, stated: Mapping[str, str]) -> Manifest | None:
    """Return a manifest that is the one stated, was read whole, and has no line left out."""
    content = copy.content
    if content is None or not agrees(copy.digests.get(name, {}), stated):
        return None
    # What was parsed may be another reading than the one that was hashed.
    read = dict(content.manifest_digests)
    if name not in read or read[name] != copy.digests[name].get(_VOTE):
        return None
    # A line that could not be used would make its file look like one that does not belong.
    if any(f.severity is Severity.ERROR and f.where.file == name for f in content.findings):
        return None
    return next((m for m in content.payload_manifests if m.name == name), None)


def statements_of(copy: Copy) -> Mapping[str, Mapping[str, str]]:
    """Return what a copy's own manifests state of its files: by path, digests by algorithm."""
    return _stated(copy, [copy], "").statements


def _support(reference: Reference, copies: Iterable[Copy]) -> int:
    """Count the files found that agree with the statements."""
    return sum(
        agrees(found, reference.statements[path])
        for copy in copies
        for path, found in copy.digests.items()
        if path in reference.statements
    )


def _states(copy: Copy, reference: Reference) -> dict[str, FileState]:
    found: dict[str, FileState] = {}
    forms = {normalised(path): path for path in copy.sizes if not path.isascii()}
    met: set[str] = set()
    for path, stated in reference.statements.items():
        there = path if path in copy.sizes else forms.get(normalised(path))
        if there is None:
            found[path] = FileState.MISSING
            continue
        met.add(there)
        digests = copy.digests.get(there)
        if not digests:
            found[path] = FileState.UNREADABLE
        elif not agrees(digests, stated):
            found[path] = FileState.ALTERED
    for path in copy.sizes:
        if path.startswith("data/") and path not in met and reference.payload_known:
            found[path] = FileState.EXTRA
    return found


def _verdict(states: Mapping[str, FileState], reference: Reference) -> CopyVerdict:
    if not states:
        return CopyVerdict.GOOD if reference.payload_known else CopyVerdict.UNDECIDED
    payload = any(path.startswith("data/") for path in states)
    manifest = any(path.startswith(("manifest-", "tagmanifest-")) for path in states)
    if payload and manifest:
        return CopyVerdict.BOTH
    if manifest:
        return CopyVerdict.MANIFEST
    return CopyVerdict.PAYLOAD if payload else CopyVerdict.TAGS
