"""`drawmark feedback`: what is counted, what may be concluded, and a page that is sound."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from html import escape
from html.parser import HTMLParser
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree

import numpy as np
import pytest
from checks_made import check_of, refused_check
from scipy import stats
from test_record_entry import dilution
from typer.testing import CliRunner

from drawmark.cli.app import app
from drawmark.cli.feedback_data import feedback_of
from drawmark.cli.feedback_page import feedback_page
from drawmark.cli.feedback_plot import Mark, trend_plot
from drawmark.cli.record_entry import entry_from_check
from drawmark.cli.record_store import RecordStore

if TYPE_CHECKING:
    from collections.abc import Iterable

    from click.testing import Result

START = datetime(2026, 2, 3, 9, tzinfo=UTC)
NASTY = "<script>alert(1)</script> & \"'five'"


@pytest.fixture
def lab(tmp_path: Path) -> Path:
    return tmp_path / "LAB.db"


def fill(
    lab: Path,
    checks: Iterable[dict[str, Any]],
    *,
    learner: str = "t1",
    task: str | None = "five",
    first: int = 0,
) -> None:
    """Record *checks*, each of a photograph of its own and an hour after the one before."""
    with RecordStore.open(lab, create=True) as store:
        for place, check in enumerate(checks, first):
            photos = [sha256(f"{learner} {place} {part}".encode()).hexdigest() for part in "ab"]
            entry = entry_from_check(check, photos if "before" in check else photos[:1])
            when = START + timedelta(hours=place)
            store.add(entry, learner=learner, task=task, recorded_at=when)


def run(lab: Path, *more: object, learner: str = "t1") -> Result:
    return CliRunner().invoke(app, ["feedback", learner, "--record", str(lab), *map(str, more)])


def told(lab: Path, learner: str = "t1") -> dict[str, Any]:
    return json.loads(run(lab, "--json", learner=learner).stdout)


def draws(n: int, bias_ml: float, spread_ml: float, **more: float) -> list[dict[str, Any]]:
    """*n* checks of 5 mL with exactly that mean deviation and standard deviation."""
    values = np.random.default_rng(n).normal(size=n)
    values = (values - values.mean()) / (values.std(ddof=1) or 1)
    return [check_of(5 + bias_ml + spread_ml * float(v), **more) for v in values]


# --- the figures -----------------------------------------------------------------------------


def test_bias_and_spread_are_scipys(lab: Path) -> None:
    fill(lab, draws(12, 0.10, 0.15, u_ml=0.02))
    volumes = told(lab)["volumes"]
    assert volumes["n"] == 12
    assert volumes["unit"] == "%"
    assert volumes["bias"] == pytest.approx(2.0, abs=1e-3)
    assert volumes["spread"] == pytest.approx(3.0, abs=1e-3)
    assert volumes["reader"] == pytest.approx(0.4)
    low, high = stats.t.interval(0.95, 11, loc=2, scale=3 / 12**0.5)
    assert volumes["bias_limits"] == pytest.approx([low, high], abs=1e-3)
    wide = ((high - 2) ** 2 + 0.8**2) ** 0.5
    assert volumes["bias_limits_with_reader"] == pytest.approx([2 - wide, 2 + wide], abs=1e-3)
    low, high = stats.chi2.interval(0.95, 11)
    limits = [3 * (11 / high) ** 0.5, 3 * (11 / low) ** 0.5]
    assert volumes["spread_limits"] == pytest.approx(limits, abs=1e-3)
    without = [(limit**2 - 0.4**2) ** 0.5 for limit in limits]
    assert volumes["technique_limits"] == pytest.approx(without, abs=1e-3)


def test_verdicts_are_counted_apart(lab: Path) -> None:
    checks = [check_of(5.0)] * 3 + [check_of(5.6), check_of(5.25)]
    fill(lab, [*checks, refused_check(), refused_check()])
    record = told(lab)
    assert record["counts"] == {"within": 3, "outside": 1, "undecided": 1, "refused": 2}
    assert record["volumes"]["n"] == 5
    assert (record["decided"], record["share_within"]) == (4, 0.75)
    exact = stats.binomtest(3, 4).proportion_ci(0.95, method="exact")
    assert record["share_within_limits"] == pytest.approx([exact.low, exact.high], abs=1e-6)


def test_tasks_and_syringes_apart(lab: Path) -> None:
    fill(lab, draws(9, 0.1, 0.05))
    smaller = [check_of(2.1, target_ml=2.0), check_of(2.1, target_ml=2.0)]
    for check in smaller:
        check["reading"] |= {"capacity_ml": 5.0, "interval_ml": 0.2}
    fill(lab, smaller, task=None, first=20)
    record = told(lab)
    assert [(g["name"], g["n"], g["unit"]) for g in record["tasks"]] == [
        ("five", 9, "%"),
        ("no task named", 2, "%"),
    ]
    assert [(g["name"], g["n"], g["unit"]) for g in record["syringes"]] == [
        ("10 mL", 9, "mL"),
        ("5 mL", 2, "mL"),
    ]
    assert record["syringes"][0]["bias"] == pytest.approx(0.1, abs=1e-4)
    assert record["tasks"][1]["bias"] == pytest.approx(5.0, abs=1e-3)


def test_strengths_stay_apart_from_volumes(lab: Path) -> None:
    fill(lab, [*draws(8, 0.1, 0.05), dilution(), dilution("refused")])
    record = told(lab)
    assert record["volumes"]["n"] == 8
    assert record["strengths"]["n"] == 1
    assert record["strengths"]["bias"] == pytest.approx(3.0)
    assert record["strengths"]["counts"]["refused"] == 1
    assert "Measured strengths" in run(lab).stdout


def test_a_photograph_checked_again_counts_once_as_it_was_last(lab: Path) -> None:
    fill(lab, [check_of(5.0), check_of(5.1)])
    fill(lab, [check_of(5.0, target_ml=4.0)])  # the first photograph again
    record = told(lab)
    assert (record["volumes"]["n"], record["repeats_left_out"]) == (2, 1)
    assert record["counts"]["outside"] == 1
    assert "1 earlier of a photograph checked again" in run(lab).stdout


def test_a_change_over_time(lab: Path) -> None:
    fill(lab, draws(10, 0.2, 0.05))
    fill(lab, draws(11, 0.0, 0.05), first=50)
    record = told(lab)
    assert [period["n"] for period in record["periods"]] == [10, 11]
    assert record["change"]["bias_difference"] == pytest.approx(-4.0, abs=1e-3)
    assert record["change"]["bias_limits"][1] < 0
    text = run(lab).stdout
    assert "the bias moved by -4.0 % of the target (" in text
    assert "The spread is 1.00 times what it was" in text


def test_one_gross_error_is_pointed_out_and_not_left_out(lab: Path) -> None:
    fill(lab, [*draws(12, 0.0, 0.05), check_of(9.5)])
    record = told(lab)
    assert record["far_off"] == [13]
    assert record["volumes"]["n"] == 13
    assert record["without_far_off"]["spread"] == pytest.approx(1.0, abs=1e-3)
    assert "Number 13 (+90 %) is far from the others" in run(lab).stdout


def test_questions_about_technique_are_counted(lab: Path) -> None:
    cone = {"code": "cone-tip", "question": "Was the <tip> of the cone read?"}
    air = {"code": "air", "question": "Was air left in?"}
    checks = draws(4, 0.3, 0.05)
    for check, suggestions in zip(
        checks, ([cone], [cone, air], ["odd", {"code": 7}], "none"), strict=True
    ):
        check["suggestions"] = suggestions
    fill(lab, checks)
    assert told(lab)["asked"] == [cone | {"checks": 2}, air | {"checks": 1}]
    assert "2 checks: Was the <tip> of the cone read?" in run(lab).stdout
    with RecordStore.open(lab) as store:
        page = feedback_page(feedback_of("t1", store.records()))
    assert "Was the &lt;tip&gt; of the cone read?" in page


# --- what is said ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("checks", "says"),
    [
        ([refused_check()], "No reading yet."),
        ([check_of(5.1)], "One reading: nothing can be said about bias or spread."),
        (draws(7, 0.3, 0.01), "Only 7 readings: the limits are wide, and nothing can be concluded"),
        (draws(8, 0.3, 0.05), "On average 6.0 % too much is drawn up"),
        (draws(8, -0.3, 0.05), "On average 6.0 % too little is drawn up"),
        (draws(8, 0.01, 0.1), "No bias is shown: the limits have zero between them."),
        (draws(40, 0.05, 0.05, u_ml=0.1), "the reader could be wrong by as much"),
        (draws(9, 0.0, 0.02, u_ml=0.05), "no more than the reader's own uncertainty could explain"),
        (draws(9, 0.0, 0.2), "Without the reader's part the draws spread by 4.0 %"),
    ],
)
def test_no_more_is_said_than_is_known(lab: Path, checks: list[dict[str, Any]], says: str) -> None:
    fill(lab, checks)
    result = run(lab)
    assert result.exit_code == 0
    assert says in result.stdout
    assert "never for a real patient" in result.stdout
    with RecordStore.open(lab) as store:
        page = feedback_page(feedback_of("t1", store.records()))
    assert says in page.replace("&#x27;", "'")


def test_few_are_marked_as_few_and_n_is_always_there(lab: Path) -> None:
    fill(lab, draws(3, 0.3, 0.01))
    text = run(lab).stdout
    assert re.search(r"readings +3\n", text)
    assert re.search(r"five +3 .*; few", text)
    assert "16 readings are needed to tell a change; there are 3." in text


# --- wrong calls -----------------------------------------------------------------------------


def test_an_unknown_learner(lab: Path) -> None:
    fill(lab, [check_of()], learner="trainee-07")
    result = run(lab, learner="trainee-08")
    assert result.exit_code == 2
    assert "no learner 'trainee-08'; it has trainee-07" in result.stderr
    assert run(lab.with_name("gone.db")).exit_code == 2


def test_a_page_replaces_only_a_page(lab: Path, tmp_path: Path) -> None:
    fill(lab, [check_of()])
    out = tmp_path / "page.html"
    assert run(lab, "--out", out).exit_code == 0
    assert json.loads(run(lab, "--out", out, "--json").stdout)["page"] == str(out)
    out.write_text("<p>somebody's</p>")
    result = run(lab, "--out", out)
    assert (result.exit_code, result.stdout) == (2, "")
    assert "not a page of feedback" in result.stderr
    assert out.read_text() == "<p>somebody's</p>"
    assert "must end in .html" in run(lab, "--out", tmp_path / "page.txt").stderr
    assert "cannot be written" in run(lab, "--out", tmp_path / "none" / "p.html").stderr
    assert sorted(file.name for file in tmp_path.iterdir()) == ["LAB.db", "page.html"]


# --- the page --------------------------------------------------------------------------------


class Sound(HTMLParser):
    """Sees to it that tags are closed in order, and gathers text and what is fetched."""

    VOID = frozenset({"meta", "br", "img", "link", "input", "hr"})

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: set[str] = set()
        self.fetched: list[str] = []
        self.text = ""
        self.feed(text)
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.fetched += [str(v) for k, v in attrs if k in ("src", "href", "srcset", "data")]
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text += data


@pytest.fixture
def page(lab: Path, tmp_path: Path) -> str:
    """A page with everything on it."""
    checks = [*draws(20, 0.1, 0.2), refused_check(), check_of(9.5), dilution()]
    fill(lab, checks, task=NASTY)
    out = tmp_path / "page.html"
    assert run(lab, "--out", out).exit_code == 0
    return out.read_text(encoding="utf-8")


def test_the_page_is_sound_and_needs_nothing_from_elsewhere(page: str) -> None:
    sound = Sound(page)
    assert sound.fetched == []
    assert "script" not in sound.tags
    assert not re.search(r"https?:|url\(|@import", page)
    assert {"svg", "table", "title", "h1"} <= sound.tags
    assert "never for a real patient" in sound.text
    assert "a second person's check" in " ".join(sound.text.split())


def test_names_are_escaped(page: str) -> None:
    assert "<script" not in page
    assert NASTY in Sound(page).text


def test_the_plots_are_sound_xml(page: str) -> None:
    plots = re.findall(r"<svg.*?</svg>", page)
    assert len(plots) > 6
    for plot in plots:
        ElementTree.fromstring(plot)


def test_every_check_has_its_mark() -> None:
    marks = [
        Mark("2026-02-03", "within", 1.0, 0.5, 5.0),
        Mark("2026-02-03", "outside", -7.0, 0.5, 5.0),
        Mark("2026-02-04", "undecided", 5.1, 0.5, 5.0),
        Mark("2026-02-04", "refused", tolerance=5.0),
    ]
    for width in (360.0, 880.0):
        plot = ElementTree.fromstring(trend_plot(marks, [], width=width))
        classes = [element.get("class", "") for element in plot.iter()]
        for name, count in {
            "f-within": 1,
            "f-outside": 1,
            "f-undecided": 1,
            "f-refused": 1,
            "allowed": 1,
        }.items():
            assert classes.count(name) == count, name
        assert sum(name.startswith("bar ") for name in classes) == 3
        circle = next(e for e in plot.iter() if e.get("class") == "f-within")
        assert 0 < float(circle.get("cx", "nan")) < width
        heights = {
            e.get("class"): float(e.get("cy") or e.get("y") or 0)
            for e in plot.iter()
            if e.get("class") in ("f-within", "f-undecided")
        }
        assert heights["f-undecided"] < heights["f-within"]  # more is higher


def test_a_value_beyond_the_axis_is_named() -> None:
    marks = [Mark("2026-02-03", "within", 0.1 * n, 0.5, 5.0) for n in range(12)]
    plot = trend_plot([*marks, Mark("2026-02-03", "outside", 900.0, 1.0, 5.0)], [], width=880)
    assert "+900 %" in plot


@pytest.mark.parametrize("n", [1, 2, 149, 151, 1000])
@pytest.mark.parametrize("size", [0.0, 1e-6, 1.0, 1e6])
def test_any_number_of_draws_of_any_size(n: int, size: float) -> None:
    marks = [Mark("2026-02-03", "within", size * (-1) ** k, size, size or None) for k in range(n)]
    plot = trend_plot(marks, [], width=360)
    ElementTree.fromstring(plot)
    assert "nan" not in plot
    assert "inf" not in plot


CHROMIUM = shutil.which("chromium") or shutil.which("google-chrome") or shutil.which("chrome")


@pytest.mark.slow
@pytest.mark.skipif(CHROMIUM is None, reason="no browser at hand")
def test_a_browser_has_nothing_to_complain_of(page: str, tmp_path: Path) -> None:
    # in a frame, which may be narrower than any window
    frame = tmp_path / "frame.html"
    script = (
        "addEventListener('load', () => {"
        "const page = document.querySelector('iframe').contentDocument.documentElement;"
        "document.title = page.scrollWidth <= page.clientWidth ? 'fits' : 'too wide'; });"
    )
    for width in (360, 1200):
        frame.write_text(
            f'<title>not seen</title><iframe width="{width}" height="800" frameborder="0" '
            f'srcdoc="{escape(page)}"></iframe><script>{script}</script>',
            encoding="utf-8",
        )
        done = subprocess.run(
            [
                *(str(CHROMIUM), "--headless", "--no-sandbox", "--disable-gpu"),
                *("--enable-logging=stderr", f"--user-data-dir={tmp_path / 'profile'}"),
                *("--window-size=1280,900", "--dump-dom", frame.as_uri()),
            ],
            capture_output=True,
            text=True,
            check=True,
            timeout=120,
        )
        assert "CONSOLE" not in done.stderr
        assert "<title>fits</title>" in done.stdout, width
