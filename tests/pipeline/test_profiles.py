"""Where a profile is looked for, in a made-up environment of each system."""

from __future__ import annotations

from pathlib import Path

import pytest

from archiver.errors import MisuseError
from archiver.pipeline.profiles import find_profile, profiles_directory

TEXT = "schema: institution 1\nname: {}\n"


def write(place: Path, name: str) -> Path:
    place.parent.mkdir(parents=True, exist_ok=True)
    place.write_text(TEXT.format(name), encoding="utf-8")
    return place


def test_the_file_that_is_named_comes_before_the_one_in_the_session(tmp_path: Path) -> None:
    write(tmp_path / "session/institution.yaml", "Beside the sheet")
    named = write(tmp_path / "other.yaml", "Named")
    assert find_profile(tmp_path / "session", str(named)).institution.name == "Named"
    beside = find_profile(tmp_path / "session", None)
    assert (beside.institution.name, beside.file) == ("Beside the sheet", "institution.yaml")


def test_without_any_profile_there_is_nothing_to_obey(tmp_path: Path) -> None:
    found = find_profile(tmp_path, None)
    assert (found.institution.name, found.file, found.findings) == ("", "", ())


@pytest.mark.parametrize(
    ("platform", "environment", "place"),
    [
        # XDG Base Directory Specification 0.8: the default, and relative paths are ignored.
        ("linux", {"HOME": "/home/x"}, "/home/x/.config"),
        ("linux", {"HOME": "/home/x", "XDG_CONFIG_HOME": "rel"}, "/home/x/.config"),
        ("linux", {"HOME": "/home/x", "XDG_CONFIG_HOME": "/etc/x"}, "/etc/x"),
        ("darwin", {"HOME": "/Users/x"}, "/Users/x/Library/Application Support"),
        ("win32", {"APPDATA": "/roaming"}, "/roaming"),
    ],
)
def test_profiles_are_kept_where_each_system_keeps_configuration(
    platform: str, environment: dict[str, str], place: str
) -> None:
    expected = Path(place) / "archiver" / "institutions"
    assert profiles_directory(environment, platform) == expected


def test_a_profile_is_found_by_name_and_a_wrong_name_lists_the_right_ones(tmp_path: Path) -> None:
    environment = {"HOME": str(tmp_path), "XDG_CONFIG_HOME": str(tmp_path), "APPDATA": ""}
    directory = profiles_directory(environment)
    write(directory / "egeskov.yaml", "Egeskov")
    assert find_profile(tmp_path, "egeskov", environment).institution.name == "Egeskov"
    with pytest.raises(MisuseError, match=r"institutions: egeskov\. Did you mean egeskov\?"):
        find_profile(tmp_path, "egeskow", environment)
    with pytest.raises(MisuseError):
        find_profile(tmp_path, "../institutions/egeskov", environment)
