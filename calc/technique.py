"""Which known mistake would explain a deviation: likelihoods, and a question where one fits.

Each mistake says where the stopper's front ring would then stand, exactly or within a range; the
reading's uncertainty and the scatter of setting a plunger by eye blur it.  It is compared with
`no particular mistake`, a broad scatter about the target, so that a large deviation is not laid
to a mistake just because nothing else is on the list.  Only what fits is said, and as a question:
the photograph shows a volume, not a hand.  docs/technique.md has the model and its trial.

What the shares, ranges and thresholds below rest on is common practice, no source, unless said.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from statistics import NormalDist

from .formatting import format_amount
from .syringe import Syringe

# Bore, mm, by nominal capacity, mL: common practice, no source; makers differ by some percent,
# which the ranges below hold.
BORES_MM: tuple[tuple[float, float], ...] = (
    (1, 4.7),
    (2, 8.7),
    (3, 9.0),
    (5, 12.4),
    (10, 15.2),
    (20, 19.6),
    (30, 22.5),
    (50, 27.8),
)
# In bore radii: height of a rubber stopper's cone, and the way from the front ring's leading
# edge to the rear ring (its near edge, typical; its far edge, at most).
CONE_RADII = (0.28, 0.72)
REAR_RING_RADII = (0.46, 1.1)
MEASURED_SHARE = 0.06  # standard uncertainty of a length measured on the photograph, of itself
RING_WIDTH_SHARE = 0.2  # a rear ring is set by its near edge, its far one, or between: of the way
DEAD_SPACE_SHARE = (0.2, 1.0)  # of what ISO 7886-1 permits

# Standard deviation of setting a ring by eye where somebody takes care: 0.1 to 0.2 intervals is
# what practised people do (from memory).
SETTING_INTERVALS = 0.2

# `no particular mistake`: shares of careful work, ordinary carelessness, and anything at all.
CAREFUL, CARELESS, ANYTHING = 0.5, 0.4, 0.1
CARELESS_SHARE = 0.05  # of the target; and one scale interval on top
SECOND_MISTAKE = 0.2  # prior of another mistake where air was left in as well
PRIOR_NONE = 0.5  # the mistakes that are possible share the rest equally

FITS_WITHIN = 2.0  # standard deviations between the deviation and what the mistake predicts
LEAST_RATIO = 4.0  # likelihood over that of no particular mistake
LEAST_PROBABILITY = 0.5  # of all that is told together: more likely than not
RIVAL = 5.0  # of two mistakes nearer than this in likelihood neither is told from the other
MOST_ALTERNATIVES = 3
RESOLVED = 2.0  # standard uncertainties that make air, or a deviation, more than a doubt

AIR = "air-left-in"

_NORMAL = NormalDist()


@dataclass(frozen=True)
class Geometry:
    """Lengths along this syringe's axis, mL, as measured on the photograph; ``None``: typical.

    ``ring_spacing_ml``: front ring's leading edge to the rear ring's.  ``cone_height_ml``: front
    ring's leading edge to the cone's tip.
    """

    ring_spacing_ml: float | None = None
    cone_height_ml: float | None = None

    def __post_init__(self) -> None:
        for name in ("ring_spacing_ml", "cone_height_ml"):
            value = getattr(self, name)
            if value is not None and not (math.isfinite(value) and value > 0):
                raise ValueError(f"{name} must be above zero, not {value}")


@dataclass(frozen=True)
class Drawn:
    """What was wanted and what the photograph shows; volumes in mL.

    ``volume_ml`` is at the front ring, air included.  ``numbered_every_ml`` is the step between
    numbered lines where it is known, ``part_ml`` one part of a dilution where this is a stage of
    one, ``dead_space_ml`` the largest dead space (ISO 7886-1's unless given).
    """

    target_ml: float
    volume_ml: float
    standard_uncertainty_ml: float
    syringe: Syringe
    air_ml: float = 0.0
    air_standard_uncertainty_ml: float = 0.0
    numbered_every_ml: float | None = None
    part_ml: float | None = None
    dead_space_ml: float | None = None
    geometry: Geometry = field(default_factory=Geometry)

    @property
    def deviation_ml(self) -> float:
        """Liquid less target."""
        return self.volume_ml - self.air_ml - self.target_ml

    @property
    def liquid_standard_uncertainty_ml(self) -> float:
        """Of the liquid, the air's doubt included."""
        return math.hypot(self.standard_uncertainty_ml, self.air_standard_uncertainty_ml)


@dataclass(frozen=True)
class Mistake:
    """A mistake and the offset from what was wanted that it leads to, from *low* to *high*.

    ``sd`` is what the offset itself is uncertain by; ``weight`` the share of its code's prior
    when one mistake comes in several forms (a line too many, a line too few).
    """

    code: str
    question: str
    low: float
    high: float
    sd: float = 0.0
    weight: float = 1.0

    @property
    def middle(self) -> float:
        """Middle of the range."""
        return (self.low + self.high) / 2

    def likelihood(self, offset: float, sd: float) -> float:
        """Probability density of *offset* when it is blurred by a normal *sd*; integrates to 1."""
        blur = math.hypot(sd, self.sd)
        if self.high - self.low < 1e-6 * blur:
            return _NORMAL.pdf((offset - self.middle) / blur) / blur
        share = _NORMAL.cdf((offset - self.low) / blur) - _NORMAL.cdf((offset - self.high) / blur)
        return share / (self.high - self.low)

    def distance(self, offset: float, sd: float) -> float:
        """From *offset* to the range, in standard deviations; zero inside it."""
        outside = max(self.low - offset, offset - self.high, 0.0)
        return outside / math.hypot(sd, self.sd)


@dataclass(frozen=True)
class AirLeft(Mistake):
    """Air left in front of a ring that was set as people set it: carefully, or with *careless*."""

    careless: float = 0.0

    def likelihood(self, offset: float, sd: float) -> float:
        """As `Mistake.likelihood`."""
        wide = math.hypot(sd, self.careless)
        careful = CAREFUL * _NORMAL.pdf(offset / sd) / sd
        careless = CARELESS * _NORMAL.pdf(offset / wide) / wide
        return (careful + careless) / (CAREFUL + CARELESS)

    def distance(self, offset: float, sd: float) -> float:
        """As `Mistake.distance`."""
        return abs(offset) / math.hypot(sd, self.careless)


@dataclass(frozen=True)
class Scatter:
    """`No particular mistake`: careful work of standard deviation 0 (the blur alone), careless
    work of *careless*, and anything from *lowest* to *highest*; offsets from what was wanted.
    The first two lie about *centre*: with air in front of the ring, the liquid is what they get
    right."""

    careless: float
    lowest: float
    highest: float
    centre: float = 0.0

    def likelihood(self, offset: float, sd: float) -> float:
        """As `Mistake.likelihood`."""
        wide = math.hypot(sd, self.careless)
        off = offset - self.centre
        anything = Mistake("", "", self.lowest, self.highest)
        return (
            CAREFUL * _NORMAL.pdf(off / sd) / sd
            + CARELESS * _NORMAL.pdf(off / wide) / wide
            + ANYTHING * anything.likelihood(offset, sd)
        )


@dataclass(frozen=True)
class Suggestion:
    """A mistake that fits, as a question to the learner, and its figures for the instructor.

    ``predicted_deviation`` is the middle of what it would give, in the unit of the deviation
    (mL; for a dilution a share of the strength).  ``likelihood_ratio`` is against no particular
    mistake; ``probability`` among all that are considered, none included.
    """

    code: str
    question: str
    predicted_deviation: float
    likelihood_ratio: float
    probability: float


def draw_suggestions(drawn: Drawn, tolerance_ml: float) -> tuple[Suggestion, ...]:
    """Mistakes that would explain the deviation of *drawn*, air first, then the likeliest.

    Several are alternatives that the photograph does not tell apart.  Empty where the deviation
    is within *tolerance_ml* or within the reading's own doubt, where nothing on the list fits,
    or where so much fits that naming it would say nothing.
    """
    doubt = RESOLVED * drawn.liquid_standard_uncertainty_ml
    if abs(drawn.deviation_ml) <= max(tolerance_ml, doubt):
        return ()
    # Where air was seen, mistakes are about the ring; otherwise ring and liquid are one.
    air = drawn.air_ml if _has_air(drawn) else 0.0
    found = weigh(
        drawn.deviation_ml + air,
        _blur(drawn),
        draw_mistakes(drawn),
        Scatter(
            careless=_careless_ml(drawn),
            lowest=-drawn.target_ml,
            highest=max(drawn.syringe.graduated_max_ml, drawn.volume_ml) - drawn.target_ml,
            centre=air,
        ),
        shift=-air,
    )
    # air that was seen is no guess
    return tuple(sorted(found, key=lambda s: s.code != AIR))


def dilution_suggestions(
    relative_deviation: float,
    relative_standard_uncertainty: float,
    *,
    share: float,
    drug_ml: float,
    syringe: Syringe,
    relative_tolerance: float,
) -> tuple[Suggestion, ...]:
    """As `draw_suggestions`, for the strength made against the one wanted.

    *share* is the drug's part wanted, *drug_ml* its volume then; deviations are fractions of the
    strength wanted.
    """
    limit = max(relative_tolerance, RESOLVED * relative_standard_uncertainty)
    if abs(relative_deviation) <= limit:
        return ()
    line = syringe.interval_ml / drug_ml
    setting = SETTING_INTERVALS * syringe.interval_ml / drug_ml
    return weigh(
        relative_deviation,
        math.hypot(relative_standard_uncertainty, setting),
        [
            Mistake("extra-part", _EXTRA_PART, -share / (1 + share), -share / (1 + share)),
            *_either_way("scale-interval", _LINE, line, format_amount(syringe.interval_ml)),
        ],
        Scatter(
            careless=math.hypot(line, CARELESS_SHARE),
            lowest=-1.0,
            highest=max(1.0, relative_deviation),
        ),
    )


def weigh(
    offset: float,
    sd: float,
    mistakes: Sequence[Mistake],
    scatter: Scatter,
    *,
    shift: float = 0.0,
) -> tuple[Suggestion, ...]:
    """Which of *mistakes* explain *offset*, blurred by *sd*, better than *scatter* does.

    All in one unit.  *shift* is added to what is reported as predicted.
    """
    none = scatter.likelihood(offset, sd)
    likelihoods = [mistake.likelihood(offset, sd) for mistake in mistakes]
    share = (1 - PRIOR_NONE) / max(len({mistake.code for mistake in mistakes}), 1)
    posts = [m.weight * share * p for m, p in zip(mistakes, likelihoods, strict=True)]
    whole = PRIOR_NONE * none + sum(posts)
    found = [
        Suggestion(
            m.code,
            m.question,
            m.middle + shift,
            m.weight * p / none if none > 0 else math.inf,
            post / whole,
        )
        for m, p, post in zip(mistakes, likelihoods, posts, strict=True)
        if p > 0 and m.distance(offset, sd) <= FITS_WITHIN
    ]
    found = [s for s in found if s.likelihood_ratio >= LEAST_RATIO]
    found.sort(key=lambda s: -s.likelihood_ratio)
    told = [s for s in found if s.likelihood_ratio * RIVAL >= found[0].likelihood_ratio]
    likely = sum(s.probability for s in told) >= LEAST_PROBABILITY
    return tuple(told) if likely and len(told) <= MOST_ALTERNATIVES else ()


_EXTRA_PART = (
    "Was one part of diluent too much taken: so many parts added to one part, instead of so many "
    "parts together?"
)
_LINE = "Was one line of the scale ({step}) counted too {way}?"
_NUMBER = "Was the count begun one number of the scale ({step}) too {way}?"


def _either_way(code: str, question: str, step: float, said: str) -> Iterable[Mistake]:
    ways = ("high", "low") if question is _NUMBER else ("many", "few")
    for sign, way in zip((1, -1), ways, strict=True):
        text = question.format(step=said, way=way)
        yield Mistake(code, text, sign * step, sign * step, weight=0.5)


def draw_mistakes(drawn: Drawn) -> list[Mistake]:
    """The mistakes possible with this syringe and target; offsets of the front ring in mL.

    Where air was seen, any other mistake is a second one, and so much the less likely.
    """
    others = [*_rings(drawn), *_counting(drawn), *_dilution(drawn), *_dead_space(drawn)]
    if _has_air(drawn):
        others = [replace(m, weight=SECOND_MISTAKE * m.weight) for m in others]
    return [m for m in (*others, *_air(drawn)) if _possible(m, drawn)]


def _possible(mistake: Mistake, drawn: Drawn) -> bool:
    """Whether it leaves the ring on the scale, and not where a good draw would be too."""
    blur = _blur(drawn)
    highest = drawn.syringe.graduated_max_ml - drawn.target_ml
    if not -drawn.target_ml < mistake.middle <= highest + blur:
        return False
    return mistake.code == AIR or max(-mistake.low, mistake.high) > RESOLVED * blur


def _blur(drawn: Drawn) -> float:
    """What the ring's place is uncertain by: the reading, and setting it by eye.

    Air that may be none is a doubt about where the liquid ends.
    """
    reading = (
        drawn.standard_uncertainty_ml if _has_air(drawn) else drawn.liquid_standard_uncertainty_ml
    )
    return math.hypot(reading, SETTING_INTERVALS * drawn.syringe.interval_ml)


def _careless_ml(drawn: Drawn) -> float:
    return math.hypot(drawn.syringe.interval_ml, CARELESS_SHARE * drawn.target_ml)


def ml_per_bore_radius(capacity_ml: float) -> float:
    """Volume of a typical barrel along one bore radius of its length, mL.

    Between the sizes of the table the radius is interpolated in the logarithm of capacity.
    """
    sizes = BORES_MM
    below = max((s for s in sizes if s[0] <= capacity_ml), default=sizes[0])
    above = min((s for s in sizes if s[0] >= capacity_ml), default=sizes[-1])
    bore = below[1]
    if above[0] > below[0]:
        way = math.log(capacity_ml / below[0]) / math.log(above[0] / below[0])
        bore = below[1] * (above[1] / below[1]) ** way
    return math.pi * (bore / 2) ** 3 / 1000


def _rings(drawn: Drawn) -> Iterable[Mistake]:
    unit = ml_per_bore_radius(drawn.syringe.capacity_ml)
    cone, spacing = drawn.geometry.cone_height_ml, drawn.geometry.ring_spacing_ml
    tip = "Did the cone's tip, rather than the front ring, sit on the line?"
    if cone is not None:
        yield Mistake("cone-tip", tip, cone, cone, sd=MEASURED_SHARE * cone)
    else:
        yield Mistake("cone-tip", tip, CONE_RADII[0] * unit, CONE_RADII[1] * unit)
    rear = "Did the rear ring, rather than the front ring, sit on the line?"
    if spacing is not None:
        far = spacing * (1 + RING_WIDTH_SHARE)
        yield Mistake("rear-ring", rear, -far, -spacing, sd=MEASURED_SHARE * spacing)
    else:
        yield Mistake("rear-ring", rear, -REAR_RING_RADII[1] * unit, -REAR_RING_RADII[0] * unit)


def _counting(drawn: Drawn) -> Iterable[Mistake]:
    interval, numbered, target = (
        drawn.syringe.interval_ml,
        drawn.numbered_every_ml,
        drawn.target_ml,
    )
    yield from _either_way("scale-interval", _LINE, interval, format_amount(interval))
    if numbered is not None and numbered > 1.5 * interval:
        yield from _either_way("numbered-interval", _NUMBER, numbered, format_amount(numbered))
        # lines past the last number, each taken for another worth than it has
        past = target - numbered * math.floor(target / numbered + 1e-9)
        if past > 0.5 * interval:
            for factor in (2.0, 0.5):
                taken = format_amount(interval / factor)
                question = (
                    f"Was each line taken for {taken}? On this syringe it is "
                    f"{format_amount(interval)}."
                )
                offset = (factor - 1) * past
                yield Mistake("line-value", question, offset, offset, weight=0.5)
    for factor in (10.0, 0.1):
        drawn_instead = format_amount(target * factor)
        question = (
            f"Was the decimal point read in another place: {drawn_instead} "
            f"instead of {format_amount(target)}?"
        )
        offset = (factor - 1) * target
        yield Mistake("decimal-point", question, offset, offset, weight=0.5)


def _air(drawn: Drawn) -> Iterable[Mistake]:
    if _has_air(drawn) and drawn.deviation_ml < 0:
        about = format_amount(drawn.air_ml, significant=1)
        question = f"Was air left in? About {about} of it is in front of the ring."
        yield AirLeft(AIR, question, 0.0, 0.0, careless=_careless_ml(drawn))


def _dead_space(drawn: Drawn) -> Iterable[Mistake]:
    if _has_air(drawn):
        return  # the air was not pushed out
    largest = drawn.dead_space_ml
    if largest is None:
        largest = drawn.syringe.band.dead_space_ml
    question = (
        "Was the air of the nozzle and needle pushed out after the ring was set, and nothing "
        "drawn in again?"
    )
    low, high = (share * largest for share in DEAD_SPACE_SHARE)
    yield Mistake("dead-space", question, -high, -low)


def _has_air(drawn: Drawn) -> bool:
    """Whether more air was seen than might be none."""
    return drawn.air_ml > RESOLVED * drawn.air_standard_uncertainty_ml


def _dilution(drawn: Drawn) -> Iterable[Mistake]:
    if drawn.part_ml is not None:
        yield Mistake("extra-part", _EXTRA_PART, drawn.part_ml, drawn.part_ml)
