"""The way in and the only way out: every error becomes a sentence and an exit status.

Exit status: 0 done; 1 findings that stop the deposit; 2 the command cannot be
carried out as called; 3 something stored has changed; 4 the machine stands in the
way (disk full, no permission); 5 a defect of this program; 130 and 143 interrupted.
"""

from __future__ import annotations

import atexit
import contextlib
import gc
import os
import sys
from typing import NoReturn

from archiver.cli.interrupts import StoppedRun, watch_for_interrupts
from archiver.errors import ArchiverError

__all__ = ["main"]

# Work is spread over threads of our own; a linear-algebra library that spreads its small
# matrices once more only makes them wait for each other. Read when numpy is loaded.
for _setting in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_setting, "1")


def main() -> NoReturn:
    """Run the command line and leave with its exit status."""
    for stream in (sys.stdout, sys.stderr):
        # A console of another code page must not end a run over one letter.
        with contextlib.suppress(AttributeError):
            stream.reconfigure(errors="backslashreplace")  # type: ignore[union-attr]
    # What is read are records without cycles: looking at them again and again for some takes
    # a fifth of the time of a bag of many files.
    gc.set_threshold(250_000, 50, 50)
    # Nor need anyone look through what goes with the process.
    atexit.register(gc.freeze)
    watch_for_interrupts()
    sys.exit(_run())


def _run() -> int:
    from archiver.cli.verifying import without_parser

    try:
        outcome = without_parser(sys.argv[1:])
        if outcome is None:
            from archiver.cli.app import app

            outcome = app(standalone_mode=False)
    except ArchiverError as error:
        _say_error(error)
        return error.exit_status
    except StoppedRun as stopped:
        sys.stderr.write("Interrupted. Nothing unfinished was left under a final name.\n")
        return stopped.exit_status
    except BrokenPipeError:
        # The reader of our output has gone: there is nobody left to tell.
        with contextlib.suppress(OSError):
            sys.stdout.close()
        return 0
    except Exception as error:  # noqa: BLE001 - the last net: a defect is told as one
        return _outer(error)
    return outcome if isinstance(outcome, int) else 0


def _outer(error: Exception) -> int:
    """Handle what the argument parser raises, and what nobody expected."""
    show = getattr(error, "show", None)
    status = getattr(error, "exit_code", None)
    if callable(show) and isinstance(status, int):
        show()
        return status
    if type(error).__name__ == "Abort":
        sys.stderr.write("Interrupted. Nothing unfinished was left under a final name.\n")
        return 130
    if type(error).__name__ == "Exit" and isinstance(status, int):
        return status
    import traceback

    traceback.print_exc()
    sys.stderr.write(
        "This is a defect of the program, not of your material. Nothing unfinished was left "
        "under a final name. Please report it with the lines above.\n"
    )
    return 5


def _say_error(error: ArchiverError) -> None:
    if "--json" in sys.argv:
        import json

        facts: dict[str, object] = {
            "schema": "error 1",
            "error": type(error).__name__,
            "where": error.where,
            "found": error.found,
            "accepted": error.accepted,
            "remedy": error.remedy,
            "exit_status": error.exit_status,
        }
        # Where a rule refused, its code tells a program what a sentence tells a person.
        if (finding := getattr(error, "finding", None)) is not None:
            facts["code"] = finding.code
        sys.stdout.write(json.dumps(facts, ensure_ascii=False, indent=2) + "\n")
    sys.stderr.write(f"{_fitted(str(error))}\n")


def _fitted(text: str) -> str:
    """Break lines between words where a terminal would break them within, but none to be pasted."""
    from archiver.cli.printing import fitted

    columns = sys.maxsize
    if sys.stderr.isatty():
        columns = 80
        with contextlib.suppress(OSError):
            columns = os.get_terminal_size(sys.stderr.fileno()).columns or columns
    return "\n".join(fitted(text, columns))
