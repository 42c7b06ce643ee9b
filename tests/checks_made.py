"""Machine-readable checks as `drawmark check --json` prints them, for tests of the record."""

from __future__ import annotations

import json
from typing import Any

from drawn_syringe import make_reading, make_refusal

from drawmark.calc.tolerance import parse_tolerance
from drawmark.cli.verdict import check_outcome


def check_of(
    liquid_ml: float = 4.983,
    photo: str = "drawn.jpg",
    *,
    target_ml: float = 5.0,
    u_ml: float = 0.02,
) -> dict[str, Any]:
    """A check of a reading, through JSON and back."""
    check = check_outcome(
        photo,
        make_reading(liquid_ml, u_ml),
        target_ml=target_ml,
        tolerance=parse_tolerance("5%"),
    )
    return json.loads(json.dumps(check.record() | {"picture": f"{photo}.check.jpg"}))


def refused_check(photo: str = "drawn.jpg", code: str = "glare") -> dict[str, Any]:
    """A check of a refused photograph."""
    check = check_outcome(photo, make_refusal(code), target_ml=5.0, tolerance=parse_tolerance("5%"))
    return json.loads(json.dumps(check.record() | {"picture": None}))
