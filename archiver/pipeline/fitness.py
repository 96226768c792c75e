"""Whether a bag is fit for an institution, before it is sent or when it has come in.

What is missing is told twice, in the words of the standard and in those of the institution.
What a bag will lack can be foreseen from its session, so that none is made in vain.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from archiver import files
from archiver.describe import places
from archiver.describe.places import DocumentKind
from archiver.errors import InputError
from archiver.findings import Finding, Where, in_order, stops_deposit
from archiver.package.bagprofile import BagProfile, matches
from archiver.package.form import Form
from archiver.package.names import shown
from archiver.package.profile_check import check_against_profiles, check_info, same_media_type
from archiver.package.reader import Bag, read_bag
from archiver.package.tagfiles import BAG_INFO, BagInfo, InfoElement
from archiver.package.tree import survey
from archiver.package.validate import BagReport, validate
from archiver.package.versions import unversioned_name
from archiver.pipeline import fitness_rules as rules
from archiver.pipeline.plan import RESTRICTED, bag_name, master_names
from archiver.pipeline.previous import read_previous
from archiver.pipeline.profiles import Profile, bag_profile_of
from archiver.session.institution import Institution
from archiver.session.records import Session

__all__ = ["CheckedProfile", "Fitness", "Lack", "check_profile", "fit", "foreseen"]

# What stands for no rule at all.
_ANY = Institution()
_RECORD = "metadata/session.json"
_MASTERS = "data/masters/"
_ACCESS = "data/access/"
_SHOWN_PATHS = 5
# What the builder writes into bag-info.txt by itself, when the payload is known.
_ADDED = ("Bag-Size", "Payload-Oxum")
_CHARACTERS: Mapping[str, tuple[re.Pattern[str], str]] = {
    "ascii": (re.compile(r"[A-Za-z0-9._/-]+"), "letters a to z, digits, '.', '_', '-'"),
    "small ascii": (re.compile(r"[a-z0-9._/-]+"), "small letters a to z, digits, '.', '_', '-'"),
}
# Our own name for it, which no institution has to file.
_FIXED_NAMES = ("READ-ME.txt",)


@dataclass(frozen=True, slots=True, kw_only=True)
class Lack:
    """Something that is missing or not taken.

    Parameters
    ----------
    finding : Finding
        In the words of the standard.
    asks : str
        In the institution's words; empty where it has none for it.
    """

    finding: Finding
    asks: str = ""

    def as_json(self) -> dict[str, Any]:
        """Return the facts for machines."""
        facts = self.finding.as_json()
        return facts | {"asks": self.asks} if self.asks else facts


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitness:
    """What an institution would say of a bag.

    Parameters
    ----------
    bag : Path
    institution : Institution
    profile : str
        Name of the file of the institution profile.
    bag_profile : BagProfile, optional
        By which the bag was judged; None if none was at hand.
    lacks : tuple of Lack
        Errors first.
    """

    bag: Path
    institution: Institution
    profile: str
    bag_profile: BagProfile | None
    lacks: tuple[Lack, ...]

    @property
    def findings(self) -> tuple[Finding, ...]:
        """The lacks as findings alone."""
        return tuple(lack.finding for lack in self.lacks)

    @property
    def fits(self) -> bool:
        """Whether nothing stops the deposit."""
        return not stops_deposit(self.findings)

    def as_json(self) -> dict[str, Any]:
        """Return the facts for machines."""
        known = self.bag_profile
        return {
            "bag": str(self.bag),
            "institution": self.institution.name,
            "profile": self.profile,
            "bagit_profile": None if known is None else known.identifier or None,
            "fits": self.fits,
            "findings": [lack.as_json() for lack in self.lacks],
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedProfile:
    """An institution profile, the BagIt Profile that it names, and what is wrong with both."""

    profile: Profile
    bag_profile: BagProfile | None
    findings: tuple[Finding, ...]


def check_profile(profile: Profile) -> CheckedProfile:
    """Check an institution profile and its BagIt Profile, also against each other.

    Raises
    ------
    SurroundingsError
        The BagIt Profile cannot be read.
    """
    bag_profile, findings = bag_profile_of(profile)
    found = [*profile.findings, *findings]
    if bag_profile is not None:
        found += _form(profile.institution, bag_profile)
        found += _digest_clash(profile.institution, bag_profile)
    return CheckedProfile(
        profile=profile, bag_profile=bag_profile, findings=in_order(dict.fromkeys(found))
    )


def fit(
    bag: Path,
    profile: Profile,
    *,
    media_type: str | None = None,
    report: BagReport | None = None,
) -> Fitness:
    """Check a bag against an institution; no payload is read.

    Parameters
    ----------
    bag : Path
        Its directory.
    profile : Profile
        As found by :func:`~archiver.pipeline.profiles.find_profile`.
    media_type : str, optional
        Form in which the bag is or was handed over, empty for a folder; the one that the
        profile names if left out.
    report : BagReport, optional
        Of a validation that was made already; else lists, sizes and tag files are compared.

    Raises
    ------
    MisuseError, SurroundingsError
        There is no directory to read, or the BagIt Profile cannot be read.
    """
    institution = profile.institution
    if media_type is None and institution.serialisation:
        media_type = Form(institution.serialisation).media_type
    bag_profile, found = bag_profile_of(profile)
    findings = [*profile.findings, *found]
    said, tree = read_bag(bag), survey(bag)
    findings += (report or validate(said, content=False)).findings
    if bag_profile is not None:
        findings += _form(institution, bag_profile)
        findings += check_against_profiles([bag_profile], said, tree, media_type)
    session = _session(bag)
    sizes = {file.path: file.size for file in tree.files}
    paths = tuple(sizes)
    findings += [
        *_fields(institution, said.info),
        *_senders(institution, said.info),
        *_documents(institution, paths, session),
        *_papers(institution, paths),
        *_digests(institution, said),
        *_access(institution, paths),
        *_name(institution, said.name, session),
        *_masters(institution, paths, session),
        *_paths(institution, paths),
        *_restricted(institution, paths),
        *_size(institution, sum(sizes.values())),
    ]
    return Fitness(
        bag=bag,
        institution=institution,
        profile=profile.file,
        bag_profile=bag_profile,
        lacks=_lacks(institution, bag_profile, findings),
    )


def foreseen(
    profile: Profile, elements: Iterable[tuple[str, str]], paths: Iterable[str]
) -> tuple[Finding, ...]:
    """Say what a bag that is about to be made will lack.

    Parameters
    ----------
    profile : Profile
    elements : iterable of (str, str)
        Label and value of what will stand in ``bag-info.txt``.
    paths : iterable of str
        Payload files that will be copied, in the bag.
    """
    bag_profile, findings = bag_profile_of(profile)
    institution = profile.institution
    info = BagInfo(
        elements=tuple(
            InfoElement(label=label, value=value)
            for label, value in (*elements, *((label, "0") for label in _ADDED))
        )
    )
    found = [*findings]
    if bag_profile is not None:
        found += _form(institution, bag_profile)
        found += [f for f in check_info(bag_profile, info) if f.where.field not in _ADDED]
    found += [
        *_fields(institution, info),
        *_senders(institution, info),
        *_papers(institution, tuple(paths)),
    ]
    return tuple(lack.finding for lack in _lacks(institution, bag_profile, found))


def _lacks(
    institution: Institution, bag_profile: BagProfile | None, findings: Iterable[Finding]
) -> tuple[Lack, ...]:
    """Put the institution's words beside ours, and say one thing once."""
    lacks: list[Lack] = []
    told: set[str] = set()
    for finding in in_order(dict.fromkeys(findings)):
        label = finding.where.field.casefold() if finding.where.file == BAG_INFO else ""
        if label:
            ours = finding.code.startswith("institution-field")
            if ours and label in told:
                continue
            told.add(label)
        asks = _words(institution, bag_profile, finding, label)
        lacks.append(Lack(finding=_with_words(institution, finding, asks), asks=asks))
    return tuple(lacks)


