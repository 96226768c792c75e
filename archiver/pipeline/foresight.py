"""What an institution would miss in the bag of a session, before the bag is made."""

from __future__ import annotations

from archiver.findings import Finding
from archiver.pipeline.archive import plan_of
from archiver.pipeline.asked_fields import bag_elements
from archiver.pipeline.check import CheckReport
from archiver.pipeline.fitness import foreseen
from archiver.pipeline.plan import bag_name
from archiver.pipeline.profiles import Profile
from archiver.pipeline.run import moment

__all__ = ["foresee"]


def foresee(report: CheckReport, profile: Profile) -> tuple[Finding, ...]:
    """Foresee what the first version of a bag would lack; nothing where errors stop it."""
    if report.public is None:
        return ()
    session = report.public.session
    plan = plan_of(report, report.public, profile.institution)
    elements = bag_elements(
        session,
        profile,
        made=moment(),
        name=bag_name(session, profile.institution.bag_name),
        version=1,
        replaces="",
        plan=plan,
    )
    return foreseen(profile, elements, plan.foreseen)
