"""`drawmark demo`: the list of tasks, the page, and what it never replaces."""

from __future__ import annotations

import csv
import html.parser
import json
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from drawn_syringe import make_reading, make_refusal
from typer.testing import CliRunner

from drawmark.cli import demo as demo_module
from drawmark.cli.app import app
from drawmark.cli.demo import load_tasks

if TYPE_CHECKING:
    from collections.abc import Callable

    from click.testing import Result

    Say = Callable[..., None]

NASTY = '<script>alert("x")</script> & "quotes" \'too\''


@pytest.fixture
def samples(photo: Path, tmp_path: Path) -> Path:
    """A folder of three photographs with a list and one truth file."""
    folder = tmp_path / "samples"
    folder.mkdir()
    for name in ("one.jpg", "two.jpg", "three.jpg"):
        shutil.copy(photo, folder / name)
    truth = {"true_volume_ml": 5.1, "air_volume_ml": 0.1}
    (folder / "one.json").write_text(json.dumps(truth))
    write_list(
        folder,
        ["one.jpg", "5mL", "5%", "Agent Heron"],
        ["two.jpg", "2mL", "1 interval", NASTY],
        ["three.jpg", "3mL", "iso", "Agent Larch"],
    )
    return folder


def write_list(folder: Path, *rows: list[str]) -> None:
    with (folder / "demo.csv").open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([["photo", "target", "tolerance", "task"], *rows])


def demo(*arguments: object) -> Result:
    # one process, where the reader's answer is what the test says
    return CliRunner().invoke(app, ["demo", "--jobs", "1", *map(str, arguments)])


def test_table_page_and_pictures(samples: Path, tmp_path: Path, reader_says: Say) -> None:
    reader_says(make_reading(5.08, 0.02, 0.1, 0.0), make_reading(4.0), make_refusal("glare"))
    out = tmp_path / "out"
    result = demo("--photos", samples, "--out", out)
    assert result.exit_code == 0
    assert "4.980 ± 0.040 mL" in result.stdout
    assert "refused: glare" in result.stdout
    assert [word in result.stdout for word in ("within", "outside")] == [True, True]
    assert str((out / "index.html").resolve()) in result.stdout
    assert len(list((out / "pictures").iterdir())) == 3
    page = (out / "index.html").read_text(encoding="utf-8")
    assert "never for a real patient" in page
    assert "JCGM 106" in page
    assert "5.000 mL" in page  # the truth: 5.1 mL at the line less 0.1 mL of air


def test_text_from_the_list_cannot_become_markup(
    samples: Path, tmp_path: Path, reader_says: Say
) -> None:
    reader_says(make_reading())
    demo("--photos", samples, "--out", tmp_path / "out")
    page = (tmp_path / "out" / "index.html").read_text(encoding="utf-8")
    assert "<script" not in page
    assert "&lt;script&gt;" in page


def test_the_page_needs_nothing_from_elsewhere_and_every_link_is_there(
    samples: Path, tmp_path: Path, reader_says: Say
) -> None:
    reader_says(make_reading())
    out = tmp_path / "out"
    demo("--photos", samples, "--out", out)
    links: list[str] = []
    anchors: set[str] = set()
    open_tags: list[str] = []
    void = {"meta", "img", "link", "br"}

    class Reader(html.parser.HTMLParser):
        def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
            given = dict(attrs)
            links.extend(v for k, v in attrs if k in ("src", "href") and v)
            if given.get("id"):
                anchors.add("#" + str(given["id"]))
            if tag == "img":
                assert given.get("alt")
            if tag not in void:
                open_tags.append(tag)

        def handle_endtag(self, tag: str) -> None:
            assert open_tags.pop() == tag

    Reader().feed((out / "index.html").read_text(encoding="utf-8"))
    assert open_tags == []
    assert links
    for link in links:
        assert link in anchors or (out / link).is_file(), link


def test_again_into_the_same_folder(samples: Path, tmp_path: Path, reader_says: Say) -> None:
    reader_says(make_reading())
    out = tmp_path / "out"
    for _ in range(2):
        assert demo("--photos", samples, "--out", out).exit_code == 0
    assert len(list((out / "pictures").iterdir())) == 3


def test_a_folder_of_other_things_is_left_alone(
    samples: Path, tmp_path: Path, reader_says: Say
) -> None:
    reader_says(make_reading())
    out = tmp_path / "mine"
    out.mkdir()
    (out / "index.html").write_text("my page")
    result = demo("--photos", samples, "--out", out)
    assert result.exit_code == 2
    assert "holds other files" in result.stderr
    assert (out / "index.html").read_text() == "my page"


def test_not_one_photograph_read(samples: Path, tmp_path: Path, reader_says: Say) -> None:
    reader_says(make_refusal("glare"))
    assert demo("--photos", samples, "--out", tmp_path / "out").exit_code == 4


def test_no_samples_at_hand(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(demo_module, "__file__", str(tmp_path / "site-packages" / "demo.py"))
    result = demo()
    assert result.exit_code == 2
    assert len(result.stderr.splitlines()) == 1
    assert "--photos" in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_samples_are_found_from_a_folder_below(
    samples: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    samples.rename(tmp_path / "sample_images")
    below = tmp_path / "a" / "b"
    below.mkdir(parents=True)
    monkeypatch.chdir(below)
    found = demo_module.find_samples()
    assert found is not None
    assert found.samefile(tmp_path / "sample_images")


@pytest.mark.parametrize(
    ("row", "says"),
    [
        (["gone.jpg", "5mL", "5%", "x"], "line 2: photograph 'gone.jpg' is missing"),
        (["one.jpg", "5", "5%", "x"], "line 2: '5' has no unit"),
        (["one.jpg", "5mL", "5", "x"], "line 2: '5' has no unit"),
        (["one.jpg"], "line 2"),
    ],
)
def test_a_wrong_line_in_the_list(samples: Path, tmp_path: Path, row: list[str], says: str) -> None:
    write_list(samples, row)
    result = demo("--photos", samples, "--out", tmp_path / "out")
    assert result.exit_code == 2
    assert says in result.stderr
    assert not (tmp_path / "out").exists()


def test_a_list_without_its_columns(samples: Path) -> None:
    (samples / "demo.csv").write_text("photo,target\none.jpg,5mL\n")
    assert "tolerance" in demo("--photos", samples).stderr


def test_the_list_of_the_sample_photographs() -> None:
    folder = Path(__file__).resolve().parent.parent / "sample_images"
    tasks = load_tasks(folder)
    assert len(tasks) >= 16
    assert len({task.photo for task in tasks}) == len(tasks)
    assert all(task.text for task in tasks)
