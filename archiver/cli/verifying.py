"""The command ``verify``, and the short way to it.

Most calls name bags and nothing else, from a script or for one small bag, and then reading
the command line takes longer than everything else. So such a call needs no parser; whatever
holds another word goes to the parser, which calls the same function.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from archiver.cli.naming import named

if TYPE_CHECKING:
    from archiver.custody.verify import Depth
    from archiver.pipeline.kinds import Found

__all__ = ["depth_of", "verify_and_show", "without_parser"]

_FLAGS = {"--quick", "--sound", "--json"}


def depth_of(quick: bool, sound: bool) -> Depth:
    """Take the depth from two options of which one at most may be set."""
    from archiver.custody.verify import Depth
    from archiver.errors import MisuseError

    if quick and sound:
        raise MisuseError(
            "--quick and --sound exclude each other",
            accepted="one of them, or none to read every byte",
        )
    return Depth.QUICK if quick else Depth.SOUND if sound else Depth.FULL


def verify_and_show(
    bags: Sequence[Path],
    *,
    quick: bool = False,
    sound: bool = False,
    signers: Path | None = None,
    as_json: bool = False,
) -> int:
    """Verify bags, show the verdicts and return the exit status."""
    from archiver.cli import views
    from archiver.cli.progress import shown
    from archiver.pipeline.verify import verify_bags

    depth = depth_of(quick, sound)
    skipped: tuple[Found, ...] = ()
    require = None
    if not all(map(_declared, bags)):
        from archiver.cli.kinds import Takes, bags_among, expect, tell_skipped

        def require(bag: Path) -> None:
            expect(bag, Takes.BAG, "verify")

        bags, skipped = bags_among(bags, "verify")
        tell_skipped(skipped)
    with shown() as progress:
        verdicts = verify_bags(
            bags, depth=depth, signers=signers, require=require, progress=progress
        )
    views.show_verify(verdicts, skipped, as_json=as_json)
    return max(verdict.exit_status for verdict in verdicts)


def _declared(bag: Path) -> bool:
    """Say whether nothing has to be looked at to take this for a bag."""
    from archiver import files
    from archiver.errors import ArchiverError

    try:
        return not bag.name.endswith(".set-aside") and files.exists(bag / "bagit.txt")
    except ArchiverError:
        return False


def without_parser(arguments: Sequence[str]) -> int | None:
    """Carry out ``verify BAG...`` with its plain flags; None for any other command line."""
    if len(arguments) < 2 or arguments[0] != "verify":
        return None
    bags = [named(Path(word)) for word in arguments[1:] if word and not word.startswith("-")]
    flags = {word for word in arguments[1:] if word in _FLAGS}
    if not bags or len(bags) + len(flags) < len(arguments) - 1:
        return None
    return verify_and_show(
        bags, quick="--quick" in flags, sound="--sound" in flags, as_json="--json" in flags
    )
