"""Which files a folder, a pattern or a name stands for."""

from __future__ import annotations

from pathlib import Path

import pytest
import typer

from drawmark.cli.items import find_photos, natural_key


def touch(folder: Path, *names: str) -> None:
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).touch()


def names(folder: Path, *given: str, recursive: bool = False) -> list[str]:
    found = find_photos([folder / name for name in given], recursive=recursive)
    return [str(photo.relative_to(folder)) for photo in found]


def test_a_folder_holds_photographs_by_their_ending_whatever_its_case(tmp_path: Path) -> None:
    touch(tmp_path, "a.JPG", "b.jpeg", "c.Png", "d.tif", "e.TIFF", "f.webp", "g.HEIC", "h.heif")
    touch(tmp_path, "notes.txt", "a.json", "jpg", "x.jpg.part", ".hidden.jpg")
    touch(tmp_path, "a.check.jpg", "b.read-2.jpg")  # annotated pictures
    (tmp_path / "folder.jpg").mkdir()
    assert names(tmp_path, ".") == [
        "a.JPG", "b.jpeg", "c.Png", "d.tif", "e.TIFF", "f.webp", "g.HEIC", "h.heif",
    ]  # fmt: skip


def test_numbers_in_names_sort_as_numbers(tmp_path: Path) -> None:
    touch(tmp_path, "s10.jpg", "s9.jpg", "S1.jpg", "s9b.jpg", "s²1.jpg", "10.jpg", "2.jpg")
    assert names(tmp_path, ".") == [
        "2.jpg", "10.jpg", "S1.jpg", "s9.jpg", "s9b.jpg", "s10.jpg", "s²1.jpg",
    ]  # fmt: skip


def test_names_alike_but_for_case_have_an_order() -> None:
    mixed = [Path("a1/b.jpg"), Path("A1/b.jpg"), Path("a01/b.jpg"), Path("a")]
    other_way = list(reversed(mixed))
    assert sorted(mixed, key=natural_key) == sorted(other_way, key=natural_key)


def test_folders_in_a_folder_only_when_asked(tmp_path: Path) -> None:
    touch(tmp_path, "b.jpg", "day2/c.jpg", "day10/a.jpg", ".trash/x.jpg")
    assert names(tmp_path, ".") == ["b.jpg"]
    assert names(tmp_path, ".", recursive=True) == ["b.jpg", "day2/c.jpg", "day10/a.jpg"]


def test_links_that_lead_back_are_followed_once(tmp_path: Path) -> None:
    touch(tmp_path, "in/a.jpg", "elsewhere/b.jpg")
    (tmp_path / "in" / "loop").symlink_to(tmp_path / "in")
    (tmp_path / "in" / "out").symlink_to(tmp_path / "elsewhere")
    (tmp_path / "elsewhere" / "back").symlink_to(tmp_path / "in")
    assert names(tmp_path, "in", recursive=True) == ["in/a.jpg", "in/out/b.jpg"]


def test_a_link_to_nothing_is_answered_not_passed_over(tmp_path: Path) -> None:
    (tmp_path / "gone.jpg").symlink_to(tmp_path / "nothing")
    assert names(tmp_path, ".") == ["gone.jpg"]


def test_a_pattern_that_came_unexpanded(tmp_path: Path) -> None:
    touch(tmp_path, "day1/b10.jpg", "day1/b9.jpg", "day2/a.jpg", "day2/.x.jpg", "day2/a.txt")
    assert names(tmp_path, "day*/*.jpg") == ["day1/b9.jpg", "day1/b10.jpg", "day2/a.jpg"]
    assert names(tmp_path, "**/a.*") == ["day2/a.jpg", "day2/a.txt"]


def test_a_file_whose_name_looks_like_a_pattern(tmp_path: Path) -> None:
    touch(tmp_path, "a[1].jpg", "a1.jpg")
    assert names(tmp_path, "a[1].jpg") == ["a[1].jpg"]


def test_names_keep_their_order_and_missing_ones_stay(tmp_path: Path) -> None:
    touch(tmp_path, "b.jpg", "a.jpg", "f/d.jpg")
    assert names(tmp_path, "b.jpg", "gone.jpg", "f", "a.jpg", "b.jpg") == [
        "b.jpg", "gone.jpg", "f/d.jpg", "a.jpg", "b.jpg",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ("empty", "--recursive"),
        ("*.png", "matches no file"),
    ],
)
def test_nothing_found_is_a_usage_error(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], given: str, says: str
) -> None:
    touch(tmp_path, "empty/deeper/a.jpg")
    with pytest.raises(typer.Exit) as stop:
        names(tmp_path, given)
    assert stop.value.exit_code == 2
    assert says in capsys.readouterr().err


def test_among_several_what_stands_for_nothing_stays_and_is_answered(tmp_path: Path) -> None:
    touch(tmp_path, "a.jpg", "empty/deeper/b.jpg")
    assert names(tmp_path, "empty", "*.png", "a.jpg") == ["empty", "*.png", "a.jpg"]
