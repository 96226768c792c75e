"""The commands of a deposit: hand over, see what stands where, import receipts, receive."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from archiver.cli.custody_commands import AsJson, LedgerFile

__all__ = ["register"]

Institution = Annotated[
    str,
    typer.Option(
        "--for",
        metavar="PROFILE",
        help="Institution profile: a file, its folder, or its name in your configuration.",
    ),
]


def _known_ledger(path: Path) -> Path | None:
    from archiver.cli.kinds import ledger_given

    return ledger_given(path, known=True)


def _papers_folder(path: Path | None) -> Path | None:
    from archiver.cli.kinds import folder_given

    return folder_given(path, "--papers")


KnownLedger = Annotated[
    Path,
    typer.Option(
        "--ledger",
        metavar="FILE",
        help="The ledger that the deposits stand in.",
        callback=_known_ledger,
    ),
]
Papers = Annotated[
    Path | None,
    typer.Option(
        "--papers",
        metavar="DIR",
        help="Folder of the papers; deposits beside the ledger.",
        callback=_papers_folder,
    ),
]


def _told(sentence: str) -> None:
    sys.stderr.write(f"{sentence}\n")


def register(app: typer.Typer) -> None:
    """Add these commands to the program."""
    app.command()(deposit)
    app.command()(deposits)
    app.command()(receipt)
    app.command()(receive)


def deposit(
    bags: Annotated[list[Path], typer.Argument(metavar="BAG...", help="One or more bags.")],
    institution: Institution,
    ledger: LedgerFile,
    to: Annotated[
        str,
        typer.Option(
            "--to",
            metavar="PLACE",
            help="A folder, or a URL of sftp, s3 or webdavs; in place of the profile's.",
        ),
    ] = "",
    form: Annotated[
        str,
        typer.Option(
            "--form",
            metavar="FORM",
            help="folder, tar, tar.gz, tar.zst or zip; in place of the profile's.",
        ),
    ] = "",
    only_new: Annotated[
        bool,
        typer.Option(
            "--only-new",
            help="Leave out payload of earlier versions that the institution gave a receipt for.",
        ),
    ] = False,
    person: Annotated[
        str,
        typer.Option("--by", metavar="NAME", help="Who deposits; the bag's contact by default."),
    ] = "",
    papers: Papers = None,
    again: Annotated[
        bool, typer.Option("--again", help="Deposit once more what was deposited before.")
    ] = False,
    rehearse: Annotated[
        bool,
        typer.Option(
            "--rehearse",
            help="Look at the place, say what would be sent and what is missing; send nothing.",
        ),
    ] = False,
    as_json: AsJson = False,
) -> int:
    """Hand bags over to an institution. Given again, it goes on after a cut."""
    from archiver.cli import deposit_views
    from archiver.cli.kinds import Takes, bags_among, expect, tell_skipped
    from archiver.cli.progress import shown
    from archiver.pipeline.deposit import deposit_bags
    from archiver.pipeline.deposit_outcome import DepositPlan

    given: list[tuple[str, object]] = [
        ("--for", institution),
        ("--ledger", ledger),
        ("--to", to),
        ("--form", form),
        ("--only-new", only_new),
        ("--by", person),
        ("--papers", papers),
        ("--again", again),
        ("--rehearse", rehearse),
        ("--json", as_json),
    ]
    # What is told as the right line must do what was asked for, and at the same place.
    rest = [
        word
        for option, value in given
        if value
        for word in ((option,) if value is True else (option, value))
    ]
    bags, skipped = bags_among(bags, "deposit", *rest)
    tell_skipped(skipped)
    for bag in bags:
        # Nothing is sent while it is not clear what is meant.
        expect(bag, Takes.BAG, "deposit", *rest)
    plan = DepositPlan(
        bags=bags,
        profile=institution,
        ledger=ledger,
        to=to,
        form=form,
        papers=papers,
        person=person,
        only_new=only_new,
        again=again,
        rehearse=rehearse,
    )
    with shown() as progress:
        done = deposit_bags(plan, progress=progress, tell=_told)
    deposit_views.show_deposit(done, as_json=as_json)
    return max(one.exit_status for one in done)


def deposits(
    ledger: KnownLedger,
    bag: Annotated[
        str, typer.Option("--bag", metavar="NAME", help="Only deposits of this bag.")
    ] = "",
    institution: Annotated[
        str, typer.Option("--institution", metavar="NAME", help="Only deposits with this one.")
    ] = "",
    papers: Papers = None,
    as_json: AsJson = False,
) -> int:
    """Show what is deposited, and which receipts are awaited."""
    from archiver.cli import deposit_views
    from archiver.pipeline.deposits import report_deposits

    report = report_deposits(ledger, bag=bag, institution=institution, papers=papers)
    deposit_views.show_deposits(report, as_json=as_json)
    return report.exit_status


def receipt(
    ledger: KnownLedger,
    file: Annotated[
        Path | None,
        typer.Argument(
            metavar="FILE",
            help="What the institution sent: receipt.json, a text, a PDF, a picture.",
            show_default=False,
        ),
    ] = None,
    deposit_name: Annotated[
        str,
        typer.Option(
            "--deposit", metavar="D-...", help="For which deposit, where the file does not say."
        ),
    ] = "",
    reference: Annotated[
        str,
        typer.Option(
            "--reference", metavar="TEXT", help="What they call it, such as a number of theirs."
        ),
    ] = "",
    digest: Annotated[
        list[str] | None,
        typer.Option(
            "--digest", metavar="SHA-256", help="A digest that stands on paper; may be repeated."
        ),
    ] = None,
    accepted: Annotated[
        bool,
        typer.Option(
            "--accepted", help="They have taken it in; say so of whatever is no receipt.json."
        ),
    ] = False,
    refused: Annotated[bool, typer.Option("--refused", help="They have not taken it in.")] = False,
    papers: Papers = None,
    as_json: AsJson = False,
) -> int:
    """Import an institution's receipt. Its digests are compared."""
    from archiver.cli import deposit_views
    from archiver.cli.kinds import receipt_given
    from archiver.pipeline.receipts import ReceiptPlan, import_receipt

    receipt_given(file, "--ledger", ledger)

    imported = import_receipt(
        ReceiptPlan(
            ledger=ledger,
            file=file,
            reference=reference,
            digests=tuple(digest or ()),
            deposit=deposit_name,
            accepted=accepted,
            refused=refused,
            papers=papers,
        )
    )
    deposit_views.show_receipt(imported, as_json=as_json)
    return imported.exit_status


