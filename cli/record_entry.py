"""From a machine-readable check to what the record keeps of it.

What `drawmark check --json` prints goes in whole, but for the names of files: a photograph's name
often is a person's, and the folder above it the computer's owner's.  In their place stands the
SHA-256 of the photograph's content, by which whoever has the photographs finds the right one.
"""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Any, NoReturn

from .record_store import Entry
from .results import content_hash

if TYPE_CHECKING:
    from collections.abc import Sequence

LARGEST, SMALLEST = 1e9, 1e-9  # of a number in a check, whatever its unit
VERDICTS = ("within", "outside", "undecided", "refused")

# What a check carries that is not about the measurement: the picture's file; the learner and task,
# which have columns of their own; and what a results file notes of the run.
_NOT_KEPT = ("picture", "learner", "task", "run", "record")


class NotACheckError(ValueError):
    """The JSON is no check; the message says what is wrong with it."""


@dataclass(frozen=True)
class Imported:
    """A check that was printed earlier, and whose it was if it says so."""

    entry: Entry
    learner: str | None
    task: str | None


def entry_from_check(
    check: dict[str, Any], hashes: Sequence[str | None], *, program: str = ""
) -> Entry:
    """What is recorded of *check*, the object that ``check --json`` prints.

    *hashes* are those of its photographs, in the order of the check: one, or that before and that
    after for a strength; ``None`` for one that is not at hand.

    Raises
    ------
    NotACheckError
        If *check* is no such object.
    """
    names = _reading_names(check)
    readings = [_reading(check, name) for name in names]
    verdict = check.get("verdict")
    if verdict not in VERDICTS:
        raise NotACheckError(f"its verdict is not one of {', '.join(VERDICTS)}")
    if (verdict == "refused") != any(reading["status"] == "refused" for reading in readings):
        raise NotACheckError("its verdict and the status of its reading contradict each other")
    common = {
        "verdict": verdict,
        "check": _without_names(check, readings, hashes),
        "photos": tuple(h for h in hashes if h is not None),
        "probability_within": _number(check, "probability_within"),
        "reasons": tuple(dict.fromkeys(code for r in readings for code in _codes(r))),
        "program": program,
    }
    if len(names) == 2:
        return _strength(check, verdict, common)
    return _volume(check, readings[0], verdict, common)


def _reading_names(check: dict[str, Any]) -> tuple[str, ...]:
    """Under which keys *check* has its readings."""
    return ("before", "after") if "before" in check or "after" in check else ("reading",)


def imported(text: str, folder: Path) -> list[Imported]:
    """The checks in *text*: one object, or one a line as a results file has them.

    A photograph is looked for under the name in its check, from *folder* on, to take its hash; a
    results file has the hash already.

    Raises
    ------
    NotACheckError
        If something in it is no check; the message names the line.
    """
    try:
        documents = _documents(text)
    except RecursionError:
        raise NotACheckError("it is nested too deeply") from None
    found = []
    for place, document in documents:
        try:
            found.append(_imported(document, folder))
        except NotACheckError as error:
            raise NotACheckError(f"{place}{error}") from None
        except RecursionError:
            raise NotACheckError(f"{place}it is nested too deeply") from None
    return found


def _documents(text: str) -> list[tuple[str, Any]]:
    try:
        return [("", _parsed(text))]
    except json.JSONDecodeError:  # more than one, or none
        lines = [(n, line) for n, line in enumerate(text.splitlines(), 1) if line.strip()]
    if not lines:
        raise NotACheckError("it is empty")
    documents = []
    for number, line in lines:
        try:
            documents.append((f"line {number}: ", _parsed(line)))
        except NotACheckError as error:
            raise NotACheckError(f"line {number}: {error}") from None
        except json.JSONDecodeError as error:
            raise NotACheckError(f"line {number} is not JSON ({error.msg.lower()})") from None
    return documents


def _parsed(text: str) -> Any:
    def refuse(constant: str) -> NoReturn:
        raise NotACheckError(f"{constant} is not a number that a check can have")

    def finite(number: str) -> float:
        value = float(number)
        return value if math.isfinite(value) else refuse(number)

    return json.loads(text, parse_constant=refuse, parse_float=finite)


def _imported(document: Any, folder: Path) -> Imported:
    if not isinstance(document, dict):
        raise NotACheckError("it is not an object")
    if "status" in document and "verdict" not in document:
        raise NotACheckError(
            "it is a reading without a target, as 'drawmark read' prints; give what 'drawmark "
            "check --json' prints"
        )
    run = document.get("run")
    run = run if isinstance(run, dict) else {}
    hashes = [
        (_hash_in(run) if name == "reading" else None) or _hash_of_photo(document[name], folder)
        for name in _reading_names(document)
        if name in document
    ]
    version = run.get("version")
    entry = entry_from_check(
        document, hashes, program=version[:40] if isinstance(version, str) else ""
    )
    return Imported(entry, _word(document, "learner"), _word(document, "task"))


def _hash_in(run: dict[str, Any]) -> str | None:
    text = run.get("sha256")
    if isinstance(text, str) and len(text) == 64 and set(text) <= set("0123456789abcdef"):
        return text
    return None