def _words(
    institution: Institution, bag_profile: BagProfile | None, finding: Finding, label: str
) -> str:
    if label:
        asked = next((a.asks for a in institution.bag_info if a.label.casefold() == label), "")
        rule = None if bag_profile is None else bag_profile.rule_for(label)
        return asked or (rule.description if rule is not None else "")
    if finding.code == rules.PAPER_MISSING.code:
        return next((p.asks for p in institution.papers if p.file == finding.where.file), "")
    if finding.code == rules.NAME_NOT_TAKEN.code and institution.naming is not None:
        return institution.naming.asks
    return ""


def _with_words(institution: Institution, finding: Finding, asks: str) -> Finding:
    if not asks:
        return finding
    who = institution.name or "the institution"
    return dataclasses.replace(
        finding, message=f"{finding.message}. {who} asks for: “{asks.rstrip('.')}”"
    )


def _session(bag: Path) -> Session | None:
    """Read the record of the session; None in a bag that another program made."""
    if not files.exists(bag.joinpath(*_RECORD.split("/"))):
        return None
    try:
        return read_previous(bag)
    except InputError:
        # That the record has changed is for the validation to say.
        return None


def _form(institution: Institution, bag_profile: BagProfile) -> Iterator[Finding]:
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


def _digest_clash(institution: Institution, bag_profile: BagProfile) -> Iterator[Finding]:
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


