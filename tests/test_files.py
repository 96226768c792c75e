"""The seam to the file system, and what every room relies on in it."""

from __future__ import annotations

import ast
import errno
import hashlib
import os
import threading
from pathlib import Path

import pytest

from archiver import files
from archiver.errors import ArchiverError, IntegrityError, MisuseError, SurroundingsError
from tests.faults import FaultySeam, ProcessDeathError

PACKAGE = Path(files.__file__).parent


def operations(seam: FaultySeam) -> list[tuple[str, str]]:
    return [(call.operation, call.path.name) for call in seam.calls]


# write_whole


def test_whole_file_is_written_flushed_renamed_and_its_directory_flushed(tmp_path: Path) -> None:
    seam = FaultySeam()
    with files.use(seam):
        files.write_whole(tmp_path / "a.json", b"{}")
    temporary = seam.calls[0].path.name
    assert temporary.startswith(".a.json.")
    assert temporary.endswith(".unfinished")
    assert operations(seam) == [
        ("create", temporary),
        ("write", temporary),
        ("fsync", temporary),
        ("replace", "a.json"),
        ("fsync_directory", tmp_path.name),
    ]
    assert (tmp_path / "a.json").read_bytes() == b"{}"


def test_existing_file_is_replaced_whole(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"old")
    files.write_whole(tmp_path / "a", b"new")
    assert (tmp_path / "a").read_bytes() == b"new"
    assert [p.name for p in tmp_path.iterdir()] == ["a"]


@pytest.mark.parametrize("n", [1, 2, 3, 4])
@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EIO, errno.EACCES, errno.EROFS])
def test_failed_writing_leaves_the_old_content_and_no_temporary(
    tmp_path: Path, n: int, number: int
) -> None:
    (tmp_path / "a").write_bytes(b"old")
    seam = FaultySeam(fail_at=n, errno=number)
    with files.use(seam), pytest.raises(SurroundingsError):
        files.write_whole(tmp_path / "a", b"new")
    assert seam.injected == 1
    assert (tmp_path / "a").read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["a"]


@pytest.mark.parametrize("n", [1, 2, 3, 4, 5])
def test_death_while_writing_leaves_old_or_new_and_never_part(tmp_path: Path, n: int) -> None:
    (tmp_path / "a").write_bytes(b"old")
    seam = FaultySeam(fail_at=n)
    with files.use(seam), pytest.raises(ProcessDeathError):
        files.write_whole(tmp_path / "a", b"new")
    assert seam.dead
    assert (tmp_path / "a").read_bytes() == (b"old" if n < 5 else b"new")


# discard


def test_discard_removes_a_tree_and_never_follows_a_link(tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "precious").write_bytes(b"x")
    tree = tmp_path / "tree"
    (tree / "deep" / "deeper").mkdir(parents=True)
    (tree / "deep" / "file").write_bytes(b"x")
    (tree / "directory-link").symlink_to(outside)
    (tree / "deep" / "file-link").symlink_to(outside / "precious")
    (tree / "broken").symlink_to(tmp_path / "nowhere")
    files.discard(tree)
    assert not tree.exists()
    assert (outside / "precious").read_bytes() == b"x"


def test_discard_of_a_link_to_a_directory_removes_the_link(tmp_path: Path) -> None:
    (tmp_path / "d").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "d")
    files.discard(tmp_path / "link")
    assert [p.name for p in tmp_path.iterdir()] == ["d"]


def test_discard_of_nothing_is_fine(tmp_path: Path) -> None:
    files.discard(tmp_path / "none")


def test_discard_that_fails_is_told(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"x")
    with (
        files.use(FaultySeam(errno=errno.EACCES, refused={("unlink", "a")})),
        pytest.raises(SurroundingsError, match="could not be removed"),
    ):
        files.discard(tmp_path / "a")


# errors


