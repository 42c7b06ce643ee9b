"""A preparation as stages: what is done, and what the syringe holds afterwards.

The contents are kept as an account, stock and diluent and air apart, so that the volume a
photograph should show and the drug on board follow from the same entries.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from .syringe import Syringe

Action = Literal[
    "draw-air",
    "inject-air",
    "draw",
    "draw-diluent",
    "add-diluent",
    "dissolve",
    "expel",
    "verify",
    "draw-drug",
    "mix",
    "label",
]


@dataclass(frozen=True)
class Contents:
    """What a syringe holds between zero line and fiducial line, mL."""

    stock_ml: float = 0.0
    diluent_ml: float = 0.0
    air_ml: float = 0.0

    @property
    def volume_ml(self) -> float:
        """All of it, air included: what the scale shows."""
        return round(self.stock_ml + self.diluent_ml + self.air_ml, 9)


@dataclass(frozen=True)
class Stage:
    """One step of a preparation.

    ``contents`` is what the syringe holds after it.  ``check`` marks the stages worth a
    photograph; for them ``tolerance_ml`` is the permitted deviation of the volume to either
    side.  ``stock_used_ml`` is the stock taken out of its containers so far.
    """

    number: int
    action: Action
    text: str
    contents: Contents
    syringe: Syringe
    check: bool
    stock_used_ml: float
    tolerance_ml: float | None = None

    @property
    def volume_in_syringe_ml(self) -> float:
        """What the scale should show after this stage, mL."""
        return self.contents.volume_ml


class Account:
    """Books the stages of one preparation in the order they are done.

    Each verb changes the contents and writes down a stage.  Volumes in mL.
    """

    def __init__(self, syringe: Syringe) -> None:
        self.syringe = syringe
        self._contents = Contents()
        self._stock_used_ml = 0.0
        self._stages: list[Stage] = []

    @property
    def stages(self) -> tuple[Stage, ...]:
        """What has been booked so far."""
        return tuple(self._stages)

    def take(self, syringe: Syringe) -> None:
        """Go on with another, empty syringe."""
        self.syringe = syringe
        self._contents = Contents()

    def start_with_diluent(self, volume_ml: float) -> None:
        """The syringe came filled with diluent."""
        self._contents = Contents(diluent_ml=volume_ml)

    def draw_air(self, volume_ml: float, text: str) -> None:
        """Air in, to be injected into a sealed container."""
        self._contents = replace(self._contents, air_ml=self._contents.air_ml + volume_ml)
        self._book("draw-air", text)

    def inject_air(self, text: str) -> None:
        """All the air out again."""
        self._contents = replace(self._contents, air_ml=0.0)
        self._book("inject-air", text)

    def draw_stock(
        self, volume_ml: float, text: str, tolerance_ml: float, action: Action = "draw"
    ) -> None:
        """Drug in, out of its container."""
        self._contents = replace(self._contents, stock_ml=self._contents.stock_ml + volume_ml)
        self._stock_used_ml += volume_ml
        self._book(action, text, tolerance_ml)

    def draw_diluent(self, volume_ml: float, text: str, tolerance_ml: float) -> None:
        """Diluent in."""
        self._contents = replace(self._contents, diluent_ml=self._contents.diluent_ml + volume_ml)
        self._book("draw-diluent", text, tolerance_ml)

    def expel_diluent(self, volume_ml: float, text: str, tolerance_ml: float) -> None:
        """Diluent out; only before any drug is in, so that nothing of the drug goes with it."""
        if self._contents.stock_ml:
            raise ValueError("expelling now would throw drug away")
        self._contents = replace(self._contents, diluent_ml=self._contents.diluent_ml - volume_ml)
        self._book("expel", text, tolerance_ml)

    def empty(self, action: Action, text: str) -> None:
        """Everything out, into a container."""
        self._contents = Contents()
        self._book(action, text)

    def note(self, action: Action, text: str, tolerance_ml: float | None = None) -> None:
        """A stage that changes no volume."""
        self._book(action, text, tolerance_ml)

    def _book(self, action: Action, text: str, tolerance_ml: float | None = None) -> None:
        self._stages.append(
            Stage(
                number=len(self._stages) + 1,
                action=action,
                text=text,
                contents=self._contents,
                syringe=self.syringe,
                check=tolerance_ml is not None,
                stock_used_ml=self._stock_used_ml,
                tolerance_ml=tolerance_ml,
            )
        )