def receive(
    packages: Annotated[
        list[Path],
        typer.Argument(
            metavar="PACKAGE...",
            help="Folders of deposits, packages or their parts, or bags as folders.",
        ),
    ],
    institution: Institution,
    store: Annotated[
        Path, typer.Option("--into", metavar="DIR", help="The store, a folder that is there.")
    ],
    quarantine: Annotated[
        Path,
        typer.Option(
            "--quarantine",
            metavar="DIR",
            help="Where a package goes that is not accepted; a folder that is there.",
        ),
    ],
    ledger: LedgerFile,
    receipts: Annotated[
        Path | None,
        typer.Option(
            "--receipts", metavar="DIR", help="Folder of the receipts; receipts beside the ledger."
        ),
    ] = None,
    reference: Annotated[
        str,
        typer.Option("--reference", metavar="TEXT", help="Your number for it, for the receipt."),
    ] = "",
    fetch_from: Annotated[
        list[str] | None,
        typer.Option(
            "--fetch-from",
            metavar="HOST",
            help="Fetch what fetch.txt lists, over https from this host; may be repeated.",
        ),
    ] = None,
    clear: Annotated[
        bool,
        typer.Option("--clear", help="Remove from the inbox what was accepted."),
    ] = False,
    rehearse: Annotated[
        bool, typer.Option("--rehearse", help="Look at everything; leave all as it is.")
    ] = False,
    as_json: AsJson = False,
) -> int:
    """Take packages in: verify, then accept or quarantine. Writes the answer."""
    from archiver.cli import deposit_views
    from archiver.cli.kinds import arrivals_among, folder_given, tell_skipped
    from archiver.cli.progress import shown
    from archiver.pipeline.receiving import receive_packages
    from archiver.pipeline.receiving_outcome import ReceivingPlan

    for folder, option in ((store, "--into"), (quarantine, "--quarantine")):
        folder_given(folder, option)
    folder_given(receipts, "--receipts")
    arrived, skipped = arrivals_among(packages)
    tell_skipped(skipped)
    plan = ReceivingPlan(
        packages=arrived,
        profile=institution,
        store=store,
        quarantine=quarantine,
        ledger=ledger,
        receipts=receipts,
        fetch_from=tuple(fetch_from or ()),
        reference=reference,
        clear=clear,
        rehearse=rehearse,
    )
    with shown() as progress:
        done = receive_packages(plan, progress=progress)
    deposit_views.show_received(done, as_json=as_json)
    return max((one.exit_status for one in done), default=0)
