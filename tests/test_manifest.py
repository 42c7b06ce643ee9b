"""A manifest as spreadsheets save it, and what is said of one that cannot be used."""

from __future__ import annotations

from pathlib import Path

import pytest

from drawmark.calc.tolerance import Tolerance
from drawmark.cli.items import Item
from drawmark.cli.manifest import ManifestError, load_manifest


def load(folder: Path, text: str | bytes, *, for_check: bool = True, **known: object) -> list[Item]:
    path = folder / "list.csv"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return load_manifest(path, Item(**known), for_check=for_check)  # type: ignore[arg-type]


FULL = [
    "photo,target,tolerance,learner,task,capacity,interval",
    "a.jpg,5 mL,5%,heron,first draw,10mL,0.2 mL",
    'day 1/b.jpg,500 microlitre,1 interval,larch,"slow, then fast",,',
]


def test_every_column(tmp_path: Path) -> None:
    first, second = load(tmp_path, "\n".join(FULL))
    assert first == Item(
        photo=tmp_path / "a.jpg",
        name="a.jpg",
        capacity_ml=10.0,
        interval_ml=0.2,
        target_ml=5.0,
        tolerance=Tolerance("percent", 5.0),
        learner="heron",
        task="first draw",
    )
    assert second.photo == tmp_path / "day 1" / "b.jpg"
    assert (second.target_ml, second.task) == (0.5, "slow, then fast")
    assert (second.capacity_ml, second.interval_ml) == (None, None)


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_as_spreadsheets_save_it(tmp_path: Path, end: str, delimiter: str, mark: bytes) -> None:
    rows = [["Photo ", " TARGET", "tolerance"], ["a.jpg", "5 mL", "5%"], ["", "", ""]]
    text = end.join(delimiter.join(row) for row in rows) + end
    (item,) = load(tmp_path, mark + text.encode())
    assert (item.name, item.target_ml) == ("a.jpg", 5.0)


def test_an_absolute_name_stays_what_it_is(tmp_path: Path) -> None:
    (item,) = load(tmp_path, f"photo\n{tmp_path / 'x' / 'a.jpg'}\n", for_check=False)
    assert item.photo == tmp_path / "x" / "a.jpg"


def test_what_a_cell_leaves_open_comes_from_the_command_line(tmp_path: Path) -> None:
    known = {"target_ml": 2.0, "tolerance": Tolerance("iso"), "capacity_ml": 5.0}
    first, second = load(tmp_path, "photo,target\na.jpg,\nb.jpg,1mL\n", **known)
    assert (first.target_ml, first.tolerance, first.capacity_ml) == (2.0, Tolerance("iso"), 5.0)
    assert second.target_ml == 1.0


def test_a_target_is_not_looked_at_when_only_reading(tmp_path: Path) -> None:
    (item,) = load(tmp_path, "photo,target\na.jpg,plenty\n", for_check=False)
    assert item.target_ml is None


def test_other_columns_are_left_alone(tmp_path: Path) -> None:
    (item,) = load(tmp_path, "date,photo,remark\n2026-11-25,a.jpg,=1+1\n", for_check=False)
    assert item.name == "a.jpg"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("photo,target,tolerance\na.jpg,5,5%\n", "line 2, column 'target': '5' has no unit"),
        ("photo,target,tolerance\n\na.jpg,5mL,5\n", "line 3, column 'tolerance': '5' has no unit"),
        ("photo;target;tolerance\na.jpg;0,5 mL;5%\n", "line 2, column 'target': '0,5 mL'"),
        ("photo,target,tolerance\n,5mL,5%\n", "line 2, column 'photo'"),
        ("photo,target,tolerance\na.jpg,,5%\n", "line 2, column 'target' is empty"),
        ("photo,target\na.jpg,5mL\n", "line 2, column 'tolerance' is empty"),
        ("photo,target,tolerance,capacity\na.jpg,5mL,5%,1 mg\n", "line 2, column 'capacity'"),
        (
            "photo,target,tolerance,capacity,interval\na.jpg,5mL,5%,1mL,2mL\n",
            "line 2, column 'interval'",
        ),
        ("photo,target,tolerance\na.jpg,5mL,5%,more\n", "line 2 has more cells"),
        ('photo,task\n"a\nb.jpg",\n"c.jpg,\n', "line 4"),  # the quotation that never ends
        ("picture,target\na.jpg,5mL\n", "no column 'photo'"),
        ("", "no column 'photo'"),
        ("photo,target,tolerence\na.jpg,5mL,5%\n", "'tolerence'; write 'tolerance'"),
        ("photo,photo\na.jpg,b.jpg\n", "column 'photo' twice"),
        ("photo,target,tolerance\n", "lists no photographs"),
        (b"photo\n\xe4.jpg\n", "UTF-8"),
        ("photo\na.jpg\n".encode("utf-16"), "UTF-8"),
    ],
)
def test_what_is_wrong_is_named(tmp_path: Path, text: str | bytes, says: str) -> None:
    with pytest.raises(ManifestError) as error:
        load(tmp_path, text)
    assert says in str(error.value)
    assert "list.csv" in str(error.value)
    assert len(str(error.value).splitlines()) == 1


def test_all_that_is_wrong_is_told_at_once_up_to_a_screenful(tmp_path: Path) -> None:
    rows = [f"{n}.jpg,{n},5%" for n in range(1, 31)]
    with pytest.raises(ManifestError) as error:
        load(tmp_path, "\n".join(["photo,target,tolerance", *rows]))
    lines = str(error.value).splitlines()
    assert len(lines) == 21
    assert "line 21" in lines[19]
    assert "10 more" in lines[20]


def test_no_file(tmp_path: Path) -> None:
    with pytest.raises(ManifestError, match="cannot be read"):
        load_manifest(tmp_path / "gone.csv", Item(), for_check=False)
    with pytest.raises(ManifestError, match="cannot be read"):
        load_manifest(tmp_path, Item(), for_check=False)
