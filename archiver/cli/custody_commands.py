"""The commands that look after stored bags: audit, copies, recovery, signatures, the ledger."""

from __future__ import annotations

import os
import re
import sys
from datetime import timedelta
from pathlib import Path
from typing import Annotated

import typer

from archiver.cli.naming import named
from archiver.cli.verifying import depth_of
from archiver.errors import MisuseError
from archiver.telling import command_line

__all__ = ["register"]

_KEY_VARIABLE = "ARCHIVER_SIGN_PASSPHRASE"
_UNITS = {"s": 1, "min": 60, "h": 3600, "d": 86_400, "w": 604_800, "y": 31_557_600}
# How the files begin that a later run may replace.
_AUDIT_REPORT = re.compile(rb'\{\s*"schema"\s*:\s*"audit-report \d+"')
_EXPORT = re.compile(
    rb'\{"bag":"(?:[^"\\]|\\.)*","digest":"[0-9a-f]{64}"'
    rb"|(?:<\?xml[^>]*>\s*)?<premis:premis\b"
)
_SPAN = re.compile(r"(\d{1,6}(?:\.\d{1,3})?)\s*([a-z]+)", re.ASCII)

AsJson = Annotated[
    bool, typer.Option("--json", help="Print the same facts for machines, as one JSON document.")
]


def ledger_option(path: Path | None) -> Path | None:
    """Refuse what is no ledger before a command begins."""
    from archiver.cli.kinds import ledger_given

    return ledger_given(path)


LedgerFile = Annotated[
    Path,
    typer.Option(
        "--ledger",
        metavar="FILE",
        help="The ledger; made if it is not there.",
        callback=ledger_option,
    ),
]
Quick = Annotated[
    bool, typer.Option("--quick", help="Compare lists, sizes and tag files; read no payload.")
]
Sound = Annotated[
    bool, typer.Option("--sound", help="Recompute the sample digests of intact masters too.")
]
Signers = Annotated[
    Path | None,
    typer.Option(
        "--signers",
        metavar="FILE",
        help="Ask for a signature of one of these, a list as ssh-keygen -Y verify takes it.",
    ),
]


def register(app: typer.Typer) -> None:
    """Add these commands to the program."""
    app.command()(audit)
    app.command()(copies)
    app.command()(salvage)
    app.command()(protect)
    app.command()(heal)
    app.command()(sign)
    app.add_typer(ledger_app, name="ledger")


def span_of(text: str | None, option: str, example: str) -> timedelta | None:
    """Read a length of time such as ``90d``, ``2h`` or ``45min``."""
    if text is None:
        return None
    found = _SPAN.fullmatch(text.strip().lower())
    if found is None or found[2] not in _UNITS:
        raise MisuseError(
            f"{text!r} is no length of time",
            where=option,
            accepted=f"a number and a unit: s, min, h, d, w or y, such as {example}",
        )
    return timedelta(seconds=float(found[1]) * _UNITS[found[2]])


