"""What an institution profile asks of a bag, one question a function, and all of them pure.

A BagIt Profile has its own checks, in :mod:`archiver.package.profile_check`.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from pathlib import PurePosixPath

from archiver.describe import places
from archiver.describe.places import DocumentKind
from archiver.findings import Finding, Where
from archiver.package.bagprofile import BagProfile, matches
from archiver.package.form import Form
from archiver.package.names import shown
from archiver.package.profile_check import same_media_type
from archiver.package.reader import Bag
from archiver.package.tagfiles import BAG_INFO, BagInfo
from archiver.package.versions import unversioned_name
from archiver.pipeline import fitness_rules as rules
from archiver.pipeline.plan import RESTRICTED, bag_name, master_names
from archiver.session.institution import BAG_NAME, FILE_NAME, Institution
from archiver.session.records import Session

__all__ = [
    "digest_clash",
    "form_clash",
    "lacking_copies",
    "lacking_descriptions",
    "lacking_digests",
    "lacking_fields",
    "lacking_papers",
    "other_master_names",
    "other_name",
    "paths_not_taken",
    "restricted_part",
    "too_large",
    "unknown_sender",
]

_MASTERS = "data/masters/"
_ACCESS = "data/access/"
_SHOWN_PATHS = 5
_CHARACTERS: Mapping[str, tuple[re.Pattern[str], str]] = {
    "ascii": (re.compile(r"[A-Za-z0-9._/-]+"), "letters a to z, digits, '.', '_', '-'"),
    "small ascii": (re.compile(r"[a-z0-9._/-]+"), "small letters a to z, digits, '.', '_', '-'"),
}
# Our own name for it, which no institution has to file.
_FIXED_NAMES = ("READ-ME.txt",)


def form_clash(institution: Institution, bag_profile: BagProfile) -> Iterator[Finding]:
    """Find a form of package that one of the two profiles refuses."""
    if not institution.serialisation:
        return
    form = Form(institution.serialisation)
    taken = bag_profile.accept_serialisation
    if form is Form.FOLDER:
        wrong = bag_profile.serialisation == "required"
    else:
        wrong = bag_profile.serialisation == "forbidden" or (
            bool(taken) and not any(same_media_type(form.media_type, one) for one in taken)
        )
    if wrong:
        yield rules.FORM_NOT_TAKEN.at(
            Where(file=institution.bagit_profile, field="Accept-Serialization"),
            f"the institution profile says {form}, and by the BagIt Profile packages are "
            f"{bag_profile.serialisation}: {', '.join(taken) or 'any'}",
        )


def digest_clash(institution: Institution, bag_profile: BagProfile) -> Iterator[Finding]:
    """Find digests that no bag of both profiles can have."""
    # Without digests of its own archiving writes SHA-256.
    written = institution.digests or ("sha256",)
    allowed = bag_profile.manifests_allowed
    missing = [one for one in bag_profile.manifests_required if one not in written]
    refused = [one for one in written if allowed is not None and one not in allowed]
    if missing or refused:
        yield rules.DIGESTS_CONTRADICT.at(
            Where(file=institution.bagit_profile, field="Manifests-Required"),
            f"the institution profile has bags made with {', '.join(written)}; the BagIt Profile "
            f"requires {', '.join(bag_profile.manifests_required) or 'none'} and allows "
            f"{', '.join(allowed) if allowed is not None else 'all'}",
        )


def lacking_fields(institution: Institution, info: BagInfo) -> Iterator[Finding]:
    """Find elements of ``bag-info.txt`` that are missing or have another value."""
    for asked in institution.bag_info:
        where = Where(file=BAG_INFO, field=asked.label)
        values = [value for value in info.values(asked.label) if value.strip()]
        accepted = ", ".join(asked.values)
        if not values:
            rule = rules.FIELD_MISSING if asked.required else rules.FIELD_WISHED
            yield rule.at(where, f"the element {asked.label} is missing", accepted=accepted)
        for value in values:
            if asked.values and value not in asked.values:
                yield rules.FIELD_NOT_TAKEN.at(
                    where, f"the value is {shown(value[:200])!r}", accepted=accepted
                )


def unknown_sender(institution: Institution, info: BagInfo) -> Iterator[Finding]:
    """Find a sender with whom the institution has no agreement."""
    senders = institution.reception.senders
    stated = info.values("Source-Organization")
    if senders and not any(name in senders for name in stated):
        yield rules.SENDER_UNKNOWN.at(
            Where(file=BAG_INFO, field="Source-Organization"),
            f"the sender is {', '.join(shown(name[:200]) for name in stated) or 'not named'}",
            accepted=", ".join(senders),
        )


def lacking_descriptions(
    institution: Institution, paths: Iterable[str], session: Session | None
) -> Iterator[Finding]:
    """Find descriptions that the bag lacks; ``session`` is None in a bag of another program."""
    held = {places.kind_of(path) for path in paths}
    for word in institution.documents:
        kind = DocumentKind(word) if word in set(DocumentKind) else None
        if kind is None or kind in held:
            continue
        # There is one LIDO record a machine, and none in a session without any.
        if kind is DocumentKind.LIDO and session is not None and not session.machines:
            continue
        yield rules.DOCUMENT_MISSING.at(
            Where(file="metadata"), f"the bag has no description of the kind {kind}"
        )


def lacking_papers(institution: Institution, paths: tuple[str, ...]) -> Iterator[Finding]:
    """Find papers that no path of the bag is."""
    for paper in institution.papers:
        if not any(matches(path, [paper.file]) for path in paths):
            yield rules.PAPER_MISSING.at(
                Where(file=paper.file), "no file of the bag has such a path", accepted=paper.file
            )


def lacking_digests(institution: Institution, bag: Bag) -> Iterator[Finding]:
    """Find digest algorithms without a payload manifest."""
    present = {manifest.algorithm.lower() for manifest in bag.payload_manifests}
    for algorithm in institution.digests:
        if algorithm not in present:
            yield rules.DIGEST_MISSING.at(
                Where(file=f"manifest-{algorithm}.txt"),
                f"the bag has no {algorithm} manifest, only {', '.join(sorted(present)) or 'none'}",
                accepted=", ".join(institution.digests),
            )


def lacking_copies(institution: Institution, paths: tuple[str, ...]) -> Iterator[Finding]:
    """Find masters without a copy for listening."""
    masters = [PurePosixPath(path).stem for path in paths if path.startswith(_MASTERS)]
    held = {path.removeprefix(_ACCESS) for path in paths if path.startswith(_ACCESS)}
    for kind in institution.access:
        without = [name for name in masters if f"{name}.{kind}" not in held]
        if without:
            yield rules.ACCESS_MISSING.at(
                Where(file=_ACCESS.rstrip("/")),
                f"there is no {kind} copy of {_few(without)}",
            )


def other_name(institution: Institution, name: str, session: Session | None) -> Iterator[Finding]:
    """Find a bag that is named otherwise; without a session only the form of the name is judged."""
    pattern = institution.bag_name
    if pattern == BAG_NAME:
        return
    first = unversioned_name(name)
    if session is not None:
        expected = bag_name(session, pattern)
        wrong = expected not in {first, name}
    else:
        expected = pattern
        parts = re.split(r"\{\w+\}", pattern)
        wrong = not re.fullmatch(r"[A-Za-z0-9._-]+".join(map(re.escape, parts)), first)
    if wrong:
        yield rules.BAG_NAME.at(
            Where(file="."), f"the bag is named {shown(name[:200])!r}", accepted=expected
        )


def other_master_names(
    institution: Institution, paths: tuple[str, ...], session: Session | None
) -> Iterator[Finding]:
    """Find masters that are named otherwise; without a session nothing can be said."""
    if session is None or institution.file_name == FILE_NAME:
        return
    expected = set(master_names(session, institution.file_name))
    found = [path.removeprefix(_MASTERS) for path in paths if path.startswith(_MASTERS)]
    strange = [name for name in found if name not in expected]
    if strange:
        yield rules.FILE_NAME.at(
            Where(file=_MASTERS.rstrip("/")),
            f"{_few(strange)} {'is' if len(strange) == 1 else 'are'} not named by the rule",
            accepted=f"{institution.file_name}, such as {min(expected, default='')}",
        )


def paths_not_taken(institution: Institution, paths: Iterable[str]) -> Iterator[Finding]:
    """Find paths that the institution's systems do not take."""
    naming = institution.naming
    if naming is None:
        return
    pattern, accepted = _CHARACTERS.get(naming.characters, (None, ""))
    strange = []
    for path in paths:
        too_long = naming.longest_path is not None and len(path) > naming.longest_path
        odd = pattern is not None and not pattern.fullmatch(path) and path not in _FIXED_NAMES
        if too_long or odd:
            strange.append(path)
    limit = f"at most {naming.longest_path} characters" if naming.longest_path else ""
    for path in strange[:_SHOWN_PATHS]:
        yield rules.NAME_NOT_TAKEN.at(
            Where(file=shown(path)),
            f"the path has {len(path)} characters",
            accepted="; ".join(filter(None, (accepted, limit))),
        )
    if len(strange) > _SHOWN_PATHS:
        yield rules.NAME_NOT_TAKEN.at(
            Where(file="."), f"{len(strange) - _SHOWN_PATHS} more paths are not taken"
        )


def restricted_part(institution: Institution, paths: tuple[str, ...]) -> Iterator[Finding]:
    """Find a restricted part that is not wanted."""
    held = [path for path in paths if path.startswith(f"{RESTRICTED}/")]
    if institution.leave_out_restricted and held:
        yield rules.RESTRICTED_PRESENT.at(
            Where(file=RESTRICTED), f"the folder holds {_few(held)}", accepted="no such folder"
        )


def too_large(institution: Institution, total: int) -> Iterator[Finding]:
    """Find a bag that is larger than a package may be; ``total`` is in bytes."""
    limit = institution.largest_package_bytes
    if limit is not None and total > limit:
        yield rules.BAG_TOO_LARGE.at(
            Where(file="."),
            f"the bag has {total} bytes",
            accepted=f"at most {limit} bytes",
        )


def _few(names: list[str]) -> str:
    text = ", ".join(shown(name) for name in names[:_SHOWN_PATHS])
    more = len(names) - _SHOWN_PATHS
    return f"{text} and {more} more" if more > 0 else text
