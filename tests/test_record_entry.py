"""From a check to what the record keeps of it: the figures all, the names of files none."""

from __future__ import annotations

import copy
import json
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from checks_made import check_of, refused_check
from drawn_syringe import make_reading, make_refusal
from hypothesis import given, settings
from hypothesis import strategies as st

from drawmark.cli.feedback_data import feedback_of
from drawmark.cli.feedback_page import feedback_page
from drawmark.cli.record_entry import NotACheckError, entry_from_check, imported
from drawmark.cli.record_store import Stored
from drawmark.vision import as_record

if TYPE_CHECKING:
    from collections.abc import Callable

HASH = "a1" * 32


def test_the_columns_of_a_check() -> None:
    entry = entry_from_check(check_of(5.1, u_ml=0.03), [HASH], program="1.2")
    assert (entry.kind, entry.verdict, entry.photos) == ("volume", "within", (HASH,))
    assert (entry.target_ml, entry.tolerance_ml) == (5.0, 0.25)
    assert entry.liquid_ml == pytest.approx(5.1)
    assert entry.deviation_ml == pytest.approx(0.1)
    assert entry.relative_deviation == pytest.approx(0.02)
    assert entry.standard_uncertainty_ml == pytest.approx(0.03)
    assert entry.relative_standard_uncertainty == pytest.approx(0.006)
    assert (entry.capacity_ml, entry.interval_ml) == (10.0, 0.5)
    assert (entry.reasons, entry.program) == ((), "1.2")


def test_the_readers_own_uncertainty_even_if_the_syringes_was_counted() -> None:
    check = check_of(u_ml=0.03)
    check["decision"]["standard_uncertainty_ml"] = 0.2
    check["reading"]["air_expanded_uncertainty_ml"] = 0.08
    assert entry_from_check(check, [HASH]).standard_uncertainty_ml == pytest.approx(0.05)


def test_a_refused_photograph() -> None:
    entry = entry_from_check(refused_check(code="too-blurred"), [HASH])
    assert (entry.verdict, entry.reasons) == ("refused", ("too-blurred",))
    assert entry.target_ml == 5.0
    assert entry.deviation_ml is entry.liquid_ml is entry.capacity_ml is None


def dilution(verdict: str = "within") -> dict[str, Any]:
    """A measured strength, with the keys that are read from it."""
    after = make_reading(5.0) if verdict != "refused" else make_refusal("glare")
    check = {
        "before": as_record("one.jpg", make_reading(4.0)),
        "after": as_record("two.jpg", after),
        "verdict": verdict,
        "probability_within": None,
        "suggestions": [],
        "advisory": True,
    }
    if verdict == "refused":
        return check
    measured = {"relative_deviation": 0.03, "relative_uncertainty": 0.05}
    return check | measured | {"relative_tolerance": 0.1, "probability_within": 0.99}


def test_a_strength() -> None:
    entry = entry_from_check(dilution(), [HASH, "b2" * 32])
    assert (entry.kind, entry.photos) == ("strength", (HASH, "b2" * 32))
    assert entry.relative_deviation == 0.03
    assert entry.relative_standard_uncertainty == 0.025
    assert entry.relative_tolerance == 0.1
    assert entry.target_ml is None
    assert entry.capacity_ml == 10.0
    refused = entry_from_check(dilution("refused"), [HASH, None])
    assert (refused.verdict, refused.reasons, refused.photos) == ("refused", ("glare",), (HASH,))


def test_no_name_of_a_file_is_kept(tmp_path: Path) -> None:
    name = str(tmp_path / "anna-example" / "Anna Example 3.jpg")
    check = refused_check(name)
    check["reading"]["reasons"][0]["message"] = (
        f"The program failed on '{name}' (Anna Example 3.jpg)"
    )
    kept = json.dumps(entry_from_check(check, [HASH]).check)
    assert "nna" not in kept
    assert kept.count(f"sha256:{HASH}") >= 2
    assert check["reading"]["photo"] == name  # what is printed is not what is kept
    bare = entry_from_check(check_of(photo=name), [None]).check
    assert "nna" not in json.dumps(bare)
    assert bare["reading"]["photo"].startswith("name:")
    assert "picture" not in bare


def test_all_else_of_the_check_is_kept() -> None:
    check = check_of() | {"stage": 2, "stage_text": "draw 5 mL", "note": None, "made_up": [1]}
    kept = entry_from_check(check, [HASH]).check
    expected = copy.deepcopy(check)
    del expected["picture"]
    expected["reading"]["photo"] = f"sha256:{HASH}"
    assert kept == expected


def test_a_short_name_does_not_eat_words() -> None:
    kept = entry_from_check(check_of(photo="if"), [HASH]).check
    assert kept["decision"]["rule"] == check_of()["decision"]["rule"]


# --- from JSON -------------------------------------------------------------------------------


