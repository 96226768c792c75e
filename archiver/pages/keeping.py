"""How the bag is kept, on the page: files and digests, how to check, findings, the making."""

from __future__ import annotations

from collections.abc import Iterator

from archiver.describe.facts import FileRole
from archiver.describe.places import strongest
from archiver.findings import Severity
from archiver.package.readme import fixity_commands
from archiver.pages.composing import derived, facts_of, plain, stated, table_of
from archiver.pages.content import (
    Basis,
    Block,
    Bullets,
    Column,
    Commands,
    Line,
    Paragraph,
    Section,
    Text,
    own,
    said,
)
from archiver.pages.facts import Links, PageFacts
from archiver.pages.figures import bytes_in_words
from archiver.telling import count

__all__ = ["MOST_FILES", "files_section", "findings_section", "making_section", "verify_section"]

MOST_FILES = 500
"""Files whose digests are shown; the manifest holds all."""

_MOST_FINDINGS = 200


def files_section(facts: PageFacts, links: Links) -> Section | None:
    """List the files of the payload with their digests."""
    files = facts.archive.files
    if not facts.bag or not files:
        return None
    rows: list[tuple[Line, ...]] = []
    for file in files[:MOST_FILES]:
        digest = strongest(file.digests)
        public = file.role is not FileRole.RESTRICTED
        rows.append(
            (
                own(file.path, href=links.file(file.path) if public else "", code=True),
                own(f"{file.size_bytes:,}"),
                own(digest[1], code=True) if digest is not None else (),
            )
        )
    name = next(
        (found[0].name for file in files if (found := strongest(file.digests)) is not None),
        "Digest",
    )
    blocks: list[Block] = [
        *table_of(
            "The payload; documents of the bag about itself stand in the tag manifest",
            (
                Column(head="File", style="code"),
                Column(head="Bytes", style="number"),
                Column(head=name, style="code"),
            ),
            rows,
            basis=Basis.DERIVED,
        )
    ]
    if len(files) > MOST_FILES:
        blocks.append(
            Paragraph(
                text=own(
                    f"The first {MOST_FILES} of {len(files)} files; the manifest in the bag holds all."
                )
            )
        )
    return Section(id="files", title="Files and digests", short="Files", blocks=tuple(blocks))


def verify_section(facts: PageFacts) -> Section | None:
    """Say how anyone checks the bag with what every system brings."""
    if not facts.bag:
        return None
    blocks: list[Block] = [
        Paragraph(
            text=own(
                "Open a terminal in the folder of the bag. Each line that is printed must end in "
                "OK. READ-ME.txt in the bag says the same, and how the sound of a master is "
                "checked alone."
            )
        )
    ]
    for algorithm in facts.algorithms:
        blocks += [
            Commands(system=system, lines=lines) for system, lines in fixity_commands(algorithm)
        ]
    blocks.append(
        Paragraph(
            text=own(
                "These commands do not notice a file that was added: Payload-Oxum in bag-info.txt "
                "states bytes and number of the files below data, and any BagIt validator (RFC "
                "8493) compares them."
            )
        )
    )
    return Section(
        id="verify",
        title="How to check that nothing has changed",
        short="Checking",
        blocks=tuple(blocks),
    )


def findings_section(facts: PageFacts) -> Section | None:
    """Show what the check had to say, all weights."""
    found = facts.findings
    if not found:
        return None
    shown = found[:_MOST_FINDINGS]
    counts = ", ".join(
        count(number, str(severity))
        for severity in Severity
        if (number := sum(one.severity is severity for one in found))
    )
    rest = "" if len(shown) == len(found) else f" The first {len(shown)} are shown."
    return Section(
        id="findings",
        title="What the check had to say",
        short="Findings",
        blocks=(
            Paragraph(
                text=own(f"{counts}, as recorded with the session.{rest}"), basis=Basis.DERIVED
            ),
            *table_of(
                "Findings",
                (
                    Column(head="Weight"), Column(head="Found"), Column(head="Where"),
                    Column(head="What may be done"), Column(head="Code", style="code"),
                ),
                (
                    (
                        own(str(one.severity)),
                        said(_sentence(one.message)),
                        own(str(one.where), code=True),
                        own(_sentence(one.remedy)),
                        own(one.code, code=True),
                    )
                    for one in shown
                ),
                basis=Basis.DERIVED,
            ),
        ),
    )  # fmt: skip


def _sentence(text: str) -> str:
    text = text.strip()
    return text if not text or text.endswith((".", "!", "?")) else f"{text}."


def making_section(facts: PageFacts) -> Section | None:
    """Say when and how the bag was made."""
    if not facts.bag:
        return None
    return Section(
        id="making",
        title="How this bag was made",
        short="Making",
        blocks=tuple(_making(facts)),
    )


def _making(facts: PageFacts) -> Iterator[Block]:
    run = facts.archive.run
    sizes = sum(file.size_bytes for file in facts.archive.files)
    yield from facts_of(
        (
            plain("Bag", own(facts.bag, code=True)),
            plain("Version", str(facts.version)),
            plain("Replaces", own(facts.replaces, code=True) if facts.replaces else ""),
            stated("Reason for this version", facts.reason),
            plain("Identifier", own(run.bag_identifier, code=True)),
            plain("Made", run.archived),
            plain("Program", f"{run.program} {run.version}"),
            plain("Libraries", ", ".join(f"{one.name} {one.version}" for one in run.libraries)),
            derived(
                "Payload", f"{count(len(facts.archive.files), 'file')}, {bytes_in_words(sizes)}"
            ),
        )
    )
    if facts.steps:
        yield Bullets(name="Steps", items=tuple(own(f"{_begun(step)}.") for step in facts.steps))


def _begun(text: str) -> str:
    return text[:1].upper() + text[1:]


def colophon(facts: PageFacts) -> Line:
    """Say what this page is and what it is made from."""
    run = facts.archive.run
    made = f"by {run.program} {run.version}"
    if not facts.bag:
        return own(
            f"This page was made {made} from a session folder that is not archived yet: nothing "
            "is measured, and nothing is certain to stay as it is."
        )
    return (
        Text(text=f"This page was made {made} from the records in the bag "),
        Text(text=facts.bag, code=True),
        Text(
            text=". It adds nothing to them: metadata/session.json, metadata/measurements, "
            "metadata/motion.json and metadata/findings.json hold the same for machines."
        ),
    )
