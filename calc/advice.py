"""The few words that go with every plan: what it is for, and who has the say."""

from __future__ import annotations

ADVISORY = (
    "For simulation, practice and measurement research only; never for a patient.",
    "Local policy, the product's own leaflet and a licensed practitioner decide, not this plan.",
    "Have a second person check product, strength, sums and syringe independently.",
)

TAKEN_AS_STATED = (
    "The strength or amount on the container is taken as stated; its own tolerance comes on top."
)
