"""Whether a bag is fit for an institution, before it is sent or when it has come in.

What is missing is told twice, in the words of the standard and in those of the institution.
What a bag will lack can be foreseen from its session, so that none is made in vain.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from archiver import files
from archiver.describe.run import FINDINGS
from archiver.errors import InputError
from archiver.findings import Finding, in_order, stops_deposit
from archiver.package.bagprofile import BagProfile
from archiver.package.builder import StoredFile
from archiver.package.form import Form
from archiver.package.manifest import Manifest
from archiver.package.profile_check import check_against_profiles, check_info
from archiver.package.profile_rules import BAG_INFO_MISSING, BAG_INFO_NOT_TAKEN
from archiver.package.reader import Bag, read_bag
from archiver.package.tagfiles import BAG_INFO, BagInfo, InfoElement, bag_size
from archiver.package.text import DECLARATION, Declaration
from archiver.package.tree import Kind, Tree, TreeFile, survey
from archiver.package.validate import BagReport, validate
from archiver.pipeline import fitness_rules as rules
from archiver.pipeline import institution_checks as checks
from archiver.pipeline.previous import read_previous
from archiver.pipeline.profiles import Profile, bag_profile_of
from archiver.session.institution import Institution
from archiver.session.records import Session

__all__ = [
    "CheckedProfile",
    "Fitness",
    "Lack",
    "check_profile",
    "fit",
    "fit_before_sealing",
    "foreseen",
]

_RECORD = "metadata/session.json"
# What the builder writes into bag-info.txt by itself, when the payload is known.
_ADDED = ("Bag-Size", "Payload-Oxum")
_MANIFESTS: tuple[tuple[str, Literal["payload", "tag"]], ...] = (("", "payload"), ("tag", "tag"))
_ELEMENT_CODES = frozenset(
    {
        BAG_INFO_MISSING.code,
        BAG_INFO_NOT_TAKEN.code,
        rules.FIELD_MISSING.code,
        rules.FIELD_NOT_TAKEN.code,
        rules.FIELD_WISHED.code,
    }
)
# Where what bag-info.txt says is stated, see archiver.describe.baginfo.
_SHEET_FIELDS = {
    "source-organization": "organisation.name",
    "organization-address": "organisation.address",
    "contact-name": "organisation.contact.name",
    "contact-phone": "organisation.contact.phone",
    "contact-email": "organisation.contact.email",
    "external-description": "session.summary",
    "internal-sender-description": "session.title",
    "rights-statement": "session.rights.statement",
}


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
        found += checks.form_clash(profile.institution, bag_profile)
        found += checks.digest_clash(profile.institution, bag_profile)
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
    said, tree = read_bag(bag), survey(bag)
    bag_profile, findings = _judged(profile, said, tree, _session(bag), media_type)
    findings += (report or validate(said, content=False)).findings
    return Fitness(
        bag=bag,
        institution=profile.institution,
        profile=profile.file,
        bag_profile=bag_profile,
        lacks=_lacks(profile.institution, bag_profile, findings),
    )


def _judged(
    profile: Profile, said: Bag, tree: Tree, session: Session | None, media_type: str | None
) -> tuple[BagProfile | None, list[Finding]]:
    """Ask all questions of an institution of what a bag says of itself and what lies in it."""
    institution = profile.institution
    if media_type is None and institution.serialisation:
        media_type = Form(institution.serialisation).media_type
    bag_profile, found = bag_profile_of(profile)
    findings = [*profile.findings, *found]
    if bag_profile is not None:
        findings += checks.form_clash(institution, bag_profile)
        findings += check_against_profiles([bag_profile], said, tree, media_type)
    sizes = {file.path: file.size for file in tree.files}
    paths = tuple(sizes)
    findings += [
        *checks.lacking_fields(institution, said.info),
        *checks.unknown_sender(institution, said.info),
        *checks.lacking_descriptions(institution, paths, session),
        *checks.lacking_papers(institution, paths),
        *checks.lacking_digests(institution, said),
        *checks.lacking_copies(institution, paths),
        *checks.other_name(institution, said.name, session),
        *checks.other_master_names(institution, paths, session),
        *checks.paths_not_taken(institution, paths),
        *checks.restricted_part(institution, paths),
        *checks.too_large(institution, sum(sizes.values())),
    ]
    return bag_profile, findings


def fit_before_sealing(
    profile: Profile,
    session: Session,
    *,
    name: str,
    elements: Iterable[tuple[str, str]],
    stored: Sequence[StoredFile],
    algorithms: Sequence[str],
) -> Fitness:
    """Check a bag against an institution before its manifests and its findings are written.

    Parameters
    ----------
    profile : Profile
    session : Session
        As it is recorded in the bag.
    name : str
        Of the bag.
    elements : iterable of (str, str)
        Label and value of what will stand in ``bag-info.txt``, but for the two that say how
        much the payload is.
    stored : sequence of StoredFile
        All payload and the tag files so far.
    algorithms : sequence of str
        Each will give a payload and a tag manifest.
    """
    payload = [file for file in stored if file.path.startswith("data/")]
    octets = sum(file.size for file in payload)
    info = (
        *elements,
        ("Bag-Size", bag_size(octets)),
        ("Payload-Oxum", f"{octets}.{len(payload)}"),
    )
    manifests = [
        Manifest(name=f"{prefix}manifest-{algorithm}.txt", kind=kind, algorithm=algorithm, lines=())
        for prefix, kind in _MANIFESTS
        for algorithm in algorithms
    ]
    said = Bag(
        path=Path(name),
        declaration=Declaration(version=(1, 0), encoding="UTF-8"),
        info=BagInfo(
            elements=tuple(InfoElement(label=label, value=value) for label, value in info)
        ),
        manifests=tuple(manifests),
        fetch=(),
        findings=(),
    )
    sizes = {file.path: file.size for file in stored}
    later = (DECLARATION, BAG_INFO, FINDINGS, *(one.name for one in manifests))
    sizes |= dict.fromkeys(later, 0)
    tree = Tree(
        files=tuple(
            TreeFile(path=path, size=size, kind=Kind.FILE) for path, size in sorted(sizes.items())
        ),
        has_data=True,
        findings=(),
    )
    bag_profile, findings = _judged(profile, said, tree, session, None)
    return Fitness(
        bag=said.path,
        institution=profile.institution,
        profile=profile.file,
        bag_profile=bag_profile,
        lacks=_lacks(profile.institution, bag_profile, findings),
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
        found += checks.form_clash(institution, bag_profile)
        found += [f for f in check_info(bag_profile, info) if f.where.field not in _ADDED]
    found += [
        *checks.lacking_fields(institution, info),
        *checks.unknown_sender(institution, info),
        *checks.lacking_papers(institution, tuple(paths)),
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
    """Add the institution's words, and say where an element is stated before a bag is made."""
    if finding.code in _ELEMENT_CODES:
        field = _SHEET_FIELDS.get(finding.where.field.casefold())
        here = f"Fill in {field} on the session sheet, or state" if field else "State"
        finding = dataclasses.replace(
            finding,
            remedy=f"{here} it under `value` of this field in bag_info of the institution profile, "
            "and archive with --for it",
        )
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
