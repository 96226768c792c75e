"""What the commands on institution profiles show."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from archiver.cli.printing import (
    block,
    open_console,
    plain,
    print_json,
    show_findings,
    size,
    tally,
)
from archiver.package.bagprofile import BagProfile
from archiver.session.institution import Institution
from archiver.telling import command_line, count

if TYPE_CHECKING:
    from archiver.pipeline.fitness import CheckedProfile, Fitness
    from archiver.pipeline.new import NewInstitution
    from archiver.pipeline.profile_copy import FetchedProfile

__all__ = ["show_fetched", "show_fitness", "show_known", "show_new", "show_profile"]


def show_new(made: NewInstitution, *, as_json: bool) -> None:
    """Say what was laid out and what to do next."""
    if as_json:
        print_json({"folder": str(made.folder), "files": list(made.files)})
        return
    console = open_console()
    console.print(f"Laid out {plain(str(made.folder))}:")
    for name in made.files:
        console.print(f"  {name}")
    check = command_line("institution", "check", made.folder)
    archive = command_line("archive", "SESSION", "--to", "DIR", "--for", made.folder)
    console.print(
        f"\nNext: write over the example, then run\n\n  {plain(check)}\n  {plain(archive)}",
        soft_wrap=True,
    )


def show_known(directory: Path, names: Sequence[str], *, as_json: bool) -> None:
    """List the profiles that are kept."""
    if as_json:
        print_json({"directory": str(directory), "profiles": list(names)})
        return
    console = open_console()
    for name in names:
        console.print(plain(name))
    talk = open_console(talk=True)
    where = plain(str(directory))
    state = "Kept in" if names else "No profiles are kept yet in"
    talk.print(f"{state} {where}", soft_wrap=True)


def show_fitness(fitness: Fitness, *, as_json: bool) -> None:
    """Show what an institution would miss in a bag."""
    if as_json:
        print_json(fitness.as_json())
        return
    console = open_console()
    who = plain(fitness.institution.name)
    console.print(f"{plain(str(fitness.bag))} for {who}", style="bold")
    known = fitness.bag_profile
    judged = "no BagIt Profile" if known is None else known.identifier or "a BagIt Profile"
    block(console, f"judged by {fitness.profile} and {judged}", indent=2, style="dim")
    console.print()
    show_findings(console, fitness.findings)
    console.print(f"{tally(fitness.findings).capitalize()}.", style="bold")
    if fitness.fits:
        console.print(f"{who} can take it in, by what can be seen without reading the payload.")
    else:
        console.print(f"{who} would not take it in. See `archiver check --explain CODE`.")


def show_profile(checked: CheckedProfile, *, as_json: bool) -> None:
    """Show what a profile asks for, and what is wrong with it."""
    profile = checked.profile
    if as_json:
        print_json(
            {
                "schema": "institution-report 1",
                "profile": profile.file,
                "institution": profile.institution.name,
                "bagit_profile": None
                if checked.bag_profile is None
                else checked.bag_profile.identifier,
                "asks": [
                    {"what": what, "words": words}
                    for what, words in _asks(profile.institution, checked.bag_profile)
                ],
                "findings": [finding.as_json() for finding in checked.findings],
            }
        )
        return
    from rich.table import Table

    console = open_console()
    console.print(plain(profile.institution.name), style="bold")
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), show_header=False)
    table.add_column(no_wrap=True)
    table.add_column()
    for what, words in _asks(profile.institution, checked.bag_profile):
        table.add_row(plain(what), plain(words))
    console.print(table)
    console.print()
    show_findings(console, checked.findings)
    console.print(f"{tally(checked.findings).capitalize()}.", style="bold")


def show_fetched(fetched: FetchedProfile, *, as_json: bool) -> None:
    """Say what was fetched and where the copy is."""
    if as_json:
        print_json(fetched.as_json())
        return
    talk = open_console(talk=True)
    show_findings(talk, fetched.findings)
    talk.print(plain(fetched.sentence()), soft_wrap=True)
    if fetched.copy is not None:
        open_console().print(plain(str(fetched.copy)), soft_wrap=True)


def _asks(institution: Institution, bag_profile: BagProfile | None) -> Iterator[tuple[str, Any]]:
    """Yield what is asked for and how, in the order in which a bag is made and sent."""
    for asked in institution.bag_info:
        yield asked.label, asked.asks + ("" if asked.required else " (if there is one)")
    if bag_profile is not None:
        known = {asked.label.casefold() for asked in institution.bag_info}
        for rule in bag_profile.info:
            if rule.required and rule.label.casefold() not in known:
                yield rule.label, rule.description or "required by the BagIt Profile"
    for paper in institution.papers:
        yield paper.file, paper.asks
    for what, words in (
        ("descriptions", ", ".join(institution.documents) or "all"),
        ("digests", ", ".join(institution.digests) or "sha256"),
        ("access copies", ", ".join(institution.access)),
        ("masters are named", institution.file_name),
        ("bags are named", institution.bag_name),
        ("names", institution.naming.asks if institution.naming else ""),
        ("form", institution.serialisation),
        ("largest package", _limit(institution.largest_package_bytes)),
        ("largest part", _limit(institution.largest_part_bytes)),
        ("destination", institution.destination),
        (
            "receipt",
            f"within {count(institution.receipt_days, 'day')}" if institution.receipt_days else "",
        ),
        (
            "earlier versions",
            "referenced by digest" if institution.earlier_versions_referenced else "",
        ),
        ("restricted part", "left out" if institution.leave_out_restricted else "in the bag"),
    ):
        if words:
            yield what, words


def _limit(amount: int | None) -> str:
    return "" if amount is None else size(amount)
