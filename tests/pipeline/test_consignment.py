"""What of a bag is sent: all of it, or nothing, whatever the disk does meanwhile."""

from __future__ import annotations

import errno
from pathlib import Path

import pytest

from archiver import files
from archiver.errors import ArchiverError, IntegrityError, MisuseError
from archiver.package.form import Form
from archiver.pipeline.consignment import Consignment, consignment
from tests.faults import FaultySeam
from tests.pipeline.handing import PAYLOAD, small_bag


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    return small_bag(tmp_path / "lhm-1")


def facts(goods: Consignment) -> tuple[object, ...]:
    return goods.identity, goods.files, goods.left_out


@pytest.mark.parametrize("form", [Form.FOLDER, Form.TAR])
@pytest.mark.parametrize("number", [errno.EIO, errno.EACCES])
def test_a_fault_anywhere_stops_the_plan_and_never_shortens_it(
    bag: Path, form: Form, number: int
) -> None:
    counting = FaultySeam()
    with files.use(counting):
        expected = facts(consignment(bag, form))
    stopped = 0
    for fail_at in range(1, len(counting.calls) + 1):
        failing = FaultySeam(fail_at=fail_at, errno=number)
        with files.use(failing):
            try:
                found = facts(consignment(bag, form))
            except ArchiverError:
                stopped += 1
                continue
        assert found == expected, counting.calls[fail_at - 1]
    assert stopped > len(counting.calls) / 2


@pytest.mark.parametrize("form", [Form.FOLDER, Form.TAR])
def test_a_bag_that_is_not_complete_is_not_planned(bag: Path, form: Form) -> None:
    (bag / "data" / "masters" / "t01.wav").unlink()
    with pytest.raises(IntegrityError, match=r"t01\.wav"):
        consignment(bag, form)


def test_what_is_no_bag_is_not_planned(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    with pytest.raises(IntegrityError, match="a payload manifest is not there"):
        consignment(tmp_path / "empty", Form.FOLDER)
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(MisuseError):
        consignment(tmp_path / "file", Form.FOLDER)


def test_the_size_of_a_plan_is_that_of_what_is_sent(bag: Path) -> None:
    tar, folder, packed = (
        consignment(bag, form).planned[0] for form in (Form.TAR, Form.FOLDER, Form.TAR_ZST)
    )
    held = sum(path.stat().st_size for path in bag.rglob("*") if path.is_file())
    assert folder.size == held
    assert tar.size is not None
    assert tar.size > held
    assert packed.size is None
    assert sum(map(len, PAYLOAD.values())) < held