def audit(
    store: Annotated[
        str, typer.Argument(metavar="STORE", help="A folder of bags, or a URL such as s3://b/f.")
    ],
    ledger: LedgerFile,
    quick: Quick = False,
    sound: Sound = False,
    older_than: Annotated[
        str | None,
        typer.Option(
            "--older-than", metavar="TIME", help="Only bags not checked for so long, as 90d."
        ),
    ] = None,
    daily_percent: Annotated[
        float | None,
        typer.Option(
            "--daily-percent",
            min=0.0001,
            max=100,
            metavar="N",
            help="At most N % of the bags in 24 hours, the longest unchecked first.",
        ),
    ] = None,
    time_budget: Annotated[
        str | None,
        typer.Option("--time-budget", metavar="TIME", help="Begin no file after so long, as 2h."),
    ] = None,
    store_name: Annotated[
        str,
        typer.Option(
            "--store-name",
            metavar="NAME",
            help="What the ledger calls the store, wherever it is mounted.",
        ),
    ] = "",
    fresh: Annotated[
        bool, typer.Option("--fresh", help="Begin anew; do not take up an interrupted audit.")
    ] = False,
    jobs: Annotated[
        int,
        typer.Option(
            "--jobs",
            min=1,
            max=256,
            metavar="N",
            help="Processes that check bags side by side; for stores of many small bags.",
        ),
    ] = 1,
    scheduler: Annotated[
        str | None,
        typer.Option(
            "--scheduler",
            metavar="ADDRESS",
            help="Let the workers of a dask scheduler check the bags.",
        ),
    ] = None,
    signers: Signers = None,
    report: Annotated[
        Path | None,
        typer.Option("--report", metavar="FILE", help="Write the report for machines here."),
    ] = None,
    as_json: AsJson = False,
) -> int:
    """Verify the bags of a store, or those due. Enters it in the ledger."""
    from archiver.cli import custody_views
    from archiver.cli.kinds import Takes, expect
    from archiver.cli.outputs import may_write
    from archiver.cli.progress import shown
    from archiver.custody.due import Selection
    from archiver.pipeline.audit import AuditPlan, audit_store
    from archiver.pipeline.verify import asked_signers

    if "://" not in store:
        place = named(Path(store))
        expect(place, Takes.STORE, "audit", "--ledger", ledger)
        store = store if place == Path(store) else str(place)
    if report is not None:
        may_write(report, "--report", earlier=_AUDIT_REPORT, keep=(ledger,))
    plan = AuditPlan(
        store=store,
        ledger=ledger,
        name=store_name,
        depth=depth_of(quick, sound),
        selection=Selection(
            older_than=span_of(older_than, "--older-than", "90d"), daily_percent=daily_percent
        ),
        time_budget=span_of(time_budget, "--time-budget", "2h"),
        fresh=fresh,
        jobs=jobs,
        scheduler=scheduler,
        signers=None if signers is None else asked_signers(signers),
    )
    with shown() as progress:
        outcome = audit_store(plan, progress=progress)
    if report is not None:
        custody_views.write_report(report, outcome.as_json())
    for note in outcome.notes:
        typer.echo(note, err=True)
    custody_views.show_audit(outcome, as_json=as_json)
    return outcome.exit_status


def copies(
    stores: Annotated[
        list[str],
        typer.Argument(metavar="STORE STORE...", help="Folders or URLs that hold the copies."),
    ],
    ledger: Annotated[
        Path | None,
        typer.Option(
            "--ledger",
            metavar="FILE",
            help="The ledger that decides and records.",
            callback=ledger_option,
        ),
    ] = None,
    bag: Annotated[
        list[str] | None,
        typer.Option("--bag", metavar="NAME", help="Only this bag; may be repeated."),
    ] = None,
    repair: Annotated[
        bool,
        typer.Option("--repair", help="Repair bad copies from good ones; needs --ledger."),
    ] = False,
    signers: Annotated[
        Path | None,
        typer.Option(
            "--signers",
            metavar="FILE",
            help="Whose signature decides where the ledger does not, as ssh-keygen takes it.",
        ),
    ] = None,
    as_json: AsJson = False,
) -> int:
    """Compare copies of bags. Repairs the bad from the good, if asked."""
    from archiver.cli import custody_views
    from archiver.cli.kinds import stores_among, tell_skipped
    from archiver.cli.progress import shown
    from archiver.pipeline.copies import CopiesPlan, compare_stores
    from archiver.pipeline.verify import asked_signers

    stores, skipped = stores_among(stores, "copies")
    tell_skipped(skipped)
    plan = CopiesPlan(
        stores=stores,
        ledger=ledger,
        bags=bag or (),
        repair=repair,
        signers=None if signers is None else asked_signers(signers),
    )
    with shown() as progress:
        compared = compare_stores(plan, progress=progress)
    to_repair = ""
    if not repair:
        only = [word for name in bag or () for word in ("--bag", name)]
        only += () if signers is None else ("--signers", str(signers))
        to_repair = command_line("copies", *stores, "--ledger", ledger or "FILE", *only, "--repair")
    custody_views.show_copies(compared, to_repair, as_json=as_json)
    return max((one.exit_status for one in compared), default=0)