def _hash_of_photo(reading: Any, folder: Path) -> str | None:
    """The hash of the photograph that *reading* names, if it is there and an ordinary file."""
    photo = reading.get("photo") if isinstance(reading, dict) else None
    if not isinstance(photo, str) or not photo:
        return None
    try:
        path = folder / photo
        return content_hash(path) if path.is_file() else None
    except (OSError, ValueError):  # a name that no file can have
        return None


def _word(document: dict[str, Any], key: str) -> str | None:
    value = document.get(key)
    if value is not None and not isinstance(value, str):
        raise NotACheckError(f"'{key}' is not text")
    return value or None


def _reading(check: dict[str, Any], name: str) -> dict[str, Any]:
    reading = check.get(name)
    if not isinstance(reading, dict) or reading.get("status") not in ("read", "refused"):
        raise NotACheckError(f"'{name}' is missing or is not a reading")
    if reading.get("schema") != 1:
        raise NotACheckError(f"'{name}' has not the schema 1, the only one known")
    return reading


def _volume(
    check: dict[str, Any], reading: dict[str, Any], verdict: str, common: dict[str, Any]
) -> Entry:
    target_ml = _needed(check, "target_ml", SMALLEST)
    if verdict == "refused":
        tolerance_ml = _number(check, "tolerance_ml", SMALLEST)
        return Entry(kind="volume", **common, target_ml=target_ml, tolerance_ml=tolerance_ml)
    deviation_ml = _needed(check, "deviation_ml")
    # the reading's own, even where the decision counted the syringe's permitted error as well
    uncertainty_ml = math.hypot(
        _needed(reading, "standard_uncertainty_ml", 0.0),
        _needed(reading, "air_expanded_uncertainty_ml", 0.0) / 2,
    )
    return Entry(
        kind="volume",
        **common,
        target_ml=target_ml,
        tolerance_ml=_needed(check, "tolerance_ml", SMALLEST),
        liquid_ml=_needed(reading, "liquid_ml"),
        standard_uncertainty_ml=round(uncertainty_ml, 6),
        deviation_ml=deviation_ml,
        relative_deviation=round(deviation_ml / target_ml, 6),
        relative_standard_uncertainty=round(uncertainty_ml / target_ml, 6),
        capacity_ml=_needed(reading, "capacity_ml", SMALLEST),
        interval_ml=_needed(reading, "interval_ml", SMALLEST),
    )


def _strength(check: dict[str, Any], verdict: str, common: dict[str, Any]) -> Entry:
    if verdict == "refused":
        return Entry(kind="strength", **common)
    before, after = check["before"], check["after"]
    same = before.get("capacity_ml") == after.get("capacity_ml")
    return Entry(
        kind="strength",
        **common,
        relative_deviation=_needed(check, "relative_deviation"),
        relative_standard_uncertainty=_needed(check, "relative_uncertainty", 0.0) / 2,
        relative_tolerance=_needed(check, "relative_tolerance", SMALLEST),
        capacity_ml=_needed(after, "capacity_ml", SMALLEST) if same else None,
        interval_ml=_needed(after, "interval_ml", SMALLEST) if same else None,
    )


def _needed(record: dict[str, Any], key: str, least: float = -LARGEST) -> float:
    value = _number(record, key, least)
    if value is None:
        raise NotACheckError(f"'{key}' is not a usable number")
    return value


def _number(record: dict[str, Any], key: str, least: float = -LARGEST) -> float | None:
    value = record.get(key)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or abs(value) > LARGEST:
        raise NotACheckError(f"'{key}' is not a usable number")
    if value < least:
        raise NotACheckError(f"'{key}' is too small to be one")
    return float(value)


def _codes(reading: dict[str, Any]) -> list[str]:
    """The codes of a refusal; only what can be one, since they are printed and exported."""
    reasons = reading.get("reasons")
    codes = []
    for reason in reasons if isinstance(reasons, list) else []:
        code = reason.get("code") if isinstance(reason, dict) else None
        if not (isinstance(code, str) and re.fullmatch("[a-z][a-z-]{0,39}", code)):
            raise NotACheckError("a reason has no proper code")
        codes.append(code)
    return codes


def _without_names(
    check: dict[str, Any], readings: Sequence[dict[str, Any]], hashes: Sequence[str | None]
) -> dict[str, Any]:
    """A copy of *check* in which every name of a photograph has become its hash."""
    names: dict[str, str] = {}
    for reading, digest in zip(readings, hashes, strict=True):
        photo = reading.get("photo")
        if isinstance(photo, str) and photo:
            # Without the photograph its name has to tell one refusal from another, but unreadably.
            instead = f"sha256:{digest}" if digest else f"name:{_short_hash(photo)}"
            # an error inside the program may quote the name in any of these forms
            for name in (str(Path(photo).absolute()), photo, PurePath(photo).name):
                names.setdefault(name, instead)
    kept = {key: value for key, value in check.items() if key not in _NOT_KEPT}
    return _replaced(kept, names)


def _short_hash(text: str) -> str:
    return sha256(text.encode(errors="surrogatepass")).hexdigest()[:16]


def _replaced(value: Any, names: dict[str, str]) -> Any:
    if isinstance(value, dict):
        return {
            key: names.get(str(item), "unknown") if key == "photo" else _replaced(item, names)
            for key, item in value.items()
        }
    if isinstance(value, list):
        return [_replaced(item, names) for item in value]
    if isinstance(value, str):
        for name, instead in names.items():
            if len(name) < 4:  # too short to be told from a word
                continue
            value = value.replace(name, instead)
    return value
