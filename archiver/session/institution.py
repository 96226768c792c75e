"""What an institution asks of the bags that it takes in: the institution profile.

Every run loads this module, with a profile or without; what only a profile needs is in
:mod:`archiver.session.institution_terms`, reading one in
:mod:`archiver.session.institution_reading`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # only runs for an institution need these
    from archiver.session.institution_terms import Agreement, Asked, Naming, Paper

__all__ = [
    "BAG_NAME",
    "FILE_NAME",
    "INSTITUTION_FILE",
    "Institution",
    "InstitutionContact",
    "Reception",
]

INSTITUTION_FILE = "institution.yaml"
"""Its name in a session folder."""

BAG_NAME = "{session}"
"""How bags are named without a rule of the institution."""

FILE_NAME = "{session}_{take}"
"""How masters are named without a rule of the institution."""


@dataclass(frozen=True, slots=True, kw_only=True)
class InstitutionContact:
    """Whom to ask at an institution; what was left out is empty."""

    name: str = ""
    phone: str = ""
    email: str = ""
    address: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reception:
    """How an institution takes packages in.

    Parameters
    ----------
    senders : tuple of str
        Values of Source-Organization that are taken in; empty for all.
    signers : str
        Name of a file beside the profile; empty for none.
    signature_required : bool
    most_files : int, optional
    largest_unpacked_bytes, largest_fetch_bytes : int, optional
    fetch_hosts : tuple of str
        Hosts from which files may be fetched when that is asked for.
    letter, receipt : str
        Texts with names in braces; empty where they were left out.
    """

    senders: tuple[str, ...] = ()
    signers: str = ""
    signature_required: bool = False
    most_files: int | None = None
    largest_unpacked_bytes: int | None = None
    fetch_hosts: tuple[str, ...] = ()
    largest_fetch_bytes: int | None = None
    letter: str = ""
    receipt: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Institution:
    """A profile; the empty one stands for what is done without any.

    Parameters
    ----------
    name : str
        Who takes the bags in; empty without a profile.
    contact : InstitutionContact
    agreement : Agreement, optional
        None where there are no terms.
    bagit_profile, bagit_profile_copy : str
        File beside the profile or https address; file beside it that stands for the
        address. Empty where they were left out.
    documents, digests, access : tuple of str
        Words of the schema, each once; empty where the field was left out.
    papers : tuple of Paper
    bag_info : tuple of Asked
    file_name : str
        Pattern for the names of masters and access copies, without the ending.
    bag_name : str
        Pattern for the names of bags, without the mark of a version.
    naming : Naming, optional
    serialisation : str
        Form in which bags are taken; empty where it was left out.
    largest_package_bytes, largest_part_bytes : int, optional
        None for no limit.
    destination : str
        Folder or address; empty where it was left out.
    receipt_days : int, optional
        Days after which a receipt is due.
    earlier_versions_referenced : bool
        Whether payload that is held already may be left out and named by its digest.
    leave_out_restricted : bool
        Whether bags go without their restricted part.
    reception : Reception
    """

    name: str = ""
    contact: InstitutionContact = field(default_factory=InstitutionContact)
    agreement: Agreement | None = None
    bagit_profile: str = ""
    bagit_profile_copy: str = ""
    documents: tuple[str, ...] = ()
    papers: tuple[Paper, ...] = ()
    bag_info: tuple[Asked, ...] = ()
    digests: tuple[str, ...] = ()
    access: tuple[str, ...] = ()
    file_name: str = FILE_NAME
    bag_name: str = BAG_NAME
    naming: Naming | None = None
    serialisation: str = ""
    largest_package_bytes: int | None = None
    largest_part_bytes: int | None = None
    destination: str = ""
    receipt_days: int | None = None
    earlier_versions_referenced: bool = False
    leave_out_restricted: bool = False
    reception: Reception = field(default_factory=Reception)
