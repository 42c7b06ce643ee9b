"""`drawmark read`: one answer a photograph, in order, whatever the photographs are."""

from __future__ import annotations

import json
import os
from typing import TYPE_CHECKING

import pytest
from drawn_syringe import make_reading, make_refusal
from typer.testing import CliRunner

from drawmark.cli.app import app
from drawmark.cli.options import AIR_DOUBTFUL
from drawmark.cli.overlay import _figures
from drawmark.cli.read import air_text

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from click.testing import Result

    Say = Callable[..., None]


def read(*arguments: object) -> Result:
    return CliRunner().invoke(app, ["read", *map(str, arguments)])


def records(result: Result) -> list[dict[str, object]]:
    return [json.loads(line) for line in result.stdout.splitlines()]


def test_all_read(photo: Path, reader_says: Say) -> None:
    reader_says(make_reading(4.983, 0.021))
    result = read("--json", photo)
    assert result.exit_code == 0
    (record,) = records(result)
    assert record["photo"] == str(photo)
    assert record["volume_ml"] == pytest.approx(4.983)


@pytest.mark.parametrize(
    ("air_ml", "expanded_ml", "said"),
    [(0.0, 0.12, "none found"), (0.0, 2.6, "0.0 ± 2.6 mL"), (0.3, 0.12, "0.30 ± 0.12 mL")],
)
def test_air_that_may_be_there_is_not_called_none(
    photo: Path, reader_says: Say, air_ml: float, expanded_ml: float, said: str
) -> None:
    reading = make_reading(5.0, air_ml=air_ml, air_standard_uncertainty_ml=expanded_ml / 2)
    reader_says(reading)
    assert f"  {said}  " in read(photo).stdout
    assert air_text(reading).startswith(said)
    assert reading.air_in_doubt is (expanded_ml > 2)
    assert (AIR_DOUBTFUL in air_text(reading)) is reading.air_in_doubt
    assert (AIR_DOUBTFUL in _figures(reading, None)) is reading.air_in_doubt


def test_a_refused_one_among_others(photo: Path, reader_says: Say) -> None:
    reader_says(make_reading(1.0), make_refusal("glare"), make_reading(3.0))
    result = read("--json", photo, photo, photo)
    assert result.exit_code == 4
    assert [record["status"] for record in records(result)] == ["read", "refused", "read"]
    assert [record.get("volume_ml") for record in records(result)] == [1.0, None, 3.0]


def test_a_missing_one_among_others(photo: Path, tmp_path: Path, reader_says: Say) -> None:
    reader_says(make_reading())
    missing = tmp_path / "gone.jpg"
    result = read("--json", missing, photo)
    assert result.exit_code == 2
    first, second = records(result)
    assert first["photo"] == str(missing)
    assert first["status"] == "refused"
    assert first["reasons"][0]["code"] == "not-an-image"
    assert second["status"] == "read"
    assert len(result.stderr.splitlines()) == 1
    assert "does not exist" in result.stderr


def test_a_missing_one_outranks_a_refused_one(
    photo: Path, tmp_path: Path, reader_says: Say
) -> None:
    reader_says(make_refusal())
    assert read("--json", photo, tmp_path / "gone.jpg").exit_code == 2


def test_an_error_inside_the_reader_is_an_answer(photo: Path, reader_says: Say) -> None:
    reader_says(ZeroDivisionError("division by\nzero"), make_reading())
    result = read("--json", photo, photo)
    assert result.exit_code == 4
    first, second = records(result)
    assert first["reasons"][0]["code"] == "internal-error"
    assert "ZeroDivisionError" in first["reasons"][0]["message"]
    assert "\n" not in first["reasons"][0]["message"]
    assert second["status"] == "read"
    assert "Traceback" not in result.output


def test_debug_raises_it(photo: Path, reader_says: Say) -> None:
    reader_says(ZeroDivisionError("here"))
    assert isinstance(read("--debug", photo).exception, ZeroDivisionError)


