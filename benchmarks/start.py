"""Time ``archiver --help`` against the bare interpreter, alternating.

    python -m benchmarks.start [--pairs 15]

The bar is a difference, not a ratio: a person waits for seconds.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path


def wall(command: list[str]) -> float:
    """Run a command and return its wall seconds."""
    start = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - start


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pairs", type=int, default=15)
    pairs = parser.parse_args().pairs
    with tempfile.TemporaryDirectory() as compiled:
        # Installed programs are compiled, whatever this environment says of its own.
        os.environ["PYTHONPYCACHEPREFIX"] = compiled
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
        compare(pairs)


def compare(pairs: int) -> None:
    """Print the median of the differences."""
    program = str(Path(sys.executable).with_name("archiver"))
    wall([program, "--help"])  # compiles the modules
    differences = [
        wall([program, "--help"]) - wall([sys.executable, "-c", "pass"]) for _ in range(pairs)
    ]
    print(
        f"archiver --help is {statistics.median(differences):.3f} s above the bare interpreter "
        f"(median of {pairs}; {min(differences):.3f} to {max(differences):.3f})"
    )


if __name__ == "__main__":
    main()
