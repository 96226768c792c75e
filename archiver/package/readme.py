"""The read-me of a bag: what it is and how to check it with what every system brings.

A pure function of facts; the text is a tag file at the top of the bag.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from archiver.package.names import shown
from archiver.telling import sentence

__all__ = ["README_NAME", "MasterFacts", "ReadmeFacts", "fixity_commands", "readme_text"]

README_NAME = "READ-ME.txt"
_WIDTH = 79
_GNU = {"sha256": "sha256sum", "sha512": "sha512sum", "md5": "md5sum"}
_MAC = {"sha256": "shasum -a 256 -c", "sha512": "shasum -a 512 -c"}
_MASTERS_SHOWN = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class MasterFacts:
    """Where the samples of a master lie.

    Parameters
    ----------
    file : str
        Path in the bag.
    data_offset_bytes, data_bytes : int
        Place of the sample bytes, and how many there are.
    md5 : str
        MD5 of the sample bytes.
    sound_record : str
        Path in the bag of the JSON record with these facts.
    """

    file: str
    data_offset_bytes: int
    data_bytes: int
    md5: str
    sound_record: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadmeFacts:
    """What the read-me tells.

    Parameters
    ----------
    name : str
        Name of the bag.
    title : str
        Title of the session.
    organisation : str
        Who made the bag.
    date : str
        When it was made, YYYY-MM-DD.
    software : str
        Name and version of the program that made it.
    algorithms : sequence of str
        Digest algorithms of the manifests.
    contents : sequence of tuple of str
        Path of a directory or file, and what it holds.
    masters : sequence of MasterFacts
        In the order of paths.
    cautions : sequence of tuple of str
        What calls for care when the objects themselves are handled, and how.
    deferring : str
        What stands behind the cautions.
    """

    name: str
    title: str
    organisation: str
    date: str
    software: str
    algorithms: Sequence[str]
    contents: Sequence[tuple[str, str]]
    masters: Sequence[MasterFacts] = ()
    cautions: Sequence[tuple[str, str]] = ()
    deferring: str = ""


def readme_text(facts: ReadmeFacts) -> str:
    """Write the read-me, with LF line ends and at most 79 columns except in commands."""
    parts = [
        _heading(facts),
        _paragraph(
            f"{_plain(facts.title)}. This folder is a BagIt bag (RFC 8493), made by "
            f"{_plain(facts.organisation)} on {facts.date} with {facts.software}. It holds "
            "recordings of historic sound-recording machines, with everything that was told "
            "about them. Nothing in it needs the program that made it."
        ),
        _title("What is where"),
        _contents(facts.contents),
        _title("Checking that nothing has changed"),
        _paragraph(
            "Each line of a manifest is a checksum and a path. Open a terminal in this folder "
            "and have all of them computed again; every line must end in OK."
        ),
        *(_checks(algorithm) for algorithm in facts.algorithms),
        _paragraph(
            "These commands do not notice a file that was added. Any BagIt validator does, and "
            "Payload-Oxum in bag-info.txt states bytes and number of the files below data."
        ),
    ]
    if facts.masters:
        parts += _sound(facts.masters)
    if facts.cautions:
        parts.append(_title("Before the objects themselves are handled"))
        parts += [
            _paragraph(sentence(f"{_plain(what)}: {_plain(how)}")) for what, how in facts.cautions
        ]
        parts.append(_paragraph(facts.deferring))
    return "\n\n".join(parts) + "\n"


def _plain(text: str) -> str:
    return shown(" ".join(text.split())).rstrip(".")


def _heading(facts: ReadmeFacts) -> str:
    return f"{facts.name}\n{'=' * len(facts.name)}"


def _title(text: str) -> str:
    return f"{text}\n{'-' * len(text)}"


def _paragraph(text: str) -> str:
    return textwrap.fill(text, _WIDTH, break_long_words=False, break_on_hyphens=False)


def _commands(*lines: str) -> str:
    return "\n".join(f"    {line}" for line in lines)


def _contents(contents: Sequence[tuple[str, str]]) -> str:
    width = max((len(path) for path, _ in contents), default=0) + 2
    return "\n".join(
        textwrap.fill(
            _plain(what),
            _WIDTH,
            initial_indent=f"    {path.ljust(width)}",
            subsequent_indent=" " * (width + 4),
            break_on_hyphens=False,
        )
        for path, what in contents
    )


def fixity_commands(algorithm: str) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Return what to type in the folder of a bag to check its manifests of one algorithm.

    Parameters
    ----------
    algorithm : str
        As manifests are named (RFC 8493, 2.4).

    Returns
    -------
    tuple of (str, tuple of str)
        A system, and its lines; systems that bring no program for it are left out.
    """
    manifests = (f"manifest-{algorithm}.txt", f"tagmanifest-{algorithm}.txt")
    found = [("Linux", tuple(f"{_GNU[algorithm]} -c {name}" for name in manifests))]
    if algorithm in _MAC:
        found.append(("macOS", tuple(f"{_MAC[algorithm]} {name}" for name in manifests)))
    windows = (
        f"foreach ($line in Get-Content -Encoding UTF8 {', '.join(manifests)}) {{",
        "  $sum, $path = $line -split '\\s+', 2",
        f"  $now = (Get-FileHash -Algorithm {algorithm.upper()} -LiteralPath $path).Hash",
        '  if ($now -eq $sum) { "${path}: OK" } else { "${path}: FAILED" }',
        "}",
    )
    found.append(("Windows (PowerShell)", windows))
    return tuple(found)


