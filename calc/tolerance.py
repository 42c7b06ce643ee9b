"""How far from the target is still near enough: four ways to say it, one half-width in mL."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from .formatting import format_number
from .quantities import QuantityError, parse_volume_ml, split_amount
from .syringe import capacity_tolerance_ml

ToleranceKind = Literal["absolute", "percent", "intervals", "iso"]

_ISO_WORDS = {"iso", "iso 7886-1", "iso7886-1", "iso-7886-1"}
_INTERVAL_WORDS = {"interval", "intervals", "scale interval", "scale intervals"}
_HOW = "write '5%', '0.1 mL', '1 interval' or 'iso'."


@dataclass(frozen=True)
class Tolerance:
    """A permitted deviation to either side of the target.

    ``value`` is in mL for ``absolute``, in percent of the target for ``percent``, in scale
    intervals of the syringe for ``intervals``, and unused (1) for ``iso``, which is the
    permitted error of ISO 7886-1 for the target expelled from that syringe.
    """

    kind: ToleranceKind
    value: float = 1.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.value) and self.value > 0):
            raise ValueError(f"a tolerance must be above zero, not {self.value}")

    @property
    def needs_syringe(self) -> bool:
        """Whether the half-width depends on the syringe, and so on a reading of its print."""
        return self.kind in ("intervals", "iso")

    def half_width_ml(
        self,
        target_ml: float,
        *,
        capacity_ml: float | None = None,
        interval_ml: float | None = None,
    ) -> float:
        """The permitted deviation to either side of *target_ml*, mL.

        Raises
        ------
        ValueError
            If the target is not above zero, or the syringe's interval or capacity is needed
            and not given.
        """
        if not (math.isfinite(target_ml) and target_ml > 0):
            raise ValueError(f"target_ml must be above zero, not {target_ml}")
        if self.kind == "absolute":
            return self.value
        if self.kind == "percent":
            return target_ml * self.value / 100
        if self.kind == "intervals":
            if interval_ml is None:
                raise ValueError("interval_ml is needed for a tolerance in scale intervals")
            return self.value * interval_ml
        if capacity_ml is None:
            raise ValueError("capacity_ml is needed for the tolerance of ISO 7886-1")
        return capacity_tolerance_ml(capacity_ml, target_ml)

    def __str__(self) -> str:
        number = format_number(self.value)
        if self.kind == "absolute":
            return f"{number} mL"
        if self.kind == "percent":
            return f"{number} % of the target"
        if self.kind == "intervals":
            return f"{number} scale interval{'' if self.value == 1 else 's'}"
        return "the ISO 7886-1 capacity tolerance"


def parse_tolerance(text: str) -> Tolerance:
    """The tolerance that *text* states: ``5%``, ``0.1 mL``, ``1 interval`` or ``iso``.

    >>> parse_tolerance("5%")
    Tolerance(kind='percent', value=5.0)

    Raises
    ------
    QuantityError
        If *text* is none of these, or not above zero.
    """
    bare = " ".join(text.split()).removeprefix("±").strip()
    if bare.lower() in _ISO_WORDS:
        return Tolerance("iso")
    try:
        value, unit = split_amount(bare)
        if not value > 0:
            raise QuantityError(f"'{text}' is not above zero.")
        if unit in ("%", "percent"):
            return Tolerance("percent", value)
        if unit.lower() in _INTERVAL_WORDS:
            return Tolerance("intervals", value)
        if not unit:
            raise QuantityError(f"'{text}' has no unit.")
        return Tolerance("absolute", parse_volume_ml(bare))
    except QuantityError as error:
        raise QuantityError(f"{error} For a tolerance {_HOW}") from None
