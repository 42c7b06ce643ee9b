"""File names, EXIF and tables written by somebody who means ill: text stays text everywhere."""

from __future__ import annotations

import csv
import html.parser
import json
import re
import shutil
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING
from xml.etree import ElementTree

import pytest
from checks_made import check_of
from drawn_syringe import make_reading, make_refusal
from PIL import ExifTags, Image
from typer.testing import CliRunner

from drawmark.cli.app import app
from drawmark.cli.record_store import RecordStore

if TYPE_CHECKING:
    from collections.abc import Callable

    from click.testing import Result

    Say = Callable[..., None]

MARK = "ouch"
#: What would be markup, script, a formula or another place to load from, were it not text.
HOSTILE = (
    f"<script>{MARK}(1)</script>",
    f'"><img src=x onerror={MARK}(1)>',
    f"' onmouseover='{MARK}(1)",
    f"</title></style><svg onload={MARK}(1)>",
    f"javascript:{MARK}(1)",
    f'=HYPERLINK("http://{MARK}.test","a")',
    f"+1+cmd|' /C {MARK}'!A0",
    f"-2+3+{MARK}",
    f"@SUM(1+1)*{MARK}",
    f"\t={MARK}",
    f"$\\frac{{{MARK}",  # TeX, which plots can understand
    f"{{{MARK}}} %s {{0.__class__}}",
)
DRAW = ("--dose", "5mg", "--concentration", "1mg/mL", "--label")
TAGS = {
    *("html", "head", "meta", "title", "style", "body", "main", "h1", "h2", "h3", "p", "strong"),
    *("div", "table", "thead", "tbody", "tr", "th", "td", "span", "a", "article", "header", "img"),
    *("dl", "dt", "dd", "footer", "svg", "g", "line", "rect", "circle", "path", "text", "title"),
    *("polyline", "polygon", "desc", "ul", "li", "br", "em", "b", "small", "section", "ol", "use"),
}


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def check_page(text: str) -> None:
    """No tag but ours, no attribute that runs, nothing loaded from elsewhere."""

    class Reader(html.parser.HTMLParser):
        def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
            assert tag in TAGS, tag
            for name, value in attrs:
                assert not name.startswith("on"), name
                if name in ("src", "href", "xlink:href", "data", "action", "srcset"):
                    assert not re.match(r"\s*([a-z]+:|//|/)", value or "", re.IGNORECASE), value

        def handle_decl(self, decl: str) -> None:
            assert decl.lower() == "doctype html"

        def handle_pi(self, data: str) -> None:
            raise AssertionError(data)

    Reader(convert_charrefs=True).feed(text)
    for style in re.findall(r"<style[^>]*>(.*?)</style>", text, re.DOTALL):
        assert not re.search(r"@import|url\(|expression", style)
        assert MARK not in style


def file_name(text: str) -> str:
    """*text* as far as a file's name can hold it."""
    return text.replace("/", "\u2215") + ".jpg"


@pytest.fixture
def hostile_photos(photo: Path, tmp_path: Path) -> list[Path]:
    folder = tmp_path / "photos"
    folder.mkdir()
    return [Path(shutil.copy(photo, folder / file_name(text))) for text in HOSTILE]


def test_the_page_of_the_demo(hostile_photos: list[Path], tmp_path: Path, reader_says: Say) -> None:
    folder = hostile_photos[0].parent
    with (folder / "demo.csv").open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file)
        table.writerow(["photo", "target", "tolerance", "task"])
        for photo, text in zip(hostile_photos, HOSTILE, strict=True):
            table.writerow([photo.name, "5mL", "5%", text])
    reader_says(make_reading(), make_refusal("glare"))
    before = {path: path.read_bytes() for path in folder.iterdir()}
    out = tmp_path / "out"
    result = run("demo", "--jobs", 1, "--photos", folder, "--out", out)
    assert result.exit_code == 0, result.output
    page = (out / "index.html").read_text(encoding="utf-8")
    check_page(page)
    assert page.count(MARK) >= len(HOSTILE)  # it is told, as text
    assert {path: path.read_bytes() for path in folder.iterdir()} == before
    everything = {path for path in tmp_path.rglob("*") if path.is_file()}
    inside = {path for path in everything if path.is_relative_to(out)}
    assert len(inside) == 1 + len(HOSTILE)
    assert everything - inside == {*before, tmp_path / "drawn.jpg"}