def test_the_photograph_is_looked_for_by_its_name(tmp_path: Path) -> None:
    (tmp_path / "drawn.jpg").write_bytes(b"pixels")
    (one,) = imported(json.dumps(check_of()), tmp_path)
    assert one.entry.photos == (sha256(b"pixels").hexdigest(),)
    (other,) = imported(json.dumps(check_of(photo="gone.jpg")), tmp_path)
    assert other.entry.photos == ()


@pytest.mark.parametrize("photo", ["/dev/zero", "a\0b", "\ud800", "x" * 5000, ".", ""])
def test_a_name_that_is_no_photographs(photo: str, tmp_path: Path) -> None:
    (one,) = imported(json.dumps(check_of(photo=photo)), tmp_path)
    assert one.entry.photos == ()
    json.dumps(one.entry.check)


def test_a_check_with_readings_of_both_kinds_is_a_strength(tmp_path: Path) -> None:
    (one,) = imported(json.dumps(check_of() | dilution()), tmp_path)
    assert one.entry.kind == "strength"


def test_refusals_without_their_photographs_stay_apart(tmp_path: Path) -> None:
    one, two = (imported(json.dumps(refused_check(f"{n}.jpg")), tmp_path)[0].entry for n in "ab")
    assert one != two


def test_lines_of_a_results_file(tmp_path: Path) -> None:
    run = {"command": "check", "version": "0.3", "sha256": HASH, "options": {}}
    line = check_of() | {"learner": "t1", "task": "five", "run": run}
    found = imported(f"{json.dumps(line)}\n\n{json.dumps(refused_check())}\n", tmp_path)
    assert [(one.learner, one.task) for one in found] == [("t1", "five"), (None, None)]
    assert found[0].entry.photos == (HASH,)
    assert found[0].entry.program == "0.3"
    assert {"run", "learner", "task"}.isdisjoint(found[0].entry.check)


def spoilt(change: Callable[[dict[str, Any]], object]) -> str:
    check = check_of()
    change(check)
    return json.dumps(check)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "empty"),
        ("\n\n", "empty"),
        ("not json", "line 1 is not JSON"),
        (json.dumps(check_of()) + "\n{", "line 2 is not JSON"),
        ("[]", "not an object"),
        ("null", "not an object"),
        ("{}", "'reading' is missing"),
        (json.dumps(as_record("p.jpg", make_reading())), "a reading without a target"),
        (spoilt(lambda c: c.pop("reading")), "'reading' is missing"),
        (spoilt(lambda c: c["reading"].update(schema=2)), "schema"),
        (spoilt(lambda c: c.update(verdict="fine")), "verdict"),
        (spoilt(lambda c: c.update(verdict="refused")), "contradict"),
        (spoilt(lambda c: c.update(target_ml=0)), "'target_ml' is too small"),
        (spoilt(lambda c: c.update(target_ml="5")), "'target_ml' is not a usable number"),
        (spoilt(lambda c: c.update(target_ml=True)), "'target_ml' is not a usable number"),
        (spoilt(lambda c: c.update(deviation_ml=None)), "'deviation_ml' is not a usable number"),
        (spoilt(lambda c: c.update(deviation_ml=10**400)), "'deviation_ml' is not a usable number"),
        (spoilt(lambda c: c["reading"].pop("liquid_ml")), "'liquid_ml'"),
        (spoilt(lambda c: c["reading"].update(reasons=[{"code": "=cmd"}])), "proper code"),
        (spoilt(lambda c: c.update(learner=7)), "'learner' is not text"),
        (json.dumps(check_of()).replace("5.0", "NaN", 1), "NaN is not a number"),
        (json.dumps(check_of()).replace("5.0", "1e999", 1), "1e999 is not a number"),
        ("[" * 100_000, "nested too deeply"),
        (json.dumps({"before": 1, "after": 2, "verdict": "within"}), "'before' is missing"),
    ],
)
def test_what_is_no_check(text: str, why: str, tmp_path: Path) -> None:
    with pytest.raises(NotACheckError, match=why):
        imported(text, tmp_path)


@settings(max_examples=15)
@given(
    st.recursive(
        st.none() | st.booleans() | st.integers(-10, 10) | st.floats() | st.text(max_size=8),
        st.lists,
    )
)
def test_any_value_anywhere_is_recorded_or_refused(value: object) -> None:
    for make in (check_of, dilution):
        for path in _paths(make()):
            check = make()
            parent = check
            for key in path[:-1]:
                parent = parent[key]
            parent[path[-1]] = value
            try:
                (one,) = imported(json.dumps(check), Path("/nowhere"))
            except NotACheckError:
                continue
            json.dumps(one.entry.check, allow_nan=False)
            told = feedback_of("t1", [Stored(1, "2026-03-02T09:00:00Z", "t1", None, one.entry)] * 2)
            json.dumps(told.record(), allow_nan=False)
            assert "</html>" in feedback_page(told)


def _paths(value: Any) -> list[tuple[str, ...]]:
    """The way to every key of *value*, an object of objects."""
    if not isinstance(value, dict):
        return []
    return [
        path
        for key, inner in value.items()
        for path in ((key,), *((key, *rest) for rest in _paths(inner)))
    ]