def _checks(algorithm: str) -> str:
    return "\n\n".join(
        f"{system}:\n\n{_commands(*lines)}" for system, lines in fixity_commands(algorithm)
    )


def _sound(masters: Sequence[MasterFacts]) -> list[str]:
    parts = [
        _title("Checking the sound alone"),
        _paragraph(
            "If the checksum of a master is wrong, its sound may still be whole, for instance "
            "when a program has only rewritten the text in its header. The record of each "
            "master names the place of its samples in the file (data_offset_bytes, counted "
            "from 0), their number of bytes (data_bytes) and the MD5 checksum of exactly these "
            "bytes (md5)."
        ),
    ]
    for master in masters[:_MASTERS_SHOWN]:
        parts += [
            _paragraph(f"For {master.file} ({master.sound_record}) this must print"),
            _commands(master.md5),
            "Linux:",
            _commands(f"{_cut(master)} | md5sum"),
            "macOS:",
            _commands(f"{_cut(master)} | md5"),
            "Windows (PowerShell):",
            _commands(
                f'$file = [IO.File]::OpenRead("$PWD\\{master.file.replace("/", chr(92))}")',
                f"$null = $file.Seek({master.data_offset_bytes}, 'Begin')",
                "$md5 = [Security.Cryptography.MD5]::Create()",
                f"$left = [long]{master.data_bytes}; $block = New-Object byte[] 1048576",
                "while ($left -gt 0) {",
                "  $n = $file.Read($block, 0, [Math]::Min($left, $block.Length))",
                "  if ($n -eq 0) { break }",
                "  $null = $md5.TransformBlock($block, 0, $n, $null, 0); $left -= $n",
                "}",
                "$null = $md5.TransformFinalBlock($block, 0, 0); $file.Close()",
                "-join ($md5.Hash | ForEach-Object { $_.ToString('x2') })",
            ),
        ]
    if len(masters) > _MASTERS_SHOWN:
        parts.append(_paragraph("The other masters in the same way, with the facts of theirs."))
    parts.append(
        _paragraph(
            "The record also holds a SHA-256 checksum of each second of sound (block_sha256, "
            "frames_per_block), with which damage can be located."
        )
    )
    return parts


def _cut(master: MasterFacts) -> str:
    return f"tail -c +{master.data_offset_bytes + 1} {master.file} | head -c {master.data_bytes}"