def salvage(
    bag: Annotated[Path, typer.Argument(metavar="BAG", help="The damaged bag.")],
    to: Annotated[Path, typer.Option("--to", metavar="DIR", help="Folder for the new files.")],
    master: Annotated[
        list[str] | None,
        typer.Option("--master", metavar="PATH", help="Only this master; may be repeated."),
    ] = None,
    as_json: AsJson = False,
) -> int:
    """Write what is left of damaged masters. New WAVs have the damage marked."""
    from archiver.cli import custody_views
    from archiver.cli.kinds import Takes, expect
    from archiver.cli.outputs import outside_bags
    from archiver.cli.progress import shown
    from archiver.pipeline.salvage import salvage_bag

    expect(bag, Takes.BAG, "salvage", "--to", to)
    outside_bags(to, "--to")
    with shown() as progress:
        outcome = salvage_bag(bag, to, masters=master or (), progress=progress)
    custody_views.show_salvage(outcome, as_json=as_json)
    return outcome.exit_status


OptionalLedger = Annotated[
    Path | None,
    typer.Option(
        "--ledger",
        metavar="FILE",
        help="Enter each step in this ledger.",
        callback=ledger_option,
    ),
]


def protect(
    bags: Annotated[list[Path], typer.Argument(metavar="BAG...", help="Bags that are intact.")],
    redundancy: Annotated[
        int,
        typer.Option(
            "--redundancy", min=1, max=100, metavar="N", help="Part that can be restored, in %."
        ),
    ] = 5,
    replace: Annotated[
        bool, typer.Option("--replace", help="Make recovery data anew that is there already.")
    ] = False,
    ledger: OptionalLedger = None,
    as_json: AsJson = False,
) -> int:
    """Make recovery data (PAR2), so that a single copy can heal."""
    from archiver.cli import custody_views
    from archiver.cli.kinds import Takes, bags_among, expect, tell_skipped
    from archiver.cli.progress import shown
    from archiver.pipeline.recovery import protect_bags

    bags, skipped = bags_among(bags, "protect")
    tell_skipped(skipped)
    with shown() as progress:
        done = protect_bags(
            bags,
            require=lambda bag: expect(bag, Takes.BAG, "protect"),
            redundancy_percent=redundancy,
            replace=replace,
            ledger=ledger,
            progress=progress,
        )
    custody_views.show_protected(done, as_json=as_json)
    return max(one.exit_status for one in done)


def heal(
    bag: Annotated[Path, typer.Argument(metavar="BAG", help="The damaged bag.")],
    ledger: OptionalLedger = None,
    as_json: AsJson = False,
) -> int:
    """Restore a damaged bag from the recovery data beside it."""
    from archiver.cli import custody_views
    from archiver.cli.kinds import Takes, expect
    from archiver.cli.progress import shown
    from archiver.pipeline.recovery import heal as heal_one

    expect(bag, Takes.BAG, "heal")
    with shown() as progress:
        outcome = heal_one(bag, ledger=ledger, progress=progress)
    custody_views.show_healed(outcome, as_json=as_json)
    return outcome.exit_status


def sign(
    bags: Annotated[list[Path], typer.Argument(metavar="BAG...", help="Bags that are intact.")],
    key: Annotated[
        Path, typer.Option("--key", metavar="FILE", help="An Ed25519 private key of OpenSSH.")
    ],
    ledger: OptionalLedger = None,
    as_json: AsJson = False,
) -> int:
    """Sign the tag manifests of bags. ssh-keygen can tell who signed."""
    from archiver.cli import custody_views
    from archiver.cli.kinds import Takes, bags_among, expect, tell_skipped
    from archiver.cli.progress import shown
    from archiver.pipeline.signing import sign_bags

    asked: list[str] = []

    def passphrase() -> str:
        if (given := os.environ.get(_KEY_VARIABLE)) is not None:
            return given
        if not sys.stdin.isatty():
            raise MisuseError(
                "the key is protected by a passphrase, and there is no terminal to ask for it",
                where=str(key),
                accepted=f"the passphrase in the environment, as {_KEY_VARIABLE}",
                remedy="Set that variable for this command alone, or run it in a terminal",
            )
        if not asked:
            asked.append(typer.prompt(f"Passphrase of {key}", hide_input=True, err=True))
        return asked[0]

    bags, skipped = bags_among(bags, "sign", "--key", key)
    tell_skipped(skipped)
    with shown() as progress:
        done = sign_bags(
            bags,
            key,
            passphrase=passphrase,
            require=lambda bag: expect(bag, Takes.BAG, "sign", "--key", key),
            ledger=ledger,
            progress=progress,
        )
    custody_views.show_signed(done, as_json=as_json)
    return max(one.exit_status for one in done)


