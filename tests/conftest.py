"""What all rooms' tests share: the fast hypothesis profile and the official schema files."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

# As the command line does, and before numpy is loaded.
for _setting in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_setting, "1")

import pytest  # noqa: E402 - see above
from hypothesis import HealthCheck, settings  # noqa: E402

if TYPE_CHECKING:
    from archiver.pipeline.archive import Archived

settings.register_profile(
    "fast", max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile(
    "long", max_examples=5_000, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "fast"))

REPOSITORY = Path(__file__).resolve().parent.parent


@pytest.fixture(autouse=True)
def _width_of_no_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    """What runs tests side by side states a width of its own, which commands would follow."""
    monkeypatch.delenv("COLUMNS", raising=False)


@pytest.fixture(scope="session")
def official_schemas() -> Path:
    """Where the official schema files lie: beside the repository, never inside it."""
    place = REPOSITORY.parent / "shared" / "schemas-official"
    if not place.is_dir():
        # The continuous-integration run sets this where the files are known to be there.
        assert not os.environ.get("ARCHIVER_OFFICIAL_FILES_REQUIRED"), f"{place} is missing"
        pytest.skip(f"the official schema files are not at {place}")
    return place


@pytest.fixture(scope="session")
def sample_session() -> Path:
    """The committed sample session; tests must not write into it."""
    return REPOSITORY / "sample_session"


@pytest.fixture(scope="session")
def sample_archived(sample_session: Path, tmp_path_factory: pytest.TempPathFactory) -> Archived:
    """The sample session, archived once; tests must not write into its bag."""
    from archiver.pipeline.archive import archive_session

    return archive_session(sample_session, tmp_path_factory.mktemp("sample"))


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--rewrite-golden",
        action="store_true",
        help="write the golden files anew, then look at git",
    )


class Golden:
    """Compares a document with its golden file, byte for byte."""

    def __init__(self, folder: Path, rewrite: bool) -> None:
        self.folder = folder
        self.rewrite = rewrite

    def check(self, name: str, produced: bytes) -> None:
        """Fail unless the file of this name holds exactly these bytes."""
        kept = self.folder / name
        if self.rewrite:
            kept.parent.mkdir(exist_ok=True)
            kept.write_bytes(produced)
        assert produced == kept.read_bytes(), f"{kept} differs; see --rewrite-golden"


@pytest.fixture
def golden(request: pytest.FixtureRequest) -> Golden:
    """Golden files of the test's own room."""
    return Golden(request.path.parent / "golden", request.config.getoption("--rewrite-golden"))
