"""A new version sent without what the receiver holds, and made whole there.

Sources: RFC 8493 section 2.2.3 (fetch.txt), RFC 6920 (names by digest). The bag that results
is judged byte by byte against the one at home, and by the ``bagit`` library.
"""

from __future__ import annotations

import base64
import errno
import hashlib
import shutil
import tarfile
from pathlib import Path

import bagit
import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver import files
from archiver.errors import ArchiverError, InputError, IntegrityError
from archiver.package.form import Form
from archiver.package.serialising import Addition, serialise
from archiver.package.unpacking import unpack
from archiver.package.validate import validate
from archiver.pipeline.versions_sent import (
    Completed,
    LeftOut,
    complete,
    left_out,
    payload_digests,
)
from tests.faults import FaultySeam, ProcessDeathError
from tests.package.small_bags import contents, make_bag, sources, write_bag

KEPT = {"masters/t01.wav": b"RIFF" * 50, "photographs/horn.png": b"\x89PNG", "empty": b""}
OLD = KEPT | {"documents/sheet.yaml": b"title: A\n"}
NEW = KEPT | {"documents/sheet.yaml": b"title: B\n", "documents/more.txt": b"more"}


@pytest.fixture
def old(tmp_path: Path) -> Path:
    return write_bag(tmp_path / "home/trial-1", OLD)


@pytest.fixture
def new(tmp_path: Path) -> Path:
    return write_bag(tmp_path / "home/trial-1-v2", NEW)


def arrived(new: Path, said: LeftOut, at: Path) -> Path:
    """What the receiver unpacks: the new version without what was left out."""
    place = at / new.name
    shutil.copytree(new, place)
    for path in said.paths:
        (place / path).unlink()
    if said.fetch:
        (place / "fetch.txt").write_bytes(said.fetch)
    return place


def test_only_what_the_receiver_holds_is_left_out(old: Path, new: Path) -> None:
    said = left_out(new, payload_digests(old), authority="egeskov.example")
    assert said.paths == ("data/masters/t01.wav", "data/photographs/horn.png")
    assert said.size_bytes == 204
    digest = hashlib.sha256(KEPT["photographs/horn.png"]).digest()
    line = said.fetch.decode().splitlines()[1]
    url, size, path = line.split(" ")
    assert url.startswith("ni://egeskov.example/sha-256;")
    assert (size, path) == ("4", "data/photographs/horn.png")
    # RFC 4648 section 5, undone by hand.
    value = url.partition(";")[2].replace("-", "+").replace("_", "/") + "="
    assert digest.hex() == base64.b64decode(value).hex()


def test_a_receiver_that_holds_nothing_gets_everything(new: Path) -> None:
    assert left_out(new, frozenset()) == LeftOut()
    assert left_out(new, {("md5", "0" * 32), ("sha256", "0" * 64)}) == LeftOut()


def test_a_bag_that_is_held_already_still_sends_its_smallest_file(old: Path) -> None:
    """A bag without any payload would be no bag on its way."""
    payload = {"a": b"aa", "b": b"b"}
    bag = write_bag(old.parent / "other", payload)
    assert left_out(bag, payload_digests(bag)).paths == ("data/a",)


def test_a_digest_without_a_registered_name_is_of_no_use(tmp_path: Path) -> None:
    """MD5 is not in the registry of RFC 6920 section 9.4."""
    bag = write_bag(tmp_path / "bag", NEW, algorithm="md5")
    assert left_out(bag, payload_digests(bag)) == LeftOut()


@pytest.mark.parametrize("held", ["sha256", "sha512"])
def test_a_file_is_named_by_a_digest_that_the_receiver_knows(tmp_path: Path, held: str) -> None:
    photograph = sources(tmp_path / "s")
    bag = make_bag(tmp_path / "a", photograph, algorithms=("sha256", "sha512"))
    earlier = make_bag(tmp_path / "b", photograph, algorithms=(held,))
    said = left_out(bag, payload_digests(earlier))
    assert len(said.paths) == 2
    assert said.fetch.count(f"ni:///sha-{held[3:]};".encode()) == 2
    place = arrived(bag, said, tmp_path / "there")
    complete(place, [earlier])
    assert contents(place) == contents(bag)


