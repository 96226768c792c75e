"""The commands and their options; each calls the pipeline and hands the result to a view."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from archiver.cli import custody_commands, deposit_commands, package_commands, profile_commands
from archiver.cli.naming import name_paths
from archiver.cli.profile_commands import institution_app
from archiver.cli.record_commands import Before, machine_app, media, page
from archiver.cli.table_commands import sheet_app

__all__ = ["app"]

app = typer.Typer(
    name="archiver",
    help="Archive demonstration sessions of historic sound-recording machines.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
    epilog="Exit status: 0 done, 1 findings stop the deposit, 2 called wrongly, "
    "3 stored bytes have changed, 4 disk or permission, 5 defect.",
)
app.add_typer(machine_app)
app.add_typer(sheet_app)
app.add_typer(institution_app)
app.command()(media)
app.command()(page)

AsJson = Annotated[
    bool, typer.Option("--json", help="Print the same facts for machines, as one JSON document.")
]
Session = Annotated[Path, typer.Argument(metavar="DIR", help="The session folder.")]
Profile = Annotated[
    str | None,
    typer.Option(
        "--for",
        metavar="PROFILE",
        help="Institution profile: a file, or the name of one in your configuration. Without "
        "it, institution.yaml in the session folder counts.",
    ),
]


def _version(wanted: bool) -> None:
    if wanted:
        from archiver import __version__

        typer.echo(f"archiver {__version__}")
        raise typer.Exit


@app.callback()
def _program(
    version: Annotated[
        bool,
        typer.Option("--version", help="Print the version.", callback=_version, is_eager=True),
    ] = False,
) -> None:
    del version


@app.command()
def new(
    folder: Annotated[
        Path, typer.Argument(metavar="DIR", help="The folder to make; must be new or empty.")
    ],
    ask: Annotated[
        bool, typer.Option("--ask", help="Ask the questions here, and write the sheet from them.")
    ] = False,
    as_json: AsJson = False,
) -> int:
    """Lay out a session folder with a commented sheet."""
    from archiver.cli import views
    from archiver.cli.outputs import outside_bags
    from archiver.pipeline.new import new_session

    outside_bags(folder, "DIR")

    if ask:
        from archiver.cli.asking import ask_and_lay_out

        made = ask_and_lay_out(folder)
    else:
        made = new_session(folder)
    views.show_new(made, as_json=as_json)
    return 0


@app.command()
def check(
    folder: Annotated[
        Path | None,
        typer.Argument(
            metavar="DIR",
            help="The session folder; or, with --for, a bag, before it is sent.",
            show_default=False,
        ),
    ] = None,
    profile: Profile = None,
    previous: Before = None,
    sound: Annotated[
        bool,
        typer.Option("--sound", help="Measure the takes too, as archiving does; takes as long."),
    ] = False,
    explain: Annotated[
        str | None,
        typer.Option(
            "--explain", metavar="CODE", help="Explain a rule by its code instead of checking."
        ),
    ] = None,
    as_json: AsJson = False,
) -> int:
    """Report findings on sheet, takes and photographs, or on a bag."""
    if explain is not None:
        from archiver.cli import record_views

        return record_views.explain(explain, as_json=as_json)
    if folder is None:
        raise typer.BadParameter("Give the session folder, or --explain CODE.", param_hint="DIR")
    from archiver.cli.kinds import Takes, expect
    from archiver.pipeline.kinds import Kind

    given = () if profile is None else ("--for", profile)
    if expect(folder, Takes.EITHER, "check", *given).kind is Kind.BAG:
        if sound:
            raise typer.BadParameter(
                "A bag holds what was measured; verify --sound compares its sound with that.",
                param_hint="--sound",
            )
        return profile_commands.check_bag(folder, profile, as_json=as_json)
    from archiver.cli import views
    from archiver.cli.progress import shown
    from archiver.findings import stops_deposit
    from archiver.pipeline.check import check_session

    with shown() as progress:
        report = check_session(
            folder, profile=profile, previous=previous, sound=sound, progress=progress
        )
    if previous is not None:
        given = (*given, "--previous", str(previous))
    views.show_check(report, given, as_json=as_json)
    return 1 if stops_deposit(report.findings) else 0


def _listed(text: str | None) -> list[str] | None:
    """Take words between commas apart; ``none`` is an empty list."""
    if text is None:
        return None
    words = [word.strip().lower() for word in text.split(",") if word.strip()]
    return [] if words == ["none"] else words


@app.command()
def archive(
    folder: Session,
    to: Annotated[
        Path, typer.Option("--to", metavar="DIR", help="The folder that will hold the bag.")
    ],
    version: Annotated[
        int | None,
        typer.Option(
            "--version",
            min=1,
            metavar="N",
            help="Make version N of a session archived before; it replaces version N-1.",
        ),
    ] = None,
    digest: Annotated[
        list[str] | None,
        typer.Option(
            "--digest", metavar="NAME", help="sha256 (default), sha512 or md5; may be repeated."
        ),
    ] = None,
    access: Annotated[
        str | None,
        typer.Option(
            "--access",
            metavar="KINDS",
            help="Access copies of each master: flac (the same samples), opus (small), or both "
            "as flac,opus; none to overrule a profile.",
        ),
    ] = None,
    profile: Profile = None,
    leave_out_restricted: Annotated[
        bool,
        typer.Option(
            "--leave-out-restricted", help="Leave everything that is not public out of the bag."
        ),
    ] = False,
    previous: Before = None,
    replaces: Annotated[
        Path | None,
        typer.Option(
            "--replaces",
            metavar="BAG",
            help="The bag that the new version replaces, where it does not lie in --to; "
            "--version may be left out then.",
        ),
    ] = None,
    reason: Annotated[
        str, typer.Option("--reason", metavar="TEXT", help="Why there is a new version.")
    ] = "",
    as_json: AsJson = False,
) -> int:
    """Make a verified bag of a session; runs the check first."""
    from archiver.cli.kinds import Takes, expect
    from archiver.cli.outputs import outside_bags

    expect(folder, Takes.SESSION, "archive", "--to", to)
    outside_bags(to, "--to")
    from archiver.cli.progress import shown
    from archiver.pipeline.measuring import measured_beside

    with measured_beside(folder) as meters, shown() as progress:
        # Loaded only now, while the process that measures loads its own libraries.
        from archiver.pipeline.archive import archive_session

        outcome = archive_session(
            folder,
            to,
            version=version,
            algorithms=digest,
            access=_listed(access),
            profile=profile,
            leave_out_restricted=leave_out_restricted,
            previous=previous,
            replaces=replaces,
            reason=reason,
            progress=progress,
            meters=meters,
            afterwards=("archiver.cli.views", "rich.console", "rich.padding", "rich.text"),
        )
    from archiver.cli import views

    views.show_archive(outcome, as_json=as_json)
    return 0 if outcome.bag is not None else 1


@app.command()
def verify(
    bags: Annotated[list[Path], typer.Argument(metavar="BAG...", help="One or more bags.")],
    sound: Annotated[
        bool,
        typer.Option("--sound", help="Recompute the sample digests of intact masters too."),
    ] = False,
    quick: Annotated[
        bool,
        typer.Option("--quick", help="Compare lists, sizes and tag files; read no payload."),
    ] = False,
    signers: custody_commands.Signers = None,
    as_json: AsJson = False,
) -> int:
    """Recompute what bags hold and say what has changed."""
    from archiver.cli.verifying import verify_and_show

    return verify_and_show(bags, quick=quick, sound=sound, signers=signers, as_json=as_json)


@app.command()
def export(
    bag: Annotated[Path, typer.Argument(metavar="BAG", help="The bag; nothing in it is changed.")],
    to: Annotated[
        Path, typer.Option("--to", metavar="DIR", help="The folder that will hold the documents.")
    ],
    document: Annotated[
        list[str] | None,
        typer.Option(
            "--document",
            metavar="NAME",
            help="premis, mets, ebucore, lido, dublin-core, datacite or ro-crate; may be "
            "repeated. Without it, all that the bag was made with.",
        ),
    ] = None,
    as_json: AsJson = False,
) -> int:
    """Make the descriptions of a bag again from its records."""
    from archiver.cli import views
    from archiver.cli.kinds import Takes, expect
    from archiver.cli.outputs import outside_bags
    from archiver.findings import stops_deposit
    from archiver.pipeline.export import export_documents

    expect(bag, Takes.BAG, "export", "--to", to)
    outside_bags(to, "--to")
    exported = export_documents(bag, to, document or ())
    views.show_export(exported, as_json=as_json)
    return 1 if stops_deposit(exported.findings) else 0


@app.command()
def measure(
    paths: Annotated[
        list[Path], typer.Argument(metavar="FILE...", help="Captures of any accepted kind.")
    ],
    channel: Annotated[
        list[str] | None,
        typer.Option(
            "--channel", metavar="MEANING", help="Meaning of a channel, in order; repeat for each."
        ),
    ] = None,
    as_json: AsJson = False,
) -> int:
    """Measure sound files: levels, loudness, noise, faults."""
    from archiver.cli import measuring
    from archiver.cli.kinds import Takes, expect, globbed
    from archiver.cli.progress import shown
    from archiver.pipeline.measure import measure_files

    paths = globbed(paths)
    if len(paths) == 1:
        # Among several, one that is no sound does not keep the others waiting.
        expect(paths[0], Takes.SOUND, "measure")
    with shown() as progress:
        measured = measure_files(paths, meanings=channel or (), progress=progress)
    measuring.show_measured(measured, as_json=as_json)
    return max(one.exit_status for one in measured)


@app.command("find-takes")
def find_takes(
    folder: Session,
    capture: Annotated[
        str, typer.Argument(metavar="FILE", help="A long capture in the folder takes.")
    ],
    write: Annotated[
        bool, typer.Option("--write", help="Add the takes to session.yaml; no other line changes.")
    ] = False,
    as_json: AsJson = False,
) -> int:
    """Propose the takes that a long capture holds."""
    from archiver.cli import measuring
    from archiver.cli.kinds import Takes, expect
    from archiver.cli.progress import shown
    from archiver.pipeline.finding_takes import find_takes as look_for

    expect(folder, Takes.SESSION, "find-takes", capture)
    with shown() as progress:
        found = look_for(folder, capture, write=write, progress=progress)
    measuring.show_takes(found, as_json=as_json)
    return 0


@app.command()
def motion(folder: Session, as_json: AsJson = False) -> int:
    """Measure how fast and how steadily the machines turned."""
    from archiver.cli import motion_views
    from archiver.cli.kinds import Takes, expect
    from archiver.cli.progress import shown
    from archiver.pipeline.motion import motion_of_folder

    expect(folder, Takes.SESSION, "motion")
    with shown() as progress:
        found = motion_of_folder(folder, progress=progress)
    motion_views.show_motion(found, as_json=as_json)
    return 0


@app.command()
def inspect(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A WAV, RF64 or BW64 file.")],
    as_json: AsJson = False,
) -> int:
    """Show what is inside a WAV, chunk by chunk."""
    from archiver.cli import views
    from archiver.cli.kinds import Takes, expect
    from archiver.findings import stops_deposit
    from archiver.wave.inspect import inspect as look_into

    expect(file, Takes.SOUND, "inspect")
    inspection = look_into(file)
    views.show_inspection(inspection, as_json=as_json)
    return 1 if stops_deposit(inspection.findings) else 0


custody_commands.register(app)
package_commands.register(app)
deposit_commands.register(app)
name_paths(app)
