"""The record of a deposit: who handed what to whom, when, where to, and every digest.

The same document is kept by the depositor, entered in the ledger by its digest, and laid
beside the packages at the far end as the last thing that is sent, so that its presence says
that the deposit is complete. ``deposit.schema.json`` describes it.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from archiver.custody.statements import read_statement, statement_bytes

__all__ = [
    "DEPOSIT_NAME",
    "SENT_ALONG",
    "BagIdentity",
    "DepositRecord",
    "DepositedFile",
    "Package",
    "Party",
    "decode_deposit",
    "deposit_identifier",
    "encode_deposit",
]

DEPOSIT_NAME = "deposit.json"
"""Its name beside the packages, and among the papers of the depositor."""
SENT_ALONG = frozenset({"transfer-list.csv", "transfer-list.html", "receipt-request.txt"})
"""The papers that are sent with a deposit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Party:
    """One of the two sides; empty texts where nothing is stated."""

    name: str
    person: str = ""
    email: str = ""
    phone: str = ""
    address: str = ""

    def as_json(self) -> dict[str, str]:
        """Return the facts for machines, without empty members."""
        pairs = (
            ("name", self.name),
            ("person", self.person),
            ("email", self.email),
            ("phone", self.phone),
            ("address", self.address),
        )
        return {key: value for key, value in pairs if value or key == "name"}

    @classmethod
    def of(cls, document: Mapping[str, Any]) -> Party:
        """Read what :meth:`as_json` writes."""
        return cls(**{str(key): str(value) for key, value in document.items()})


@dataclass(frozen=True, slots=True, kw_only=True)
class BagIdentity:
    """Which bag it is, by names and by the digests of its manifests.

    Parameters
    ----------
    name : str
        Of its directory.
    identifier, version, replaces : str
        As ``bag-info.txt`` states them; empty if it does not.
    manifests : mapping of str to str
        SHA-256 of each manifest and tag manifest by name: they seal every file.
    payload_files, payload_bytes : int
    """

    name: str
    identifier: str = ""
    version: str = ""
    replaces: str = ""
    manifests: Mapping[str, str]
    payload_files: int
    payload_bytes: int

    def as_json(self) -> dict[str, Any]:
        """Return the facts for machines."""
        facts: dict[str, Any] = {"name": self.name}
        for key in ("identifier", "version", "replaces"):
            if value := getattr(self, key):
                facts[key] = value
        facts |= {
            "manifests": dict(sorted(self.manifests.items())),
            "payload_files": self.payload_files,
            "payload_bytes": self.payload_bytes,
        }
        return facts

    @classmethod
    def of(cls, document: Mapping[str, Any]) -> BagIdentity:
        """Read what :meth:`as_json` writes."""
        return cls(**document)


@dataclass(frozen=True, slots=True, kw_only=True)
class Package:
    """One file as it was sent; a bag sent as a folder is one package.

    Parameters
    ----------
    name : str
        At the far end; a folder ends in ``/``.
    size : int
        Bytes sent.
    sha256 : str
        Of the bytes sent; of a folder, that of its tag manifest.
    verified_by : str
        How the far end was verified, in words.
    """

    name: str
    size: int
    sha256: str
    verified_by: str

    def as_json(self) -> dict[str, Any]:
        """Return the facts for machines."""
        return {
            "name": self.name,
            "size": self.size,
            "sha256": self.sha256,
            "verified_by": self.verified_by,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class DepositedFile:
    """A file of the bag, one line of the transfer list.

    Parameters
    ----------
    path : str
        In the bag, with ``/``.
    size : int
        Bytes.
    algorithm, digest : str
        As a manifest of the bag states them; empty for what no manifest can list.
    sent : bool
        False for a file that the institution holds already and that is named by its digest.
    """

    path: str
    size: int
    algorithm: str
    digest: str
    sent: bool = True

    def as_json(self) -> dict[str, Any]:
        """Return the facts for machines."""
        return {
            "path": self.path,
            "size": self.size,
            "algorithm": self.algorithm,
            "digest": self.digest,
            "sent": self.sent,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class DepositRecord:
    """A deposit that is complete and verified at the far end.

    Parameters
    ----------
    deposit : str
        Its identifier.
    made : str
        When the last package was verified: RFC 3339 in UTC.
    depositor, institution : Party
    to : str
        Where it was sent, without any credentials.
    program : str
        Name and version.
    form : str
        How it was serialised: ``folder``, ``tar`` and so on.
    bag : BagIdentity
    packages : sequence of Package
    files : sequence of DepositedFile
    receipt_due : str
        Last day for the receipt: YYYY-MM-DD.
    """

    deposit: str
    made: str
    depositor: Party
    institution: Party
    to: str
    program: str
    form: str
    bag: BagIdentity
    packages: Sequence[Package]
    files: Sequence[DepositedFile]
    receipt_due: str

    @property
    def files_sent(self) -> tuple[DepositedFile, ...]:
        """Files that went along."""
        return tuple(file for file in self.files if file.sent)

    @property
    def files_referenced(self) -> tuple[DepositedFile, ...]:
        """Files that are only named by their digest."""
        return tuple(file for file in self.files if not file.sent)

    def as_json(self) -> dict[str, Any]:
        """Return the document for machines, as ``deposit.schema.json`` describes it."""
        return {
            "schema": "deposit 1",
            "deposit": self.deposit,
            "made": self.made,
            "depositor": self.depositor.as_json(),
            "institution": self.institution.as_json(),
            "to": self.to,
            "program": self.program,
            "form": self.form,
            "bag": self.bag.as_json(),
            "packages": [package.as_json() for package in self.packages],
            "files": [file.as_json() for file in self.files],
            "receipt_due": self.receipt_due,
        }


def deposit_identifier(
    institution: str, to: str, form: str, bag: BagIdentity, *, left_out: bytes = b"", turn: int = 0
) -> str:
    """Name a deposit, the same for the same bag, place and form.

    So the same command again means the same deposit, whatever became of the first run.

    Parameters
    ----------
    institution, to, form : str
    bag : BagIdentity
    left_out : bytes
        The ``fetch.txt`` of a package that leaves out what is held already.
    turn : int
        0 for the first; one more each time that it has to be made again on purpose.
    """
    rest = hashlib.sha256(left_out).hexdigest() if left_out else ""
    seal = json.dumps(
        [institution, to, form, bag.name, sorted(bag.manifests.items()), rest, turn],
        ensure_ascii=True,
    )
    return f"D-{hashlib.sha256(seal.encode()).hexdigest()[:12]}"


def encode_deposit(record: DepositRecord) -> bytes:
    """Return the record as JSON in UTF-8, always in the same bytes."""
    return statement_bytes(record.as_json())


def decode_deposit(content: bytes, where: str) -> DepositRecord:
    """Read the record of a deposit.

    Raises
    ------
    InputError
        It is no such document.
    """
    document = read_statement(content, "deposit", where)
    return DepositRecord(
        deposit=document["deposit"],
        made=document["made"],
        depositor=Party.of(document["depositor"]),
        institution=Party.of(document["institution"]),
        to=document["to"],
        program=document["program"],
        form=document["form"],
        bag=BagIdentity.of(document["bag"]),
        packages=tuple(Package(**one) for one in document["packages"]),
        files=tuple(DepositedFile(**one) for one in document["files"]),
        receipt_due=document["receipt_due"],
    )