def test_each_line_is_out_before_the_next_photograph_is_read(
    photo: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import typer

    seen: list[str] = []
    echoed: list[str] = []
    monkeypatch.setattr(typer, "echo", lambda text="", **_: echoed.append(text))

    def read_photo(path: object, **_: object) -> object:
        seen.append(f"read after {len(echoed)} lines")
        return make_reading()

    monkeypatch.setattr("drawmark.vision.read_photo", read_photo)
    read("--json", photo, photo, photo)
    assert seen == ["read after 0 lines", "read after 1 lines", "read after 2 lines"]


def test_what_is_known_of_the_syringe_reaches_the_reader(
    photo: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    given: list[object] = []

    def read_photo(path: object, **options: object) -> object:
        given.append((path, options))
        return make_reading()

    monkeypatch.setattr("drawmark.vision.read_photo", read_photo)
    assert read(photo, "--capacity", "10mL", "--interval", "200 microlitres").exit_code == 0
    assert given == [(photo, {"capacity_ml": 10.0, "interval_ml": 0.2})]


@pytest.mark.parametrize(
    "options",
    [
        ("--capacity", "10"),
        ("--capacity", "ten mL"),
        ("--interval", "0 mL"),
        ("--interval", "1 mg"),
        ("--capacity", "1mL", "--interval", "2mL"),
    ],
)
def test_a_syringe_that_cannot_be(photo: Path, options: tuple[str, ...]) -> None:
    result = read(photo, *options)
    assert result.exit_code == 2
    assert result.stdout == ""
    assert "Traceback" not in result.stderr


def test_a_folder_without_photographs(tmp_path: Path) -> None:
    result = read(tmp_path)
    assert result.exit_code == 2
    assert "holds no photographs" in result.stderr


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may read all")
def test_a_locked_photograph(photo: Path) -> None:
    photo.chmod(0)
    result = read(photo)
    assert result.exit_code == 2
    assert "permission" in result.stderr


def test_for_a_person(photo: Path, reader_says: Say) -> None:
    reader_says(make_reading(4.983, 0.021, 0.1, 0.01), make_refusal("glare"))
    result = read(photo, photo)
    assert "4.983 ± 0.042 mL" in result.stdout
    assert "0.100 ± 0.020 mL" in result.stdout
    assert "10 mL by 0.5 mL" in result.stdout
    assert "refused: A reflection hides the scale or the stopper: move the lamp" in result.stdout
    assert "never for a real patient" in result.stdout


def test_pictures_go_where_told_and_lie_beside_each_other(
    photo: Path, tmp_path: Path, reader_says: Say
) -> None:
    reader_says(make_reading())
    folder = tmp_path / "new" / "pictures"
    assert read(photo, photo, "--picture-dir", folder).exit_code == 0
    assert sorted(path.name for path in folder.iterdir()) == [
        "drawn.read-2.jpg",
        "drawn.read.jpg",
    ]


def test_a_picture_folder_that_is_a_file(photo: Path) -> None:
    result = read(photo, "--picture-dir", photo)
    assert result.exit_code == 2
    assert "--picture-dir" in result.stderr


def test_real_files_that_are_no_photographs(tmp_path: Path) -> None:
    text = tmp_path / "notes.jpg"
    text.write_text("These are notes.\n")
    empty = tmp_path / "empty.jpg"
    empty.touch()
    cut = tmp_path / "cut.jpg"
    cut.write_bytes(b"\xff\xd8\xff\xe0\x00\x10JFIF\x00\x01")
    result = read("--json", text, empty, cut)
    assert result.exit_code == 4
    assert [record["reasons"][0]["code"] for record in records(result)] == ["not-an-image"] * 3


@pytest.mark.parametrize("name", ["a.check.jpg", "a.check-2.jpg", "a.read.jpg", "a.b.read-10.jpg"])
def test_an_annotated_picture_is_not_read_again(photo: Path, reader_says: Say, name: str) -> None:
    reader_says(make_reading())
    picture = photo.rename(photo.with_name(name))
    result = read("--json", picture)
    assert result.exit_code == 4
    assert "annotated picture" in records(result)[0]["reasons"][0]["message"]


@pytest.mark.parametrize("name", ["check.jpg", "a-check.jpg", "read.jpg", "a.checked.jpg"])
def test_a_photograph_of_a_similar_name_is_read(photo: Path, reader_says: Say, name: str) -> None:
    reader_says(make_reading())
    assert read(photo.rename(photo.with_name(name))).exit_code == 0
