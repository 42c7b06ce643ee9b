"""Amounts and measured results as text, in forms that are hard to misread.

Two functions, because the rules differ: an amount to be prepared never has a trailing zero
(``5 mL``; ``5.0`` is taken for ``50``), while a measured result keeps the zeros that show its
precision.  Both have a zero before the point and a space before the unit.  The avoided forms
are those of the ISMP and Joint Commission lists of error-prone abbreviations; the Joint
Commission list makes the same exception for measured values.
"""

from __future__ import annotations

import math


def format_number(value: float, significant: int = 6) -> str:
    """*value* as a decimal without exponent or trailing zero, rounded to *significant* digits.

    >>> format_number(0.5), format_number(5.0), format_number(0.1 + 0.2)
    ('0.5', '5', '0.3')
    """
    if not math.isfinite(value):
        raise ValueError(f"value must be finite, not {value}")
    if value == 0:
        return "0"
    decimals = max(significant - 1 - math.floor(math.log10(abs(value))), 0)
    text = f"{value:.{decimals}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def format_amount(value: float, unit: str = "mL", significant: int = 6) -> str:
    """An amount to prepare, e.g. ``0.5 mL``; *unit* is printed as given.

    >>> format_amount(5.0)
    '5 mL'
    """
    return f"{format_number(value, significant)} {unit}"


def decimals_for(uncertainty: float) -> int:
    """Decimal places that show *uncertainty* to two significant digits (JCGM 100, 7.2.6)."""
    if not (math.isfinite(uncertainty) and uncertainty > 0):
        return 3
    # Round first: 0.0996 becomes 0.10, which needs one place fewer than its logarithm says.
    exponent = math.floor(math.log10(float(f"{uncertainty:.1e}")))
    return max(1 - exponent, 0)


def format_measured(value: float, expanded: float, unit: str = "mL") -> str:
    """A measured result with its expanded uncertainty, both to the same decimal place.

    >>> format_measured(4.98312, 0.0421)
    '4.983 ± 0.042 mL'
    """
    decimals = decimals_for(expanded)
    return f"{fixed(value, decimals)} ± {expanded:.{decimals}f} {unit}"


def fixed(value: float, decimals: int, *, sign: bool = False) -> str:
    """*value* with *decimals* places, never as a negative zero."""
    text = f"{value:{'+' if sign else ''}.{decimals}f}"
    return text.replace("-", "+" if sign else "") if float(text) == 0 else text


def format_probability(probability: float) -> str:
    """A probability in percent that never rounds doubt away: ``> 99.9 %``, not ``100 %``.

    >>> format_probability(0.9612), format_probability(0.99995)
    ('96.1 %', '> 99.9 %')
    """
    percent = 100 * probability
    if percent > 99.9:
        return "> 99.9 %"
    if percent < 0.1:
        return "< 0.1 %"
    return f"{percent:.1f} %"
