"""Time the session's page: what it adds to a run that writes one.

    python -m benchmarks.page [--runs 7]

The record is the hand-made one of the tests. Each run is a process of its own, which has
loaded what archiving loads before the clock starts, with the thresholds of garbage
collection that the command line sets. Prints the medians of processor milliseconds: the
template engine loaded and the template compiled, the content gathered, the page written.
A loop of a million steps beside it says how fast the machine is at that moment.
"""

from __future__ import annotations

import argparse
import gc
import itertools
import statistics
import subprocess
import sys
import time

import archiver.pipeline.archive
import archiver.pipeline.motion  # noqa: F401 - loaded, as archiving has
from archiver.pages import markup
from archiver.pages.page import content_of
from archiver.session.cautions import cautions_of
from tests.conftest import REPOSITORY
from tests.pages.records import LINKS, page_facts, sample

FIGURES = ("loop", "engine", "content", "written", "whole")


def once() -> list[float]:
    """Write one page; return processor milliseconds in the order of ``FIGURES``."""
    gc.set_threshold(250_000, 50, 50)
    facts = page_facts(sample(REPOSITORY / "sample_session"))
    cautions_of(facts.session)  # for the read-me, which comes first
    marks = [time.process_time()]
    total = 0
    for step in range(1_000_000):
        total += step * step % 7
    marks.append(time.process_time())
    markup.template_and_style()
    marks.append(time.process_time())
    content = content_of(facts, LINKS)
    marks.append(time.process_time())
    markup.html(content)
    marks.append(time.process_time())
    spans = [1000 * (after - before) for before, after in itertools.pairwise(marks)]
    return [*spans, sum(spans[1:])]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--runs", type=int, default=7)
    parser.add_argument("--once", action="store_true", help=argparse.SUPPRESS)
    wanted = parser.parse_args()
    if wanted.once:
        print(*once())
        return
    command = [sys.executable, "-m", "benchmarks.page", "--once"]
    runs = [
        [float(text) for text in subprocess.check_output(command, text=True).split()]
        for _ in range(wanted.runs)
    ]
    for name, values in zip(FIGURES, zip(*runs, strict=True), strict=True):
        print(f"{name:8} {statistics.median(values):6.1f} ms ({min(values):.1f} at best)")


if __name__ == "__main__":
    main()
