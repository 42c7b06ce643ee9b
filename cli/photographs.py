"""One photograph through the reader, whatever happens inside it."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from ..vision import Outcome, Reason, Refusal

if TYPE_CHECKING:
    from pathlib import Path


# Names that annotated pictures get (see `pictures`).  `read *.jpg` after a check meets them, and a
# picture with lines drawn over it must not be read as if it were a photograph.
_ANNOTATED = re.compile(r".+\.(check|read)(-\d+)?\.jpg")


def read_outcome(
    photo: Path,
    *,
    capacity_ml: float | None = None,
    interval_ml: float | None = None,
    debug: bool = False,
) -> Outcome:
    """The reader's answer for *photo*; an error inside the reader becomes a refusal.

    An annotated picture of ours is refused by its name.

    One photograph that brings the reader down must not take the others of a batch with it, and
    must not look like a reading either.  With *debug* the error is raised as it is.
    """
    from ..vision import read_photo

    if _ANNOTATED.fullmatch(photo.name):
        return Refusal(
            (
                Reason(
                    "not-an-image",
                    "This is an annotated picture, not a photograph.",
                    "Give the photograph that it was made from.",
                ),
            )
        )
    try:
        return read_photo(photo, capacity_ml=capacity_ml, interval_ml=interval_ml)
    except Exception as error:
        if debug:
            raise
        return Refusal(
            (
                Reason(
                    "internal-error",
                    f"The program failed on this photograph ({type(error).__name__}: "
                    f"{' '.join(str(error).split())[:200]}).",
                    "Report it with the photograph; --debug shows where.",
                ),
            )
        )


def refusal_sentence(refusal: Refusal) -> str:
    """What is wrong and what to do, as one sentence a reason.

    >>> refusal_sentence(Refusal((Reason("glare", "A reflection hides it.", "Move the lamp."),)))
    'A reflection hides it: move the lamp.'
    """
    return " ".join(
        f"{reason.message.rstrip('.')}: {reason.remedy[:1].lower()}{reason.remedy[1:]}"
        for reason in refusal.reasons
    )
