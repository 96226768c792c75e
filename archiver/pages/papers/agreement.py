"""The agreement of a deposit, filled in for signature on paper."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from archiver.custody.deposit_record import BagIdentity, Party
from archiver.describe.layers import RightsStatement
from archiver.pages.papers.rendering import page
from archiver.session.institution_terms import Agreement
from archiver.session.placeholders import filled

__all__ = ["AGREEMENT_PAGE", "AgreementFacts", "agreement_page"]

AGREEMENT_PAGE = "agreement.html"
_TITLE = "Agreement on a deposit"


@dataclass(frozen=True, slots=True, kw_only=True)
class AgreementFacts:
    """What the page is filled in with.

    Parameters
    ----------
    agreement : Agreement
        The terms, of the institution's profile.
    values : mapping of str to str
        What the names in braces stand for.
    deposit, day, program : str
    depositor, institution : Party
    bag : BagIdentity
    described, held : str
        Title of the session; where and when it was held. Empty if the bag does not tell.
    rights : sequence of RightsStatement
        Of the session; empty if the bag has no record of it.
    statement : str
        Statement of rights in ``bag-info.txt``, for want of a record.
    restrictions : sequence of str
    restricted_files : int
        Payload files that are not public.
    """

    agreement: Agreement
    values: Mapping[str, str]
    deposit: str
    day: str
    program: str
    depositor: Party
    institution: Party
    bag: BagIdentity
    described: str = ""
    held: str = ""
    rights: Sequence[RightsStatement] = ()
    statement: str = ""
    restrictions: Sequence[str] = ()
    restricted_files: int = 0


def agreement_page(facts: AgreementFacts) -> bytes:
    """Write the agreement as a page to print and sign."""
    terms = facts.agreement
    return page(
        "agreement",
        title=filled(terms.title, facts.values) or _TITLE,
        edition=terms.edition,
        terms=[filled(text, facts.values) for text in terms.terms],
        signed_by=terms.signed_by,
        deposit=facts.deposit,
        day=facts.day,
        program=facts.program,
        depositor=facts.depositor,
        institution=facts.institution,
        bag=facts.bag,
        described=facts.described,
        held=facts.held,
        rights=facts.rights,
        statement=facts.statement,
        restrictions=facts.restrictions,
        restricted_files=facts.restricted_files,
    )