ledger_app = typer.Typer(
    help="Verify, export or amend the ledger of checks.", no_args_is_help=True, add_completion=False
)
LedgerArgument = Annotated[Path, typer.Argument(metavar="LEDGER", help="The ledger.")]


@ledger_app.command("verify")
def ledger_verify(
    ledger: LedgerArgument,
    expect: Annotated[
        list[str] | None,
        typer.Option(
            "--expect",
            metavar="NUMBER:SHA256",
            help="A last entry that an earlier report stated; shows a ledger cut short.",
        ),
    ] = None,
    as_json: AsJson = False,
) -> int:
    """Verify every entry against its digest and the one before."""
    from archiver.cli import custody_views, kinds
    from archiver.custody.ledger import Head, open_ledger
    from archiver.custody.ledger_check import verify_ledger

    kinds.expect(ledger, kinds.Takes.LEDGER, "ledger verify")
    with open_ledger(ledger, read_only=True) as opened:
        found = verify_ledger(opened, expected=[Head.parse(text) for text in expect or ()])
    custody_views.show_ledger(ledger, found, as_json=as_json)
    return 0 if found.intact else 3


@ledger_app.command("export")
def ledger_export(
    ledger: LedgerArgument,
    form: Annotated[
        str, typer.Option("--form", metavar="FORM", help="json-lines (default) or premis.")
    ] = "json-lines",
    to: Annotated[
        Path | None,
        typer.Option("--to", metavar="FILE", help="Where to; standard output by default."),
    ] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Changes no export: it is for machines already.")
    ] = False,
) -> int:
    """Write the ledger as JSON lines or as PREMIS events."""
    from archiver.cli import custody_views, kinds
    from archiver.cli.outputs import may_write
    from archiver.custody.ledger import open_ledger
    from archiver.pipeline.ledger import exported

    # Told to whoever reads errors: the export itself is the same.
    del as_json
    kinds.expect(ledger, kinds.Takes.LEDGER, "ledger export")
    if to is not None:
        may_write(to, "--to", earlier=_EXPORT, keep=(ledger,))
    with open_ledger(ledger, read_only=True) as opened:
        custody_views.write_export(exported(opened, form), to)
    return 0


@ledger_app.command("accept")
def ledger_accept(
    ledger: LedgerArgument,
    store: Annotated[str, typer.Argument(metavar="STORE", help="The store, as audited.")],
    bag: Annotated[str, typer.Argument(metavar="BAG", help="Path of the bag in the store.")],
    reason: Annotated[
        str, typer.Option("--reason", metavar="TEXT", help="Why, for whoever reads the ledger.")
    ],
    store_name: Annotated[
        str, typer.Option("--store-name", metavar="NAME", help="As given to the audit.")
    ] = "",
    as_json: AsJson = False,
) -> int:
    """Enter that a bag was changed or withdrawn on purpose."""
    from archiver.cli import custody_views, kinds
    from archiver.cli.progress import shown
    from archiver.pipeline.ledger import accept

    kinds.expect(ledger, kinds.Takes.LEDGER, "ledger accept", store, bag)
    with shown() as progress:
        entry = accept(ledger, store, bag, reason=reason, name=store_name, progress=progress)
    custody_views.show_accepted(entry, as_json=as_json)
    return 0
