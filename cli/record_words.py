"""A record in a few words, for tables."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..calc.formatting import decimals_for, fixed, format_amount, format_number

if TYPE_CHECKING:
    from .record_store import Stored


def target_text(stored: Stored) -> str:
    """What was wanted and what was allowed; empty if it is not known."""
    entry = stored.entry
    if entry.kind == "strength":
        wished = str(entry.check.get("target_concentration", "a strength"))
        return wished if wished.isprintable() and len(wished) <= 40 else "a strength"
    if entry.target_ml is None:
        return ""
    if entry.tolerance_ml is None:
        return format_amount(entry.target_ml)
    return f"{format_number(entry.target_ml)} ± {format_amount(entry.tolerance_ml)}"


def deviation_text(stored: Stored) -> str:
    """How far off it was, in mL, or for a strength in percent; empty if it was not read."""
    entry = stored.entry
    if entry.deviation_ml is not None and entry.standard_uncertainty_ml is not None:
        places = decimals_for(2 * entry.standard_uncertainty_ml)
        return f"{fixed(entry.deviation_ml, places, sign=True)} mL"
    if entry.relative_deviation is not None:
        return f"{fixed(100 * entry.relative_deviation, 1, sign=True)} %"
    return ""