@pytest.mark.parametrize(
    ("number", "kind", "told"),
    [
        (errno.ENOSPC, SurroundingsError, "the disk is full"),
        (errno.EDQUOT, SurroundingsError, "the disk is full"),
        (errno.EACCES, SurroundingsError, "permissions"),
        (errno.EPERM, SurroundingsError, "permissions"),
        (errno.EROFS, SurroundingsError, "read-only"),
        (errno.ENOENT, SurroundingsError, "does not exist"),
        (errno.EIO, SurroundingsError, "Check the disk"),
        (errno.EEXIST, MisuseError, "the name is taken"),
        (errno.ENOTDIR, MisuseError, "a part of the path is a file"),
        (errno.ENAMETOOLONG, MisuseError, "too long"),
    ],
)
def test_error_of_the_system_says_where_what_and_what_to_do(
    tmp_path: Path, number: int, kind: type[ArchiverError], told: str
) -> None:
    with (
        files.use(FaultySeam(errno=number, refused={("create", "a")})),
        pytest.raises(kind, match=told) as caught,
    ):
        files.create(tmp_path / "a")
    assert caught.value.where == str(tmp_path / "a")
    assert caught.value.remedy
    assert isinstance(caught.value.__cause__, OSError)


@pytest.mark.parametrize("name", ["a\0b", "a\ud800b"])
def test_name_that_no_system_can_have_is_told_and_not_taken(tmp_path: Path, name: str) -> None:
    """Such names come from sheets and profiles, where they can be written as escapes."""
    place = tmp_path / name
    assert not files.exists(place)
    for operation in (files.status, files.entries, files.open_read, files.create, files.resolved):
        with pytest.raises(MisuseError, match="no name can hold") as caught:
            operation(place)
        assert str(caught.value).isprintable()
        str(caught.value).encode()


def test_every_operation_translates_the_errors_of_the_system(tmp_path: Path) -> None:
    place = tmp_path / "a"
    place.write_bytes(b"x")

    def locked() -> None:
        with files.lock(tmp_path / "l", busy=MisuseError("busy")):
            pytest.fail("it was locked")

    attempts = [
        lambda: files.open_read(place),
        lambda: files.read_bytes(place, limit=10),
        lambda: files.create(tmp_path / "b"),
        lambda: files.flush_directory(tmp_path),
        lambda: files.make_directory(tmp_path / "d"),
        lambda: files.rename_new(place, tmp_path / "c"),
        lambda: files.replace(place, tmp_path / "c"),
        lambda: files.status(place),
        lambda: files.exists(place),
        lambda: files.resolved(place),
        lambda: files.free_bytes(tmp_path),
        lambda: files.may_write(tmp_path),
        lambda: files.entries(tmp_path),
        lambda: files.discard(place),
        lambda: files.drop_cache(place),
        lambda: files.digests_of(place, ["md5"]),
        lambda: list(files.walk_files(tmp_path)),
        locked,
    ]
    for attempt in attempts:
        seam = FaultySeam(fail_at=1, errno=errno.EIO)
        with files.use(seam), pytest.raises(SurroundingsError):
            attempt()
        assert seam.injected == 1


# directories


def test_directory_is_made_with_its_parents_and_an_existing_one_kept(tmp_path: Path) -> None:
    files.make_directory(tmp_path / "a" / "b" / "c")
    (tmp_path / "a" / "file").write_bytes(b"x")
    files.make_directory(tmp_path / "a" / "b" / "c")
    assert (tmp_path / "a" / "file").exists()


class Racing(files.OperatingSystem):
    """Another process makes the directory, or a file, just before we do."""

    def __init__(self, rival: str) -> None:
        self.rival = rival

    def mkdir(self, path: Path) -> None:
        if self.rival == "directory":
            super().mkdir(path)
        else:
            path.write_bytes(b"x")
        super().mkdir(path)


def test_directory_made_by_another_at_the_same_moment_is_taken(tmp_path: Path) -> None:
    with files.use(Racing("directory")):
        files.make_directory(tmp_path / "a")
    assert (tmp_path / "a").is_dir()


def test_file_made_by_another_at_the_same_moment_is_refused(tmp_path: Path) -> None:
    with files.use(Racing("file")), pytest.raises(MisuseError, match="the name is taken"):
        files.make_directory(tmp_path / "a")