def test_pictures_stay_in_their_folder_and_replace_nothing(
    hostile_photos: list[Path], tmp_path: Path, reader_says: Say
) -> None:
    reader_says(make_reading())
    out = tmp_path / "deep" / "pictures"
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    for times in (1, 2):
        result = run("read", "--json", "--picture-dir", out, "--", *hostile_photos)
        assert result.exit_code == 0, result.output
        names = [json.loads(line)["photo"] for line in result.stdout.splitlines()]
        assert names == [str(photo) for photo in hostile_photos]
        written = [path for path in tmp_path.rglob("*") if path.is_file() and path not in before]
        assert len(written) == times * len(hostile_photos)
        assert all(path.parent == out for path in written)
    assert all(path.read_bytes() == data for path, data in before.items())


def test_exif_reaches_no_output(photo: Path, tmp_path: Path, reader_says: Say) -> None:
    exif = Image.Exif()
    for tag in (ExifTags.Base.ImageDescription, ExifTags.Base.Make, ExifTags.Base.Artist):
        exif[tag] = HOSTILE[0]
    exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.UserComment] = HOSTILE[1].encode()
    telling = tmp_path / "telling.jpg"
    Image.open(photo).save(telling, exif=exif)
    assert MARK.encode() in telling.read_bytes()
    reader_says(make_reading())
    for options in ((), ("--json",)):
        result = run("read", *options, "--picture-dir", tmp_path / "out", telling)
        assert result.exit_code == 0
        assert MARK not in result.output
    for picture in (tmp_path / "out").iterdir():
        assert MARK.encode() not in picture.read_bytes()


def fill(lab: Path) -> None:
    from drawmark.cli.record_entry import entry_from_check

    with RecordStore.open(lab, create=True) as store:
        for number, text in enumerate(HOSTILE):
            task = " ".join(text.split())  # a task is one line, and is refused otherwise
            photo = sha256(str(number).encode()).hexdigest()
            entry = entry_from_check(check_of(5 + 0.01 * number), [photo])
            store.add(entry, learner="t1", task=task)


def test_the_page_of_feedback(tmp_path: Path) -> None:
    lab, out = tmp_path / "LAB.db", tmp_path / "page.html"
    fill(lab)
    result = run("feedback", "t1", "--record", lab, "--out", out)
    assert result.exit_code == 0, result.output
    page = out.read_text(encoding="utf-8")
    check_page(page)
    assert page.count(MARK) >= len(HOSTILE)


@pytest.mark.parametrize("learner", HOSTILE)
def test_a_learner_is_a_pseudonym_and_nothing_else(tmp_path: Path, learner: str) -> None:
    fill(tmp_path / "LAB.db")
    result = run("feedback", "--record", tmp_path / "LAB.db", "--", learner)
    assert result.exit_code == 2
    assert len(result.stderr.splitlines()) == 1


def test_no_cell_of_an_exported_table_is_a_formula(tmp_path: Path) -> None:
    lab, out = tmp_path / "LAB.db", tmp_path / "table.csv"
    fill(lab)
    result = run("record", "export", lab, out)
    assert result.exit_code == 0, result.output
    with out.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == len(HOSTILE)
    for row in rows:
        for name, cell in row.items():
            if re.fullmatch(r"-?\d+(\.\d+)?(e-?\d+)?", cell):
                continue  # a number is data
            assert not re.match(r"\s*[=+\-@]", cell), (name, cell)
    assert sum(MARK in row["task"] for row in rows) == len(HOSTILE)