def test_a_bag_with_a_fetch_of_its_own_is_sent_whole(new: Path) -> None:
    (new / "fetch.txt").write_text("https://example.org/a 1 data/a\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"fetch\.txt of its own"):
        left_out(new, frozenset())


def test_a_completed_bag_is_the_bag_at_home_byte_for_byte(
    old: Path, new: Path, tmp_path: Path
) -> None:
    said = left_out(new, payload_digests(old))
    place = arrived(new, said, tmp_path / "there")
    assert not validate(place).valid
    done = complete(place, [old])
    assert done == Completed(
        files=(
            ("data/masters/t01.wav", "trial-1"),
            ("data/photographs/horn.png", "trial-1"),
        ),
        size_bytes=204,
    )
    assert contents(place) == contents(new)
    assert validate(place).valid
    bagit.Bag(str(place)).validate()


def test_a_package_is_completed_before_it_is_compared(old: Path, new: Path, tmp_path: Path) -> None:
    """Serialised, read by the standard library, unpacked and completed."""
    said = left_out(new, payload_digests(old))
    package = tmp_path / "trial-1-v2.tar"
    serialised = serialise(
        new, Form.TAR, omit=said.paths, additions=[Addition(path="fetch.txt", content=said.fetch)]
    )
    package.write_bytes(b"".join(serialised.blocks()))
    with tarfile.open(package) as tar:
        names = [member.name for member in tar if member.isfile()]
    assert "trial-1-v2/fetch.txt" in names
    assert not [name for name in names if name.endswith(said.paths)]
    unpack(package, tmp_path / "there", complete=lambda bag: void(complete(bag, [old])))
    assert contents(tmp_path / "there/trial-1-v2") == contents(new)


def void(_: Completed) -> None:
    return None


def test_nothing_in_the_earlier_bag_changes(old: Path, new: Path, tmp_path: Path) -> None:
    before = contents(old)
    place = arrived(new, left_out(new, payload_digests(old)), tmp_path / "there")
    complete(place, [old])
    assert contents(old) == before


def test_content_is_found_in_any_bag_that_is_held_under_any_name(new: Path, tmp_path: Path) -> None:
    a = write_bag(tmp_path / "held/a", {"x/y.bin": KEPT["masters/t01.wav"]})
    b = write_bag(tmp_path / "held/b", {"z.bin": KEPT["photographs/horn.png"]})
    place = arrived(new, left_out(new, payload_digests(a) | payload_digests(b)), tmp_path / "t")
    assert [owner for _, owner in complete(place, [a, b]).files] == ["a", "b"]
    assert contents(place) == contents(new)


def test_a_bag_without_fetch_is_left_as_it_is(new: Path) -> None:
    before = contents(new)
    assert complete(new, []) == Completed()
    assert contents(new) == before


def test_lines_of_other_urls_are_pending_and_keep_their_file(
    old: Path, new: Path, tmp_path: Path
) -> None:
    said = left_out(new, payload_digests(old))
    place = arrived(new, said, tmp_path / "there")
    with (place / "fetch.txt").open("ab") as file:
        file.write(b"https://example.org/x 9 data/documents/sheet.yaml\n")
    done = complete(place, [old])
    assert [line.url for line in done.pending] == ["https://example.org/x"]
    assert (place / "fetch.txt").exists()


# --- what must not happen -------------------------------------------------------------


def test_an_earlier_bag_that_is_not_there_is_told(old: Path, new: Path, tmp_path: Path) -> None:
    place = arrived(new, left_out(new, payload_digests(old)), tmp_path / "there")
    with pytest.raises(IntegrityError, match=r"no earlier bag .*looked into: none were given"):
        complete(place, [])
    assert (place / "fetch.txt").exists()


def test_content_that_has_changed_is_not_taken(old: Path, new: Path, tmp_path: Path) -> None:
    place = arrived(new, left_out(new, payload_digests(old)), tmp_path / "there")
    (old / "data/masters/t01.wav").write_bytes(b"RIFX" + KEPT["masters/t01.wav"][4:])
    with pytest.raises(IntegrityError, match="not what the new version refers to"):
        complete(place, [old])
    assert sorted(path.name for path in (place / "data").rglob("*.wav")) == []
    assert [path.name for path in place.rglob("*.unfinished")] == []


def test_a_fetch_that_contradicts_the_manifest_is_refused(
    old: Path, new: Path, tmp_path: Path
) -> None:
    said = left_out(new, payload_digests(old))
    first, second = said.fetch.decode().splitlines()
    swapped = f"{second.split(' ')[0]} 4 {first.split(' ')[2]}\n"
    place = arrived(new, LeftOut(paths=said.paths, fetch=swapped.encode()), tmp_path / "there")
    with pytest.raises(IntegrityError, match="different digests"):
        complete(place, [old])


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("ni:///sha-256;AAAA 1 data/a", "no ni URI"),
        ("ni:///md5;AAAA 1 data/a", "no ni URI"),
        (
            "ni:///sha-256;f4OxZX_x_FO5LcGBSKHWXfwtSx-j1ncoSt3SABJtkGk 1 data/strange",
            "in no sha256",
        ),
        ("ni:///sha-256;f4OxZX_x_FO5LcGBSKHWXfwtSx-j1ncoSt3SABJtkGk 1 ../x", "refused"),
        ("ni:///sha-256;f4OxZX_x_FO5LcGBSKHWXfwtSx-j1ncoSt3SABJtkGk 1 bagit.txt", "bagit.txt"),
        ("ni:///sha-256;f4OxZX_x_FO5LcGBSKHWXfwtSx-j1ncoSt3SABJtkGk", "the line says"),
    ],
)
def test_lines_that_cannot_be_followed_are_refused_with_their_reason(
    new: Path, line: str, why: str
) -> None:
    (new / "fetch.txt").write_text(f"{line}\n", encoding="utf-8")
    with pytest.raises(InputError, match=why):
        complete(new, [])