def test_many_threads_can_make_the_same_directories(tmp_path: Path) -> None:
    failures: list[BaseException] = []
    barrier = threading.Barrier(8)

    def make() -> None:
        barrier.wait()
        try:
            files.make_directory(tmp_path / "a" / "b" / "c" / "d")
        except ArchiverError as error:
            failures.append(error)

    threads = [threading.Thread(target=make) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    assert (tmp_path / "a/b/c/d").is_dir()


# names


@pytest.mark.parametrize("kind", ["file", "directory", "full directory", "broken link"])
def test_rename_never_replaces_anything(tmp_path: Path, kind: str) -> None:
    source, target = tmp_path / "source", tmp_path / "target"
    source.mkdir()
    if kind == "file":
        target.write_bytes(b"mine")
    elif kind == "broken link":
        target.symlink_to(tmp_path / "nowhere")
    else:
        target.mkdir()
        if kind == "full directory":
            (target / "x").write_bytes(b"mine")
    with pytest.raises(MisuseError, match="the name is taken"):
        files.rename_new(source, target)
    assert source.is_dir()
    assert os.path.lexists(target)


def test_temporary_name_is_hidden_beside_its_target_and_never_the_same(tmp_path: Path) -> None:
    names = {files.temporary_sibling(tmp_path / "bag") for _ in range(50)}
    assert len(names) == 50
    assert all(path.parent == tmp_path and path.name.startswith(".bag.") for path in names)


@pytest.mark.parametrize("name", ["n" * 255, "\u00e9" * 127, "n" * 234, "n" * 235])
def test_temporary_name_of_a_long_name_can_be_made(tmp_path: Path, name: str) -> None:
    """The limit of common file systems is 255 bytes a name; é has two in UTF-8."""
    temporary = files.temporary_sibling(tmp_path / name)
    files.create(temporary).close()
    files.write_whole(tmp_path / name, b"1")
    assert [entry.name for entry in files.entries(tmp_path)] == sorted([temporary.name, name])


def test_existence_includes_broken_links_and_excludes_paths_through_files(tmp_path: Path) -> None:
    (tmp_path / "f").write_bytes(b"x")
    (tmp_path / "l").symlink_to(tmp_path / "nowhere")
    assert files.exists(tmp_path / "f")
    assert files.exists(tmp_path / "l")
    assert not files.exists(tmp_path / "n")
    assert not files.exists(tmp_path / "f" / "x")


def test_walk_yields_files_in_order_and_links_without_following(tmp_path: Path) -> None:
    (tmp_path / "b").mkdir()
    (tmp_path / "b" / "2").write_bytes(b"x")
    (tmp_path / "b" / "1").write_bytes(b"x")
    (tmp_path / "a").write_bytes(b"x")
    (tmp_path / "c").symlink_to(tmp_path / "b")
    found = list(files.walk_files(tmp_path))
    assert [path for path, _ in found] == ["a", "b/1", "b/2", "c"]
    assert [entry.is_link for _, entry in found] == [False, False, False, True]


def test_walk_and_discard_reach_a_great_depth(tmp_path: Path) -> None:
    place = tmp_path / "tree"
    for _ in range(400):
        place /= "d"
    files.make_directory(place)
    (place / "f").write_bytes(b"x")
    assert [path for path, _ in files.walk_files(tmp_path / "tree")] == ["d/" * 400 + "f"]
    files.discard(tmp_path / "tree")
    assert list(tmp_path.iterdir()) == []


# reading


def test_link_is_not_opened_when_it_must_not_be_followed(tmp_path: Path) -> None:
    (tmp_path / "f").write_bytes(b"x")
    (tmp_path / "l").symlink_to(tmp_path / "f")
    with files.open_read(tmp_path / "l") as file:
        assert file.read() == b"x"
    if hasattr(os, "O_NOFOLLOW"):
        with pytest.raises(SurroundingsError):
            files.open_read(tmp_path / "l", follow=False)
        with pytest.raises(SurroundingsError):
            files.read_bytes(tmp_path / "l", limit=9, follow=False)


def test_small_file_is_read_up_to_its_limit(tmp_path: Path) -> None:
    content = os.urandom(3_000_000)
    (tmp_path / "f").write_bytes(content)
    assert files.read_bytes(tmp_path / "f", limit=3_000_000) == content
    with pytest.raises(SurroundingsError, match="larger than 2999999 bytes"):
        files.read_bytes(tmp_path / "f", limit=2_999_999)


@pytest.mark.parametrize("size", [0, 1, files.BLOCK_BYTES, files.BLOCK_BYTES * 2 + 1])
@pytest.mark.parametrize("longest", [None, 100_000])
def test_digests_are_those_of_hashlib(tmp_path: Path, size: int, longest: int | None) -> None:
    content = os.urandom(size)
    (tmp_path / "f").write_bytes(content)
    seen: list[bytes] = []
    counted: list[int] = []
    with files.use(FaultySeam(longest_read=longest)):
        length, digests = files.digests_of(
            tmp_path / "f",
            ["sha256", "md5"],
            also=[lambda block: seen.append(bytes(block))],
            on_bytes=counted.append,
        )
    assert length == size == sum(counted)
    assert digests["sha256"] == hashlib.sha256(content).hexdigest()
    assert digests["md5"] == hashlib.md5(content, usedforsecurity=False).hexdigest()
    assert b"".join(seen) == content


def test_unreadable_byte_is_named(tmp_path: Path) -> None:
    (tmp_path / "f").write_bytes(bytes(1000))
    seam = FaultySeam(unreadable_from={"f": 700})
    with files.use(seam), pytest.raises(IntegrityError, match="past byte 700"):
        files.digests_of(tmp_path / "f", ["sha256"])
    assert seam.injected == 1
    assert seam.open_files == 0


def test_cache_can_be_dropped(tmp_path: Path) -> None:
    (tmp_path / "f").write_bytes(b"x")
    files.drop_cache(tmp_path / "f")
    assert (tmp_path / "f").read_bytes() == b"x"


# flushing


def test_flush_reaches_the_medium_after_what_python_still_holds(tmp_path: Path) -> None:
    with files.create(tmp_path / "f") as file:
        file.write(b"x")
        files.flush_file(file, tmp_path / "f")
        assert (tmp_path / "f").read_bytes() == b"x"


def test_failed_flush_is_told(tmp_path: Path) -> None:
    seam = FaultySeam(errno=errno.EIO, refused={("fsync", "f")})
    with (
        files.use(seam),
        files.create(tmp_path / "f") as file,
        pytest.raises(SurroundingsError, match="could not be flushed"),
    ):
        files.flush_file(file, tmp_path / "f")


@pytest.mark.parametrize(
    ("number", "raised"), [(errno.EINVAL, False), (errno.ENOTSUP, False), (errno.EIO, True)]
)
def test_file_system_that_cannot_flush_directories_is_no_fault_but_an_error_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, raised: bool
) -> None:
    def fsync(descriptor: int) -> None:
        del descriptor
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "fsync", fsync)
    if raised:
        with pytest.raises(SurroundingsError, match="could not be flushed"):
            files.flush_directory(tmp_path)
    else:
        files.flush_directory(tmp_path)


