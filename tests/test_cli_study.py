"""`drawmark study`: files, figures, words, and what is told about data that cannot be used."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
import pytest
from typer.testing import CliRunner

from drawmark.calc.study.table import StudyError, read_table, shared_unit, unit_of
from drawmark.cli.app import app

if TYPE_CHECKING:
    from click.testing import Result

# Invented: eight readings against weighed volumes, two operators.
PAIRS = """reference_ml,volume_ml,operator
2.013,2.03,P
4.987,5.02,P
5.002,4.99,Q
8.011,8.05,Q
1.995,2.00,P
8.021,8.03,P
5.012,5.06,Q
2.004,2.01,Q
"""
WEIGHED = """mass_g,temperature_c,pressure_hpa,volume_ml,target_ml
4.9873,21.3,1004,5.02,5
4.9911,21.4,1004,5.03,5
4.9850,21.4,1004,4.99,5
1.9932,21.5,1003,2.01,2
1.9940,21.5,1003,2.00,2
"""


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, ["study", *map(str, arguments)])


def one_sentence(result: Result) -> str:
    assert result.exit_code == 2, result.output
    assert result.stdout == ""
    assert result.stderr.startswith("drawmark: ")
    assert len(result.stderr.splitlines()) == 1
    return result.stderr


@pytest.fixture
def data(tmp_path: Path) -> Path:
    path = tmp_path / "pairs.csv"
    path.write_text(PAIRS, encoding="utf-8")
    return path


def test_files_of_an_agreement(data: Path) -> None:
    result = run("agreement", data, "--by", "operator")
    assert result.exit_code == 0, result.output
    assert sorted(p.name for p in data.parent.iterdir()) == [
        "pairs.agreement.json",
        "pairs.agreement.png",
        "pairs.agreement.svg",
        "pairs.csv",
    ]
    record = json.loads((data.parent / "pairs.agreement.json").read_text(encoding="utf-8"))
    assert record["data"]["sha256"] == hashlib.sha256(PAIRS.encode()).hexdigest()
    assert record["data"]["rows"] == 8
    assert record["options"]["reference"] == "reference_ml"
    assert record["options"]["unit"] == "mL"
    assert {"python", "drawmark", "numpy", "scipy", "matplotlib"} <= set(record["packages"])
    differences = [b - a for a, b in pairs()]
    assert record["result"]["all"]["bias"] == pytest.approx(np.mean(differences))
    assert set(record["result"]["groups"]) == {"P", "Q"}
    assert record["result"]["groups"]["P"]["n"] == 4
    assert "Only 8 pairs" in result.stdout
    assert "never for a real patient" in result.stdout


def pairs() -> list[tuple[float, float]]:
    rows = [line.split(",") for line in PAIRS.splitlines()[1:]]
    return [(float(a), float(b)) for a, b, _ in rows]


def test_a_figure_is_the_same_again_and_can_be_seen(data: Path, tmp_path: Path) -> None:
    first, second = tmp_path / "one", tmp_path / "two"
    for folder in (first, second):
        assert run("agreement", data, "--out", folder).exit_code == 0
    names = sorted(p.name for p in first.iterdir())
    for name in names:
        assert (first / name).read_bytes() == (second / name).read_bytes(), name
    picture = cv2.imread(str(first / "pairs.agreement.png"), cv2.IMREAD_GRAYSCALE)
    assert picture is not None
    assert min(picture.shape) > 1000
    assert picture.std() > 10  # something is drawn
    svg = (first / "pairs.agreement.svg").read_text(encoding="utf-8")
    assert "<svg" in svg
    assert "date" not in svg.lower().split("<defs>")[0]


def test_nothing_is_overwritten_unasked(data: Path) -> None:
    assert run("agreement", data).exit_code == 0
    before = (data.parent / "pairs.agreement.json").read_bytes()
    (data.parent / "pairs.agreement.svg").write_text("mine")
    sentence = one_sentence(run("agreement", data, "--confidence", "0.9"))
    assert "--force" in sentence
    assert (data.parent / "pairs.agreement.json").read_bytes() == before
    assert (data.parent / "pairs.agreement.svg").read_text() == "mine"
    assert run("agreement", data, "--confidence", "0.9", "--force").exit_code == 0
    assert (data.parent / "pairs.agreement.json").read_bytes() != before
    assert not [p for p in data.parent.iterdir() if p.name.startswith(".")]


def test_json_on_the_terminal_is_the_file(data: Path) -> None:
    result = run("agreement", data, "--json")
    written = (data.parent / "pairs.agreement.json").read_text(encoding="utf-8")
    assert result.stdout == written


def test_without_files(data: Path) -> None:
    assert run("agreement", data, "--no-files").exit_code == 0
    assert list(data.parent.iterdir()) == [data]
    assert run("agreement", data, "--no-figure").exit_code == 0
    assert len(list(data.parent.iterdir())) == 2


def test_without_matplotlib(data: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    assert "drawmark[study]" in one_sentence(run("agreement", data))
    assert run("agreement", data, "--no-figure").exit_code == 0


def test_repeatability(tmp_path: Path) -> None:
    rng = np.random.default_rng(8)
    lines = ["target_ml,syringe,photo,operator,volume_ml"]
    syringes = dict(zip("abcdefgh", rng.normal(0, 0.05, 8), strict=True))
    lines += [
        f"{target},{s},{photo},{o},{target + shift + rng.normal(0, 0.02):.4f}"
        for target in (2, 5)
        for s, shift in syringes.items()
        for o in "PQ"
        for photo in (1, 2)
    ]
    data = tmp_path / "r.csv"
    data.write_text("\n".join(lines) + "\n", encoding="utf-8")
    result = run(
        "repeatability", data, "--group", "syringe", "--level", "target_ml",
        "--factor", "syringe", "--factor", "operator", "--factor", "syringe/operator",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    names = {p.name for p in tmp_path.iterdir()}
    assert {"r.repeatability.2.svg", "r.repeatability.5.png"} <= names
    assert "r.repeatability.components.png" in names
    record = json.loads((tmp_path / "r.repeatability.json").read_text(encoding="utf-8"))
    level = record["result"]["iso_5725"]["2"]
    assert level["s_r"] == pytest.approx(0.02, rel=0.35)
    parts = {p["factor"]: p["variance"] for p in record["result"]["components"]["parts"]}
    true_spread = float(np.var(list(syringes.values()), ddof=1))
    assert parts["syringe"] == pytest.approx(true_spread, rel=0.3)
    assert parts["rest"] == pytest.approx(0.02**2, rel=0.4)
    assert "repeatability" in result.stdout
    assert "Only 2 levels of 'operator'" in result.stdout


def test_weighing_leads_to_agreement(tmp_path: Path) -> None:
    data = tmp_path / "w.csv"
    data.write_text(WEIGHED, encoding="utf-8")
    result = run("gravimetric", data, "--u-mass", "0.2mg", "--reading", "volume_ml", "--by",
                 "target_ml")  # fmt: skip
    assert result.exit_code == 0, result.output
    assert "systematic error" in result.stdout
    written = tmp_path / "w.gravimetric.csv"
    table = read_table(written.read_text(encoding="utf-8"))
    # 4.9873 g at 21.3 °C and 1004 hPa: Z from the table of ISO 8655-6 is 1.0031 to 1.0032
    assert table.numbers("reference_ml")[0] == pytest.approx(4.9873 * 1.00313, abs=5e-4)
    assert run("agreement", written).exit_code == 0


def test_one_temperature_for_all_rows(tmp_path: Path) -> None:
    data = tmp_path / "w.csv"
    data.write_text("mass_mg\n4987.3\n4990\n", encoding="utf-8")
    arguments = ("--u-mass", "0.2mg", "--mass", "mass_mg", "--temperature", "20")
    result = run("gravimetric", data, *arguments, "--pressure", "1013", "--json", "--no-files")
    record = json.loads(result.stdout)
    assert record["result"]["rows"][0]["volume_ml"] == pytest.approx(4.9873 * 1.00285, abs=1e-4)
    assert "no column 'pressure_hpa'" in one_sentence(run("gravimetric", data, *arguments))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        ("reference_ml,volume_ml\n", "no rows"),
        ("1.0,2.0\n1,2\n", "first line holds numbers"),
        ("reference_ml,volume_ml\n1.0,2.0,3\n", "line 2: 3 cells"),
        ("reference_ml;volume_ml\n1,0;2.0\n", "line 2: column 'reference_ml' holds '1,0'"),
        ("reference_ml,volume_ml\n1,0,2,1\n", "decimal commas"),
        ("reference_ml,volume_ml\n1,x\n", "line 2: column 'volume_ml' holds 'x'"),
        ("reference_ml,volume_ml\n1,nan\n", "not a plain number"),
        ("reference_ml,volume_ml\n1,\n", "line 2: column 'volume_ml' is empty"),
        ("reference_ml,volume_ml\n1,1.1\n2,2.2\n", "2 pairs"),
        ("reference_ml,reading\n1,1.1\n", "no column 'volume_ml'"),
        ("reference_ml,reference_ml\n1,1.1\n", "two columns are called"),
        ("reference_ml,volume_ml\n" + "1,1\n2,2\n3,3\n", "no spread"),
        ("reference_ml,volume_ml\n1,1e999\n", "too large"),
    ],
)
def test_data_that_cannot_be_used(tmp_path: Path, text: str, words: str) -> None:
    data = tmp_path / "d.csv"
    data.write_text(text, encoding="utf-8")
    assert words in one_sentence(run("agreement", data))
    assert list(tmp_path.iterdir()) == [data]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("agreement", "gone.csv"), "does not exist"),
        (("agreement", "."), "is a folder"),
        (("repeatability", "gone.csv"), "--group"),
        (("agreement", "gone.csv", "--confidence", "95"), "a share"),
        (("gravimetric", "gone.csv", "--u-mass", "2mL"), "mass is wanted"),
        (("agreement", "pairs.csv", "--no-files", "--force"), "contradicts"),
    ],
)
def test_usage_errors(
    arguments: tuple[str, ...], words: str, data: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(data.parent)
    assert words in one_sentence(run(*arguments))


def test_not_text(tmp_path: Path) -> None:
    data = tmp_path / "d.csv"
    data.write_bytes(b"\xff\xfe\x00\x01")
    assert "UTF-8" in one_sentence(run("agreement", data))


def test_units_of_columns(tmp_path: Path) -> None:
    assert unit_of("large_l_per_min") == "L/min"
    assert unit_of("Volume_mL") == "mL"
    assert unit_of("operator") is None
    with pytest.raises(StudyError, match="does not say its unit"):
        shared_unit(["reading"])
    with pytest.raises(StudyError, match="different units"):
        shared_unit(["a_ml", "b_ul"])
    data = tmp_path / "d.csv"
    data.write_text("a,b\n1,1.1\n2,2.3\n3,3.2\n", encoding="utf-8")
    arguments = ("agreement", data, "--reference", "a", "--measured", "b", "--no-files")
    assert "--unit" in one_sentence(run(*arguments))
    assert run(*arguments, "--unit", "mL").exit_code == 0


def test_tables_as_people_save_them() -> None:
    for text in ("a_ml;b\n1.5;x\n", "\ufeffa_ml\tb\r\n1.5\tx\r\n", '"a_ml","b"\n\n 1.5 , x \n'):
        table: Any = read_table(text)
        assert table.numbers("a_ml") == [1.5]
        assert table.texts("b") == ["x"]
