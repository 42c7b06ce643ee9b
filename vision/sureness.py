"""Is a labelling sure enough to tell a volume by?  Else the photograph is ambiguous."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from .labelling import CLEAR_AGAINST, CLEAR_READ, Labelling, label_lines, reads_better_mirrored

if TYPE_CHECKING:
    from .graduations import Graduations

MARGIN_WITH_NUMERALS, MARGIN_WITH_CLEAR_NUMERALS = 5.0, 4.0
MARGIN_LINES_ALONE = 7.0
MIN_NUMERALS, MIN_NUMERALS_UNSURE = 6.0, 11.0
MIN_WORDS = 3
# Where the picture of the nozzle says how wide the barrel is, and that of both ends which is which,
# a lead of so much will do: of 130 photographs whose numerals leave the scale open the best one was
# right in all 29 with a lead of 6 or more, and wrong in 4 of 9 with 5 to 6.
MARGIN_BY_NOZZLE, NOZZLE_SPEAKS, SENSE_SPEAKS = 7.0, 0.5, 3.0
NUMERALS_FOR_DIRECTION = 4.0
# Leads by numerals that are hardly seen: of 31 right labellings they changed by 1 (sd) from one
# magnification to the next; of three that were wrong by a factor of two, two came out otherwise,
# and the third led by less than is wanted.
OTHER_MAGNIFICATIONS = (0.92, 1.08)
LEAST_SIZE = -5.0  # right scales had more than -4.2 in 275 photographs, tenfold ones less than -7
LEAST_ENDS = -2.5  # right scales had more than -1.9 in 195 photographs, too long ones less than -3
LEAST_SIZE_AND_ENDS = -4.5  # right scales had more than -4.1 in 366 photographs
# Lines and highlights may look like a row of numerals of which none is read for sure: so 3 mL were
# taken for 6, of a barrel of -4.1. Right scales whose numerals were told so had -1.8 or more in 24.
LEAST_SIZE_UNREAD = -3.0
# Numerals read as others than expected: right scales had up to 2, or up to 0.3 of those that agree.
# From the side a third to a half as many are misread as are read: docs/numerals.md.
MOST_AGAINST, MOST_SHARE_AGAINST = 2.0, 1 / 3
FROM_THE_SIDE, MOST_SHARE_FROM_THE_SIDE = np.radians(60), 1 / 2
# Small digits are misread in numbers, but each as something else: where many words agree and no
# other scale comes near, as many as this may. Of some 3000 photographs 10 had such labellings, all
# right; the one wrong one near them had three words.
MARGIN_WITHOUT_DOUBT, WORDS_WITHOUT_DOUBT, MOST_SHARE_WITHOUT_DOUBT = 10.0, 5, 3 / 4
# Of a scale's lines, where the net paints those that a stopper hides or that are worn: right scales
# had 0.8 or more in 200 photographs but one (0.64), one of two different spacings 0.67. A small
# barrel's fine lines are lost to grain: less will do where the numerals leave no doubt.
LEAST_LINES_SEEN, LEAST_LINES_SEEN_IF_TOLD = 0.75, 0.6
NUMERALS_WITHOUT_DOUBT = 15.0
MANY_WORDS, LEAST_LINES_SEEN_IF_SUPPOSED = 4, 0.25
# Stopper and opaque liquid may hide half of a scale: less will do too where so large a part of
# it is seen line by line. Of a scale supposed with lines too many, no two neighbours are seen.
LEAST_LINES_SEEN_IN_A_RUN, RUN_SHARE = 0.5, 0.3
LEAST_RUN = 8  # lines seen side by side
# Two fits, to the lines as measured and as painted, may tell the same scale. Of refused photographs
# where they do, by the least of four leads, both fits' with and without the numerals: 8 of 36 wrong
# below 0.5, 6 of 50 to 1, 3 of 56 to 1.5, 1 of 43 to 2, none of 102 above.
MARGIN_TOLD_TWICE = 2.5
ENDS_TOLD_TWICE, SEEN_TOLD_TWICE, SIZE_TOLD_TWICE = 1.0, 0.9, -2.0
# ... or by all witnesses together, if none other is likelier without the numerals: of 1004 fresh
# photographs that were right in 52 with both leads of 3 or more, and in 21 of 2 to 3; where another
# was, three of nine with leads of 2 or more were wrong.
MARGIN_TOLD_TWICE_BY_ALL, LINES_MARGIN_TOLD_TWICE = 3.0, 0.0
ENDS_TOLD_TWICE_BY_ALL, SEEN_TOLD_TWICE_BY_ALL = -0.5, 0.85
# A stated capacity settles what the print leaves open, where nothing printed speaks against it: any
# other scale may be likelier by so much at most (a wrong statement in a hundred would allow 4.6).
MOST_AGAINST_STATED = 1.5
MARGIN_AS_STATED = 4.0  # over the same scale elsewhere, or another that goes with the statement
ENDS_AS_STATED, NOZZLE_AS_STATED = 0.0, 0.0


def is_settled(labelling: Labelling, graduations: Graduations, interval_ml: float | None) -> bool:
    """True if the labelling is sure, and so at other magnifications where no numeral is read.

    Numerals that are hardly seen agree by chance too, and then otherwise at every look.
    """
    if not is_sure(labelling, graduations):
        return False
    if _numerals_are_read(labelling):
        return True
    lead = _least_margin(labelling) if _row_is_told(labelling) else MARGIN_BY_NOZZLE
    for magnified in OTHER_MAGNIFICATIONS:
        again = label_lines(graduations, interval_ml, magnified=magnified)
        if again is None or again.labels != labelling.labels or again.margin < lead:
            return False
    return True


def is_sure(labelling: Labelling, graduations: Graduations) -> bool:
    """True if the labelling beats every other one, by its numerals or clearly by its lines."""
    if labelling.margin < _least_margin(labelling) or labelling.seen < _least_seen(labelling):
        return False
    # no rival need be alive for a scale to be a wrong one: printed for a barrel of another size,
    # carried on to where no barrel ends, with the nozzle at the wrong end, or other numerals
    if labelling.size < LEAST_SIZE or labelling.sense < 0:
        return False
    if labelling.ends < LEAST_ENDS and not _is_read_to_the_end(labelling):
        return False
    if labelling.size + labelling.ends < LEAST_SIZE_AND_ENDS:
        return False
    if labelling.size < LEAST_SIZE_UNREAD and not _numerals_are_read(labelling):
        return False
    share = _most_share_against(labelling)
    if labelling.against > max(MOST_AGAINST, share * labelling.supporting):
        return False
    if (
        _numerals_are_read(labelling)
        and _row_is_told(labelling)
        and labelling.against < CLEAR_AGAINST
    ):
        return True
    if not (
        _numerals_are_read(labelling)
        or _row_is_told(labelling)
        or _nozzle_tells(labelling)
        or _lines_tell(labelling)
    ):
        return False
    # a mirror leaves some numerals as they are, 1 and 8 and 0, and the others contradict; lines
    # look the same in it, and through the barrel from behind
    return not reads_better_mirrored(graduations, labelling)


def _from_the_side(labelling: Labelling) -> bool:
    return abs(labelling.azimuth) > FROM_THE_SIDE


def _without_doubt(labelling: Labelling) -> bool:
    """True if many words agree and no other reading of the lines comes near."""
    return (
        labelling.margin >= MARGIN_WITHOUT_DOUBT
        and labelling.numeral_score >= NUMERALS_WITHOUT_DOUBT
        and labelling.supporting >= WORDS_WITHOUT_DOUBT
    )


def _is_read_to_the_end(labelling: Labelling) -> bool:
    """True if the last numeral is read, and so many others that the ends need not be told.

    A liquid's surface or a stopper's ring near the nozzle looks like the barrel's end.
    """
    last = max((value_ml for _, value_ml, _ in labelling.read), default=0.0)
    return (
        _without_doubt(labelling)
        and len(labelling.read) >= WORDS_WITHOUT_DOUBT
        and labelling.against < CLEAR_AGAINST
        and last > labelling.scale.largest_ml - labelling.scale.interval_ml
    )


def _most_share_against(labelling: Labelling) -> float:
    """How many numerals may be read as others, for each that agrees."""
    if _without_doubt(labelling):
        return MOST_SHARE_WITHOUT_DOUBT
    return MOST_SHARE_FROM_THE_SIDE if _from_the_side(labelling) else MOST_SHARE_AGAINST


def _least_margin(labelling: Labelling) -> float:
    """Lead that a labelling must have: less of it with clear numerals."""
    aside = _from_the_side(labelling)
    clear = labelling.numeral_score >= MIN_NUMERALS_UNSURE and not aside
    return MARGIN_WITH_CLEAR_NUMERALS if clear else MARGIN_WITH_NUMERALS


def _numerals_are_read(labelling: Labelling) -> bool:
    """True if numerals speak for the labelling, and two of them are read for sure."""
    # far round, numerals beyond the limb are taken for others: 60 mL was read as 6 with 8.8
    least = MIN_NUMERALS_UNSURE if _from_the_side(labelling) else MIN_NUMERALS
    return labelling.numeral_score >= least and len(labelling.read) >= CLEAR_READ


def _row_is_told(labelling: Labelling) -> bool:
    """True if no numeral need be read for sure, but the row as a whole is."""
    return labelling.numeral_score >= MIN_NUMERALS_UNSURE and labelling.supporting >= MIN_WORDS


def _nozzle_tells(labelling: Labelling) -> bool:
    """True if what is about both ends tells direction and size: for numerals far round or lost."""
    return (
        labelling.margin >= MARGIN_BY_NOZZLE
        and labelling.nozzle >= NOZZLE_SPEAKS
        and labelling.sense >= SENSE_SPEAKS
        and labelling.ends >= 0
    )


def _lines_tell(labelling: Labelling) -> bool:
    """True if count and pattern of the lines leave nothing else.

    A comb looks the same from both ends, so the numerals have to speak for the direction, read or
    not.
    """
    return (
        labelling.lines_margin >= MARGIN_LINES_ALONE
        and labelling.numeral_score >= NUMERALS_FOR_DIRECTION
    )


def tells_by_all(labelling: Labelling) -> bool:
    """True if all witnesses together tell the scale so plainly that a second fit may settle it."""
    return (
        labelling.margin >= MARGIN_TOLD_TWICE_BY_ALL
        and labelling.lines_margin >= LINES_MARGIN_TOLD_TWICE
        and labelling.ends >= ENDS_TOLD_TWICE_BY_ALL
        and labelling.sense >= SENSE_SPEAKS
        and labelling.nozzle >= 0
        and labelling.seen >= SEEN_TOLD_TWICE_BY_ALL
        and labelling.size >= LEAST_SIZE_UNREAD
    )


def tells_without_numerals(labelling: Labelling) -> bool:
    """True if lines, ends and nozzle tell the scale so plainly that a second fit may settle it."""
    return (
        min(labelling.margin, labelling.lines_margin) >= MARGIN_TOLD_TWICE
        and labelling.ends >= ENDS_TOLD_TWICE
        and labelling.sense >= SENSE_SPEAKS
        and labelling.nozzle >= NOZZLE_SPEAKS
        and labelling.seen >= SEEN_TOLD_TWICE
        and labelling.size >= SIZE_TOLD_TWICE
    )


def is_as_stated(labelling: Labelling, free: Labelling) -> bool:
    """True if *labelling*, of a stated syringe, is plain by lines and ends, and not contradicted.

    *free*: the best one of any syringe.  Numerals need not be seen, but what is read must agree.
    """
    return (
        free.score - labelling.score <= MOST_AGAINST_STATED
        and min(labelling.margin, labelling.lines_margin) >= MARGIN_AS_STATED
        and labelling.ends >= ENDS_AS_STATED
        and labelling.sense >= SENSE_SPEAKS
        and labelling.nozzle >= NOZZLE_AS_STATED
        and labelling.seen >= SEEN_TOLD_TWICE
        and labelling.size >= LEAST_SIZE
        and labelling.against <= MOST_AGAINST
    )


def _least_seen(labelling: Labelling) -> float:
    """Share of the lines that has to be seen: less of it if the numerals leave no doubt."""
    told = labelling.numeral_score >= NUMERALS_WITHOUT_DOUBT and labelling.supporting >= MIN_WORDS
    if not told or labelling.against >= CLEAR_AGAINST:
        return LEAST_LINES_SEEN
    # numerals that suppose the lines, and stand where these turn out to be, need fewer of them
    if labelling.supposed and labelling.supporting >= MANY_WORDS:
        return LEAST_LINES_SEEN_IF_SUPPOSED
    if labelling.run >= max(LEAST_RUN, RUN_SHARE * labelling.scale.intervals):
        return LEAST_LINES_SEEN_IN_A_RUN
    return LEAST_LINES_SEEN_IF_TOLD