# locking


BUSY = MisuseError("another run holds it")


def test_lock_is_held_by_one_and_its_file_goes_with_it(tmp_path: Path) -> None:
    place = tmp_path / ".bag.lock"
    with files.lock(place, busy=BUSY):
        assert place.exists()
        with pytest.raises(MisuseError, match="another run"), files.lock(place, busy=BUSY):
            pytest.fail("two hold one lock")
    assert list(tmp_path.iterdir()) == []
    with files.lock(place, busy=BUSY):
        assert place.exists()


def test_lock_is_let_go_after_an_exception(tmp_path: Path) -> None:
    place = tmp_path / ".bag.lock"
    with pytest.raises(KeyboardInterrupt), files.lock(place, busy=BUSY):
        raise KeyboardInterrupt
    with files.lock(place, busy=BUSY):
        assert place.exists()


def test_lock_file_of_a_dead_process_is_no_obstacle(tmp_path: Path) -> None:
    place = tmp_path / ".bag.lock"
    place.touch()
    with files.lock(place, busy=BUSY):
        assert place.exists()


# the seam


def test_seam_is_put_back_after_an_exception() -> None:
    seam = FaultySeam()
    with pytest.raises(ValueError, match="x"), files.use(seam):
        raise ValueError("x")
    files.exists(PACKAGE)
    assert seam.calls == []