# four, since figures take their time: markup, an attribute, a formula, TeX
@pytest.mark.parametrize("text", [HOSTILE[place] for place in (0, 2, 5, 10)])
def test_a_study_of_hostile_names(tmp_path: Path, text: str) -> None:
    data = tmp_path / "pairs.csv"
    with data.open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file)
        table.writerow(["reference_ml", "volume_ml", "operator"])
        values = [(2.01, 2.03), (4.99, 5.02), (5.0, 4.99), (8.01, 8.05), (2.0, 2.0), (8.02, 8.03)]
        for place, (reference, measured) in enumerate(values):
            table.writerow([reference, measured, text if place % 2 else f"{text} 2"])
    result = run("study", "agreement", data, "--by", "operator")
    assert result.exit_code == 0, result.output
    written = [path for path in tmp_path.iterdir() if path != data]
    assert written
    for path in written:
        if path.suffix == ".svg":
            for element in ElementTree.parse(path).iter():
                tag = element.tag if isinstance(element.tag, str) else ""
                assert not tag.endswith(("script", "image", "foreignObject"))
                assert not any(name.startswith("on") for name in element.attrib)
        if path.suffix == ".html":
            check_page(path.read_text(encoding="utf-8"))


@pytest.mark.parametrize("text", HOSTILE)
def test_a_label_of_a_hostile_agent(tmp_path: Path, text: str) -> None:
    label = tmp_path / "label.svg"
    result = run("plan", "draw", *DRAW, "--label-file", label, f"--agent={text}")
    assert result.exit_code == 0, result.output
    for element in ElementTree.parse(label).iter():
        assert not str(element.tag).endswith(("script", "image", "foreignObject"))
        assert not any(name.startswith("on") for name in element.attrib)


def test_a_label_never_replaces_a_file(tmp_path: Path) -> None:
    label = tmp_path / "label.svg"
    label.write_text("mine")
    result = run("plan", "draw", *DRAW, "--label-file", label)
    assert result.exit_code == 2
    assert "file exists" in result.stderr
    assert label.read_text() == "mine"


@pytest.mark.parametrize(
    "command",
    [
        ("record", "export", "LAB.db", "taken.csv"),
        ("feedback", "t1", "--record", "LAB.db", "--out", "taken.html"),
        ("read", "--out", "taken.jsonl", "photo.jpg"),
    ],
    ids=lambda c: c[0],
)
def test_a_taken_name_is_left_alone(
    tmp_path: Path, photo: Path, reader_says: Say, command: tuple[str, ...]
) -> None:
    fill(tmp_path / "LAB.db")
    shutil.copy(photo, tmp_path / "photo.jpg")
    reader_says(make_reading())
    for name in ("taken.csv", "taken.html", "taken.jsonl"):
        (tmp_path / name).write_text("mine")
    there = [str(tmp_path / part) if "." in part else part for part in command]
    result = run(*there)
    assert result.exit_code == 2
    assert "exists" in result.stderr or "not" in result.stderr
    for name in ("taken.csv", "taken.html", "taken.jsonl"):
        assert (tmp_path / name).read_text() == "mine"


ORDERS = "a\x1b]0;owned\x07\x9b2J\u202egpj.b\x08\r.jpg"  # title, clear, turned round, overwritten


def test_no_file_name_gives_the_terminal_orders(tmp_path: Path) -> None:
    photo = tmp_path / ORDERS
    photo.write_bytes(b"no picture")
    for arguments in (
        ("read", photo),
        ("check", photo, "--target", "5mL", "--tolerance", "5%"),
        ("read", tmp_path / f"missing {ORDERS}"),
        ("read", photo, "--picture-dir", tmp_path / ORDERS / "beneath a file"),
    ):
        result = run(*arguments)
        text = result.stdout + result.stderr
        assert "owned" in text
        assert not set(text) & set("\x1b\x07\x9b\u202e\x08\r")
    assert r"a\x1b]0;owned\x07\x9b2J\u202egpj.b\x08\r.jpg" in run("read", photo).stdout
