"""`drawmark check`: verdict, exit status, picture, and what is never overwritten."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING

import cv2
import pytest
from drawn_syringe import make_reading, make_refusal
from typer.testing import CliRunner

from drawmark.cli.app import app

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from click.testing import Result

    Say = Callable[..., None]


def check(photo: object, *arguments: object, target: str = "5mL", tolerance: str = "5%") -> Result:
    options = ["--target", target, "--tolerance", tolerance, *map(str, arguments)]
    return CliRunner().invoke(app, ["check", str(photo), *options])


@pytest.mark.parametrize(
    ("volume_ml", "word", "status"),
    [(4.983, "WITHIN", 0), (5.6, "OUTSIDE", 1), (5.25, "UNDECIDED", 3)],
)
def test_verdict_and_exit_status(
    photo: Path, reader_says: Say, volume_ml: float, word: str, status: int
) -> None:
    reader_says(make_reading(volume_ml, 0.021))
    result = check(photo)
    assert result.exit_code == status
    assert result.stdout.startswith(word)
    assert "JCGM 106" in result.stdout
    assert "never for a real patient" in result.stdout


def test_what_a_person_is_told(photo: Path, reader_says: Say) -> None:
    reader_says(make_reading(5.083, 0.021, 0.1, 0.0))
    text = check(photo).stdout
    assert "5 mL ± 0.25 mL (5 % of the target)" in text
    assert "4.983 ± 0.042 mL" in text
    assert "air taken off" in text
    assert "-0.017 mL (-0.3 % of the target)" in text
    assert "probability > 99.9 %" in text


def test_what_the_reader_notes_is_passed_on(photo: Path, reader_says: Say) -> None:
    reading = make_reading(5.0)
    seen = replace(reading.evidence, notes=("look at the syringe",))
    reader_says(replace(reading, evidence=seen))
    lines = check(photo, "--no-picture").stdout.splitlines()
    assert [line.split(None, 1) for line in lines if "look at" in line] == [
        ["note", "look at the syringe"]
    ]


def test_refused(photo: Path, reader_says: Say) -> None:
    reader_says(make_refusal("too-blurred"))
    result = check(photo, "--no-picture")
    assert result.exit_code == 4
    assert len(result.stdout.splitlines()) == 1
    assert "too blurred" in result.stdout


def test_text_renamed_jpg(tmp_path: Path) -> None:
    fake = tmp_path / "notes.jpg"
    fake.write_text("These are notes, not a photograph.\n")
    result = check(fake)
    assert result.exit_code == 4
    assert len(result.output.splitlines()) == 1
    assert "not a photograph that can be opened" in result.output
    assert "Traceback" not in result.output
    assert list(tmp_path.iterdir()) == [fake]
    assert fake.read_text() == "These are notes, not a photograph.\n"


def test_missing_photograph(tmp_path: Path) -> None:
    result = check(tmp_path / "gone.jpg")
    assert result.exit_code == 2
    assert result.stdout == ""
    assert len(result.stderr.splitlines()) == 1
    assert "does not exist" in result.stderr


@pytest.mark.parametrize(
    ("target", "tolerance"),
    [
        ("5", "5%"),
        ("0mL", "5%"),
        ("-5mL", "5%"),
        ("5 mg", "5%"),
        ("five", "5%"),
        ("5mL", "5"),
        ("5mL", "0%"),
        ("5mL", "tight"),
    ],
)
def test_a_target_or_tolerance_that_is_none(photo: Path, target: str, tolerance: str) -> None:
    result = check(photo, target=target, tolerance=tolerance)
    assert result.exit_code == 2
    assert result.stdout == ""
    assert "Traceback" not in result.stderr


def test_the_decision_includes_the_syringe_when_asked(photo: Path, reader_says: Say) -> None:
    reader_says(make_reading(5.1, 0.021))
    assert check(photo, "--no-picture").exit_code == 0
    result = check(photo, "--no-picture", "--include-syringe-tolerance")
    assert result.exit_code == 3  # 0.2 mL permitted error against a tolerance of 0.25 mL
    assert "ISO 7886-1" in result.stdout


def test_json_is_one_object_and_nothing_else(photo: Path, reader_says: Say) -> None:
    reader_says(make_reading(4.983, 0.021))
    result = check(photo, "--json")
    record = json.loads(result.stdout)
    assert record["verdict"] == "within"
    assert record["reading"]["photo"] == str(photo)
    assert record["picture"] == str(photo.with_name("drawn.check.jpg"))


def test_an_error_inside_the_reader_is_refused(photo: Path, reader_says: Say) -> None:
    reader_says(RuntimeError("boom"))
    result = check(photo, "--json")
    assert result.exit_code == 4
    record = json.loads(result.stdout)
    assert record["verdict"] == "refused"
    assert record["reading"]["reasons"][0]["code"] == "internal-error"


def test_the_target_may_be_more_than_the_syringe_holds(photo: Path, reader_says: Say) -> None:
    reader_says(make_reading(10.0))
    result = check(photo, "--no-picture", target="15mL")
    assert result.exit_code == 1
    assert "more than this syringe's scale can show" in result.stdout


# --- the picture ----------------------------------------------------------------------------


def test_the_picture_lies_beside_the_photograph(photo: Path, reader_says: Say) -> None:
    before = photo.read_bytes()
    reader_says(make_reading())
    result = check(photo)
    picture = photo.with_name("drawn.check.jpg")
    assert f"Picture: {picture}" in result.stdout
    image = cv2.imread(str(picture))
    assert image is not None
    assert image.shape[1] == cv2.imread(str(photo)).shape[1]
    assert photo.read_bytes() == before


def test_a_second_picture_gets_a_name_of_its_own(photo: Path, reader_says: Say) -> None:
    reader_says(make_reading())
    photo.with_name("drawn.check.jpg").write_bytes(b"somebody's")
    result = check(photo)
    assert photo.with_name("drawn.check.jpg").read_bytes() == b"somebody's"
    assert photo.with_name("drawn.check-2.jpg").is_file()
    assert "drawn.check-2.jpg" in result.stdout


def test_no_picture(photo: Path, reader_says: Say) -> None:
    reader_says(make_reading())
    check(photo, "--no-picture")
    assert list(photo.parent.iterdir()) == [photo]


def test_a_named_picture(
    photo: Path, tmp_path: Path, reader_says: Say, capfd: pytest.CaptureFixture[str]
) -> None:
    reader_says(make_reading())
    assert check(photo, "--picture", tmp_path / "mine.png").exit_code == 0
    assert (tmp_path / "mine.png").read_bytes().startswith(b"\x89PNG")
    assert not capfd.readouterr().err  # OpenCV's own warnings go there


@pytest.mark.parametrize("name", ["drawn.jpg", "other.jpg", "no/such/folder.jpg", "mine.txt"])
def test_a_named_picture_never_replaces_anything(photo: Path, reader_says: Say, name: str) -> None:
    reader_says(make_reading())
    before = photo.read_bytes()
    photo.with_name("other.jpg").write_bytes(b"somebody's")
    result = check(photo, "--picture", photo.parent / name)
    assert result.exit_code == 2
    assert "--picture" in result.stderr
    assert photo.read_bytes() == before
    assert photo.with_name("other.jpg").read_bytes() == b"somebody's"


def test_contradicting_picture_options(photo: Path, tmp_path: Path) -> None:
    assert check(photo, "--no-picture", "--picture", tmp_path / "a.jpg").exit_code == 2


def test_the_verdict_stands_when_its_picture_cannot_be_written(
    photo: Path, reader_says: Say, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full_disk(*_: object) -> None:
        raise OSError(28, "No space left on device")

    reader_says(make_reading(4.983, 0.021))
    monkeypatch.setattr("drawmark.cli.check.write_check_picture", full_disk)
    result = check(photo, "--json")
    assert result.exit_code == 0
    assert json.loads(result.stdout)["verdict"] == "within"
    assert json.loads(result.stdout)["picture"] is None
    assert "No space left" in result.stderr