DISK_CALLS = {
    "copy2", "copyfile", "copytree", "fsync", "iterdir", "link_to", "listdir", "lstat",
    "makedirs", "mkdir", "mkdtemp", "mkstemp", "move", "read_bytes", "read_text",
    "rename", "rglob", "rmdir", "rmtree", "scandir", "symlink_to", "touch", "unlink", "write_bytes",
    "write_text", "NamedTemporaryFile", "TemporaryDirectory",
}  # fmt: skip
AMBIGUOUS_CALLS = {"copy", "remove"}
"""Arrays and lists have these too: only the modules' own functions are meant."""
NOT_THE_DISK = {
    # These read what ships inside the package, which may lie in an archive file.
    "session/template.py",
    "session/example_institution.py",
    "pages/papers/rendering.py",
    "pages/markup.py",
    # A seam itself, which hands on what is not remote.
    "custody/remote.py",
    # Asks a server, not this machine.
    "custody/transport/sftp.py",
}
ROOMS = ("session", "signal", "wave", "describe", "package", "custody", "pages")


def disk_calls(source: str) -> list[tuple[int, str]]:
    """Calls in a module that would reach a disk other than through ``files``."""
    found: list[tuple[int, str]] = []
    for node in ast.walk(ast.parse(source)):
        if not isinstance(node, ast.Call):
            continue
        if isinstance(node.func, ast.Name) and node.func.id == "open":
            found.append((node.lineno, "open"))
        if isinstance(node.func, ast.Attribute):
            owner = node.func.value.id if isinstance(node.func.value, ast.Name) else ""
            name = node.func.attr
            mode = node.args[0] if node.args else ast.Constant("r")
            if (
                (name in DISK_CALLS and owner != "files")
                or (name in AMBIGUOUS_CALLS and owner in {"os", "shutil"})
                or (name == "open" and owner != "files" and isinstance(mode, ast.Constant))
            ):
                found.append((node.lineno, name))
    return found


def test_call_past_the_seam_is_recognised() -> None:
    assert disk_calls("open('x')") == [(1, "open")]
    assert disk_calls("p.open()\np.unlink()") == [(1, "open"), (2, "unlink")]
    assert disk_calls("os.remove(p)") == [(1, "remove")]
    assert disk_calls("files.read_bytes(p, limit=1)\nnames.remove(p)") == []


@pytest.mark.parametrize("room", ROOMS)
def test_rooms_reach_the_disk_through_the_seam_only(room: str) -> None:
    found = [
        f"{path.relative_to(PACKAGE)}:{line} {name}"
        for path in sorted((PACKAGE / room).rglob("*.py"))
        if path.relative_to(PACKAGE).as_posix() not in NOT_THE_DISK
        for line, name in disk_calls(path.read_text(encoding="utf-8"))
    ]
    assert found == []


def rooms_imported(source: str) -> set[str]:
    """Packages of the program that a module imports, anywhere in it."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            names.add(node.module or "")
    return {name.split(".")[1] for name in names if name.startswith("archiver.")}


def test_import_of_a_room_is_recognised() -> None:
    assert rooms_imported("def f():\n    from archiver.pages.papers import x") == {"pages"}


@pytest.mark.parametrize("room", ROOMS)
def test_room_imports_only_from_rooms_to_its_left(room: str) -> None:
    out_of_reach = {*ROOMS[ROOMS.index(room) + 1 :], "pipeline", "cli"}
    found = [
        f"{path.relative_to(PACKAGE)}: {sorted(reached)}"
        for path in sorted((PACKAGE / room).rglob("*.py"))
        if (reached := rooms_imported(path.read_text(encoding="utf-8")) & out_of_reach)
    ]
    assert found == []
