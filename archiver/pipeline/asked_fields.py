"""What an institution asks to stand in ``bag-info.txt``, put there while a bag is made."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from archiver.describe.baginfo import bag_info
from archiver.describe.layers import RightsMap
from archiver.describe.wording import xsd_date
from archiver.package.bagprofile import IDENTIFIER, BagProfile
from archiver.pipeline.plan import RESTRICTED, Plan
from archiver.pipeline.profiles import Profile, bag_profile_of
from archiver.pipeline.run import PROGRAM
from archiver.session.institution import Institution
from archiver.session.placeholders import filled
from archiver.session.records import Session

__all__ = ["archiving_values", "bag_elements", "with_asked"]


def bag_elements(
    session: Session,
    profile: Profile,
    *,
    made: datetime,
    name: str,
    version: int,
    replaces: str,
    plan: Plan,
    reason: str = "",
) -> tuple[tuple[str, str], ...]:
    """Return the elements of ``bag-info.txt`` of a bag that is made for an institution.

    Parameters
    ----------
    session : Session
    profile : Profile
    made : datetime
        Time of the run.
    name, version, replaces
        Of the bag; name of the bag before, empty for the first version.
    plan : Plan
        Whether there is a restricted part.
    reason : str
        Why there is a new version.
    """
    bag_profile, _ = bag_profile_of(profile)
    elements = bag_info(
        session,
        made=made,
        program=PROGRAM,
        version=version,
        replaces=replaces,
        reason=reason,
        restricted=RESTRICTED if plan.has_restricted else "",
    )
    values = archiving_values(
        session, profile.institution, bag=name, version=version, replaces=replaces
    )
    return with_asked(elements, profile.institution, bag_profile, values)


def archiving_values(
    session: Session, institution: Institution, *, bag: str, version: int, replaces: str
) -> Mapping[str, str]:
    """Return what the names in braces stand for while a bag is made.

    See :data:`archiver.session.placeholders.ARCHIVING`.
    """
    return {
        "institution": institution.name,
        "depositor": session.organisation.name,
        "code": session.organisation.code,
        "session": session.identifier,
        "title": session.title,
        "date": xsd_date(session.start),
        "bag": bag,
        "version": str(version),
        "replaces": replaces or "none",
        "rights": session.rights.statement,
        "holder": "; ".join(RightsMap(session).holders),
    }


def with_asked(
    elements: Sequence[tuple[str, str]],
    institution: Institution,
    bag_profile: BagProfile | None,
    values: Mapping[str, str],
) -> tuple[tuple[str, str], ...]:
    """Put what an institution asks for among the elements of ``bag-info.txt``.

    A value that the profile states takes the place of ours; nothing is made up for a field
    without one.

    Parameters
    ----------
    elements : sequence of (str, str)
        Label and value, in order.
    institution : Institution
    bag_profile : BagProfile, optional
        Its identifier is named; where it is not at hand, its address.
    values : mapping of str to str
        See :func:`archiving_values`.
    """
    asked = {
        one.label.casefold(): (one.label, " ".join(filled(one.value, values).split()))
        for one in institution.bag_info
        if one.value
    }
    result: list[tuple[str, str]] = []
    put: set[str] = set()
    for label, value in elements:
        key = label.casefold()
        if key not in asked:
            result.append((label, value))
        elif key not in put:
            put.add(key)
            result.append((label, asked[key][1]))
    result += [pair for key, pair in asked.items() if key not in put]
    identifier = bag_profile.identifier if bag_profile is not None else ""
    address = institution.bagit_profile
    if not identifier and bag_profile is None and address.startswith("https://"):
        # A profile's identifier should lead to the profile (BagIt Profiles 1.4.0).
        identifier = address
    if identifier:
        result.append((IDENTIFIER, identifier))
    return tuple(result)