def _fields(institution: Institution, info: BagInfo) -> Iterator[Finding]:
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


def _senders(institution: Institution, info: BagInfo) -> Iterator[Finding]:
    senders = institution.reception.senders
    stated = info.values("Source-Organization")
    if senders and not any(name in senders for name in stated):
        yield rules.SENDER_UNKNOWN.at(
            Where(file=BAG_INFO, field="Source-Organization"),
            f"the sender is {', '.join(shown(name[:200]) for name in stated) or 'not named'}",
            accepted=", ".join(senders),
        )


def _documents(
    institution: Institution, paths: Iterable[str], session: Session | None
) -> Iterator[Finding]:
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


def _papers(institution: Institution, paths: tuple[str, ...]) -> Iterator[Finding]:
    for paper in institution.papers:
        if not any(matches(path, [paper.file]) for path in paths):
            yield rules.PAPER_MISSING.at(
                Where(file=paper.file), "no file of the bag has such a path", accepted=paper.file
            )


def _digests(institution: Institution, bag: Bag) -> Iterator[Finding]:
    present = {manifest.algorithm.lower() for manifest in bag.payload_manifests}
    for algorithm in institution.digests:
        if algorithm not in present:
            yield rules.DIGEST_MISSING.at(
                Where(file=f"manifest-{algorithm}.txt"),
                f"the bag has no {algorithm} manifest, only {', '.join(sorted(present)) or 'none'}",
                accepted=", ".join(institution.digests),
            )


def _access(institution: Institution, paths: tuple[str, ...]) -> Iterator[Finding]:
    masters = [PurePosixPath(path).stem for path in paths if path.startswith(_MASTERS)]
    for kind in institution.access:
        without = [
            name
            for name in masters
            if not any(
                path.startswith(f"{_ACCESS}{name}") and path.endswith(f".{kind}") for path in paths
            )
        ]
        if without:
            yield rules.ACCESS_MISSING.at(
                Where(file=_ACCESS.rstrip("/")),
                f"there is no {kind} copy of {_few(without)}",
            )


def _name(institution: Institution, name: str, session: Session | None) -> Iterator[Finding]:
    pattern = institution.bag_name
    if pattern == _ANY.bag_name:
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


def _masters(
    institution: Institution, paths: tuple[str, ...], session: Session | None
) -> Iterator[Finding]:
    if session is None or institution.file_name == _ANY.file_name:
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


def _paths(institution: Institution, paths: Iterable[str]) -> Iterator[Finding]:
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


def _restricted(institution: Institution, paths: tuple[str, ...]) -> Iterator[Finding]:
    held = [path for path in paths if path.startswith(f"{RESTRICTED}/")]
    if institution.leave_out_restricted and held:
        yield rules.RESTRICTED_PRESENT.at(
            Where(file=RESTRICTED), f"the folder holds {_few(held)}", accepted="no such folder"
        )


def _size(institution: Institution, total: int) -> Iterator[Finding]:
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
