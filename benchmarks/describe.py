"""Time the making of all documents of a session of many takes.

    python -m benchmarks.describe [--takes 500]

The record is the hand-made one of the tests, with an access copy and three events for
each take. Prints wall and processor seconds for one, two and four times the number of
takes: the figures should grow in step. Nothing is written to disk.
"""

from __future__ import annotations

import argparse
import time

from archiver.describe.documents import documents_of
from archiver.describe.selfcheck import check_documents
from tests.describe.archives import a_long_session, archive_of


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--takes", type=int, default=500)
    takes = parser.parse_args().takes
    for number in (takes, 2 * takes, 4 * takes):
        archive = archive_of(a_long_session(number))
        wall, cpu = time.perf_counter(), time.process_time()
        documents = documents_of(archive)
        made_wall, made_cpu = time.perf_counter() - wall, time.process_time() - cpu
        cpu = time.process_time()
        findings = check_documents(documents, archive)
        size = sum(len(document.content) for document in documents)
        print(
            f"{number} takes: {made_wall:.2f} s ({made_cpu:.2f} s of processor time), "
            f"{size / 1e6:.1f} MB; own check {time.process_time() - cpu:.2f} s, "
            f"{len(findings)} findings"
        )


if __name__ == "__main__":
    main()