def test_nothing_is_written_over_a_link(old: Path, new: Path, tmp_path: Path) -> None:
    place = arrived(new, left_out(new, payload_digests(old)), tmp_path / "there")
    outside = tmp_path / "outside"
    outside.mkdir()
    (place / "data/masters").rmdir()
    (place / "data/masters").symlink_to(outside)
    with pytest.raises(InputError, match="over a link"):
        complete(place, [old])
    assert list(outside.iterdir()) == []


@given(
    payload=st.dictionaries(
        st.sampled_from(["a", "b/c", "d e", "f%g", "h\u00e9"]), st.binary(max_size=4), min_size=1
    ),
    held=st.dictionaries(st.sampled_from("xyz"), st.binary(max_size=4), min_size=1),
)
def test_whatever_is_held_the_completed_bag_is_the_one_at_home(
    tmp_path_factory: pytest.TempPathFactory, payload: dict[str, bytes], held: dict[str, bytes]
) -> None:
    root = tmp_path_factory.mktemp("sent")
    bag, earlier = write_bag(root / "new", payload), write_bag(root / "old", held)
    said = left_out(bag, payload_digests(earlier))
    place = arrived(bag, said, root / "there")
    complete(place, [earlier])
    assert contents(place) == contents(bag)


@given(st.binary(max_size=120) | st.text("ni:/sha-256;A 1data\n%.", max_size=80).map(str.encode))
def test_any_fetch_completes_nothing_or_is_an_error_of_ours(
    tmp_path_factory: pytest.TempPathFactory, fetch: bytes
) -> None:
    root = tmp_path_factory.mktemp("hostile")
    bag = write_bag(root / "bag", {"a": b"a"})
    (bag / "fetch.txt").write_bytes(fetch)
    try:
        done = complete(bag, [])
    except ArchiverError:
        return
    assert done.files == ()


# --- faults ---------------------------------------------------------------------------


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EIO, 0], ids=["ENOSPC", "EIO", "death"])
def test_whenever_completing_stops_every_name_is_whole_and_it_can_be_gone_on_with(
    old: Path, new: Path, tmp_path: Path, number: int
) -> None:
    """At every single call: what has its name is right, and fetch.txt tells what is missing."""
    said = left_out(new, payload_digests(old))
    home = contents(new)
    for n in range(1, 10_000):
        place = arrived(new, said, tmp_path / str(n))
        seam = FaultySeam(fail_at=n, errno=number)
        stopped = False
        try:
            with files.use(seam):
                complete(place, [old])
        except (ArchiverError, ProcessDeathError):
            stopped = True
        if not seam.injected and not seam.dead:
            assert not stopped
            assert contents(place) == home
            return
        held = contents(place)
        named = {path: held[path] for path in held if not path.endswith(".unfinished")}
        assert {path: home.get(path, said.fetch) for path in named} == named
        if number:
            assert len(named) == len(held), "a failed call leaves no unfinished file"
        if "fetch.txt" in held:
            complete(place, [old])
            for path in place.rglob(".*.unfinished"):
                path.unlink()
        assert contents(place) == home
    pytest.fail("completing never ended")
