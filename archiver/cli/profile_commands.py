"""Commands on institution profiles, and the check of a bag by one."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["check_bag", "institution_app"]

institution_app = typer.Typer(
    name="institution",
    help="Institution profiles: what the receivers of bags ask for.",
    no_args_is_help=True,
    rich_markup_mode=None,
)

AsJson = Annotated[
    bool, typer.Option("--json", help="Print the same facts for machines, as one JSON document.")
]
Named = Annotated[
    str,
    typer.Argument(
        metavar="PROFILE", help="A profile: a file, its folder, or its name in your configuration."
    ),
]


def check_bag(bag: Path, profile: str | None, *, as_json: bool) -> int:
    """Check a bag against an institution, for the command ``check``."""
    from archiver.cli import profile_views
    from archiver.errors import MisuseError
    from archiver.pipeline.fitness import fit
    from archiver.pipeline.profiles import find_profile
    from archiver.telling import command_line

    if profile is None:
        raise MisuseError(
            "this is a bag, and no institution was named that would judge it",
            where=str(bag),
            accepted="--for PROFILE",
            remedy=f"Say for whom it is: {command_line('check', bag, '--for', 'PROFILE')}; to see "
            f"whether it is intact: {command_line('verify', bag)}",
        )
    fitness = fit(bag, find_profile(bag, profile))
    profile_views.show_fitness(fitness, as_json=as_json)
    return 0 if fitness.fits else 1


@institution_app.command()
def new(
    folder: Annotated[
        Path, typer.Argument(metavar="DIR", help="The folder to make; must be new or empty.")
    ],
    as_json: AsJson = False,
) -> int:
    """Lay out an example profile, to be written over."""
    from archiver.cli import profile_views
    from archiver.cli.outputs import outside_bags
    from archiver.pipeline.new import new_institution

    outside_bags(folder, "DIR")
    profile_views.show_new(new_institution(folder), as_json=as_json)
    return 0


@institution_app.command("list")
def list_known(as_json: AsJson = False) -> int:
    """List the profiles in your configuration, and where they are."""
    import os

    from archiver.cli import profile_views
    from archiver.pipeline.profiles import known_profiles, profiles_directory

    directory = profiles_directory(os.environ)
    profile_views.show_known(directory, known_profiles(directory), as_json=as_json)
    return 0


@institution_app.command()
def check(profile: Named, as_json: AsJson = False) -> int:
    """Check a profile and its BagIt Profile, and say what they ask for."""
    from archiver.cli import profile_views
    from archiver.findings import stops_deposit
    from archiver.pipeline.fitness import check_profile
    from archiver.pipeline.profiles import find_profile

    checked = check_profile(find_profile(Path(), profile))
    profile_views.show_profile(checked, as_json=as_json)
    return 1 if stops_deposit(checked.findings) else 0


@institution_app.command()
def fetch(profile: Named, as_json: AsJson = False) -> int:
    """Fetch the BagIt Profile from its address. Keeps a copy beside yours."""
    from archiver.cli import profile_views
    from archiver.findings import stops_deposit
    from archiver.pipeline.profile_copy import fetch_bag_profile
    from archiver.pipeline.profiles import find_profile

    fetched = fetch_bag_profile(find_profile(Path(), profile))
    profile_views.show_fetched(fetched, as_json=as_json)
    return 1 if stops_deposit(fetched.findings) else 0
