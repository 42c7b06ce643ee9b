"""The figures of a trend in words and in few digits, for the terminal and the page alike."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..calc.formatting import decimals_for, fixed
from ..calc.trend import ENOUGH

if TYPE_CHECKING:
    from ..calc.trend import Change, Interval, Summary
    from .feedback_data import Feedback, Group

HOW_TO_READ = (
    "Bias is the mean deviation from the target, spread the standard deviation around it. Limits "
    "are 95 % confidence limits: Student's t for the bias, chi-squared for the spread.",
    "The reader is the standard uncertainty of a reading. If the errors of the readings are "
    "independent they widen the spread: technique is what is left without them. If they are the "
    "same in all photographs, by the lamp or the angle, they shift the bias instead: the limits "
    "with the reader hold that too. A bias is called shown only if these leave zero out.",
    f"With fewer than {ENOUGH} readings nothing is concluded. Of twenty groups without any bias, "
    "one will seem to have one by chance.",
    "Undecided checks were read and count in bias and spread. Refused photographs have no reading: "
    "they are counted, and nothing else. A photograph that was checked again counts once, as it "
    "was checked last.",
)

ASKED = (
    "Known mistakes that would explain a deviation, as the checks asked about them; the question "
    "is that of the last. One that comes again is worth talking about, one that came once may be "
    "chance."
)


def places_of(summary: Summary, unit: str) -> int:
    """Decimal places for a group's figures: two digits of what is uncertain about them."""
    if unit == "%":
        return 1
    return decimals_for(max(summary.spread or 0.0, summary.reader or 0.0))


def amount(value: float | None, unit: str, places: int, *, sign: bool = False) -> str:
    """A figure with its unit, or a dash for one that there is not."""
    return "–" if value is None else f"{fixed(value, places, sign=sign)} {unit}"


def reader_amount(summary: Summary, unit: str) -> str:
    """The reader's uncertainty in digits of its own, since it may be far below the spread."""
    places = 1 if unit == "%" else decimals_for(summary.reader or 0.0)
    return amount(summary.reader, unit, places)


def limits(pair: Interval | None, unit: str, places: int, *, sign: bool = False) -> str:
    """Limits as ``+0.4 to +3.2 %``, or a dash."""
    if pair is None:
        return "–"
    low, high = (fixed(edge, places, sign=sign) for edge in pair)
    return f"{low} to {high} {unit}"


def bias_sentence(summary: Summary, unit: str) -> str:
    """What may be said of the bias, and no more."""
    n = summary.n
    if n == 0:
        return "No reading yet."
    if n == 1:
        return "One reading: nothing can be said about bias or spread."
    if summary.few:
        return f"Only {n} readings: the limits are wide, and nothing can be concluded yet."
    assert summary.bias is not None
    assert summary.bias_limits is not None
    if summary.biased:
        way = "too much" if summary.bias > 0 else "too little"
        size = amount(abs(summary.bias), unit, places_of(summary, unit))
        return f"On average {size} {way} is drawn up: more than chance and the reader explain."
    if summary.bias_limits[0] <= 0 <= summary.bias_limits[1]:
        return "No bias is shown: the limits have zero between them."
    return (
        "No bias is shown: the mean is off by more than chance, but the reader could be wrong by "
        "as much in every photograph."
    )


def spread_sentence(summary: Summary, unit: str) -> str:
    """What may be said of the spread; empty for few values, of which `bias_sentence` speaks."""
    if summary.few or summary.technique is None:
        return ""
    if not summary.technique_shown:
        return "The spread is no more than the reader's own uncertainty could explain."
    size = amount(summary.technique, unit, places_of(summary, unit))
    within = limits(summary.technique_limits, unit, places_of(summary, unit))
    return f"Without the reader's part the draws spread by {size} ({within})."


def far_off_sentence(told: Feedback) -> str | None:
    """Which checks are unlike the others, and what the figures are without them."""
    rest = told.without_far_off
    if rest is None:
        return None
    shown = ", ".join(
        f"{stored.number} ({fixed(100 * (stored.entry.relative_deviation or 0.0), 0, sign=True)} %)"
        for stored in told.far_off[:5]
    )
    more = " and others" if len(told.far_off) > 5 else ""
    number = "Number" if len(told.far_off) == 1 else "Numbers"
    verb, them = ("is", "it") if len(told.far_off) == 1 else ("are", "them")
    return (
        f"{number} {shown}{more} {verb} far from the others: look at {them} first, a wrong line or "
        f"number does that. Without {them} the bias is {amount(rest.bias, '%', 1, sign=True)} "
        f"({limits(rest.bias_limits, '%', 1, sign=True)}) and the spread "
        f"{amount(rest.spread, '%', 1)} ({limits(rest.spread_limits, '%', 1)})."
    )


def change_sentences(change: Change | None, n: int) -> list[str]:
    """What may be said of the change from the first period to the last."""
    if change is None:
        return [f"{2 * ENOUGH} readings are needed to tell a change; there are {n}."]
    moved = amount(change.bias_difference, "%", 1, sign=True)
    between = limits(change.bias_limits, "%", 1, sign=True)
    sentences = [
        f"From the first period to the last the bias moved by {moved} of the target ({between})"
        + ("." if change.bias_changed else ": no change is shown.")
    ]
    if change.spread_ratio is not None:
        ratio = fixed(change.spread_ratio, 2)
        around = limits(change.spread_limits, "times", 2)
        sentences.append(
            f"The spread is {ratio} times what it was ({around})"
            + ("." if change.spread_changed else ": no change is shown.")
        )
    return sentences


def counts_text(group: Group | Feedback) -> str:
    """How many of each verdict, those there are."""
    return ", ".join(f"{n} {word}" for word, n in group.counts.items() if n) or "none"


def share_text(feedback: Feedback) -> str | None:
    """The share within of those decided, with its limits; ``None`` if none was."""
    share = feedback.share_within
    if share is None:
        return None
    low, high = (fixed(100 * edge, 0) for edge in share[1:])
    few = " Few, so the limits are wide." if feedback.decided < ENOUGH else ""
    return (
        f"{feedback.counts['within']} of {feedback.decided} decided checks were within their "
        f"tolerance: {fixed(100 * share[0], 0)} % (95 % limits {low} to {high} %).{few}"
    )
