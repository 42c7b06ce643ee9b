"""What a learner's records say: counts, bias and spread, by period, task and syringe."""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from ..calc.formatting import format_amount
from ..calc.trend import Change, Summary, change, far_off, periods, share_limits, summarise

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from .record_store import Stored

VERDICTS = ("within", "outside", "undecided", "refused")


@dataclass(frozen=True)
class Group:
    """Checks that have something in common.  ``summary`` is in *unit*: ``%`` of target, or ``mL``.

    ``counts`` has every verdict; the summary is of those that were read, decided or not.
    """

    name: str
    unit: str
    counts: dict[str, int]
    summary: Summary


@dataclass(frozen=True)
class Period:
    """Consecutive checks that were read; dates in UTC, ``YYYY-MM-DD``."""

    first: str
    last: str
    summary: Summary


@dataclass(frozen=True)
class Asked:
    """A known mistake that would explain so many of the checks, with its question of the last."""

    code: str
    checks: int
    question: str


@dataclass(frozen=True)
class Feedback:
    """A learner's trend.  ``checks`` are those that count, oldest first.

    ``volumes`` holds all checks of a volume, ``strengths`` those of a measured strength; tasks and
    syringes are of volumes.  ``repeats`` is how many earlier checks of a photograph were left out,
    since one photograph is one draw.  ``change`` compares the last period with the first.
    ``far_off`` are volumes so far from the others that they are looked at one by one; they count
    everywhere, but for ``without_far_off``, which is as the summary of ``volumes``.  ``asked`` are
    the questions about technique that came up, the commonest first.
    """

    learner: str
    checks: tuple[Stored, ...]
    repeats: int
    volumes: Group
    strengths: Group
    periods: tuple[Period, ...]
    change: Change | None
    tasks: tuple[Group, ...]
    syringes: tuple[Group, ...]
    far_off: tuple[Stored, ...] = ()
    without_far_off: Summary | None = None
    asked: tuple[Asked, ...] = ()

    @property
    def counts(self) -> dict[str, int]:
        """Checks by verdict, volumes and strengths."""
        return {v: self.volumes.counts[v] + self.strengths.counts[v] for v in VERDICTS}

    @property
    def decided(self) -> int:
        """Checks that ended within or outside."""
        return self.counts["within"] + self.counts["outside"]

    @property
    def share_within(self) -> tuple[float, float, float] | None:
        """Share within of those decided, with its exact 95 % limits."""
        if self.decided == 0:
            return None
        within = self.counts["within"]
        return within / self.decided, *share_limits(within, self.decided)

    def record(self) -> dict[str, Any]:
        """The machine-readable form."""
        share = self.share_within
        return {
            "learner": self.learner,
            "counts": self.counts,
            "repeats_left_out": self.repeats,
            "decided": self.decided,
            "share_within": None if share is None else round(share[0], 6),
            "share_within_limits": None if share is None else [round(x, 6) for x in share[1:]],
            "volumes": _group_record(self.volumes),
            "periods": [
                {"first": p.first, "last": p.last, "unit": "%", **_summary_record(p.summary)}
                for p in self.periods
            ],
            "change": None if self.change is None else _rounded(asdict(self.change)),
            "tasks": [_group_record(group) for group in self.tasks],
            "syringes": [_group_record(group) for group in self.syringes],
            "strengths": _group_record(self.strengths),
            "far_off": [stored.number for stored in self.far_off],
            "without_far_off": (
                None if self.without_far_off is None else _summary_record(self.without_far_off)
            ),
            "asked": [asdict(asked) for asked in self.asked],
            "confidence": 0.95,
            "advisory": True,
            "schema": 1,
        }


def feedback_of(learner: str, records: Iterable[Stored]) -> Feedback:
    """Gather *records* of one learner, oldest first."""
    records = list(records)
    checks = _latest_of_each_photograph(records)
    volumes = [stored for stored in checks if stored.entry.kind == "volume"]
    strengths = [stored for stored in checks if stored.entry.kind == "strength"]
    read = [stored for stored in volumes if stored.entry.deviation_ml is not None]
    far = [read[place] for place in far_off([s.entry.relative_deviation or 0.0 for s in read])]
    near = [stored for stored in read if stored not in far]
    cut = tuple(_period(read[part]) for part in periods(len(read))) if read else ()
    return Feedback(
        learner=learner,
        checks=tuple(checks),
        repeats=len(records) - len(checks),
        volumes=_group("all volumes", "%", volumes),
        strengths=_group("measured strengths", "%", strengths),
        periods=cut,
        change=change(cut[0].summary, cut[-1].summary) if len(cut) > 1 else None,
        tasks=_groups(volumes, lambda stored: stored.task or "no task named", "%"),
        syringes=_groups(volumes, _syringe, "mL"),
        far_off=tuple(far),
        without_far_off=_summary("%", near) if far else None,
        asked=_asked(checks),
    )


def percent_deviation(stored: Stored) -> tuple[float, float] | None:
    """Deviation and its standard uncertainty in percent of the target, if it was read."""
    entry = stored.entry
    if entry.relative_deviation is None or entry.relative_standard_uncertainty is None:
        return None
    return 100 * entry.relative_deviation, 100 * entry.relative_standard_uncertainty


def percent_tolerance(stored: Stored) -> float | None:
    """The tolerance in percent of the target, where it is known."""
    entry = stored.entry
    if entry.relative_tolerance is not None:
        return 100 * entry.relative_tolerance
    if entry.tolerance_ml is None or not entry.target_ml:
        return None
    return 100 * entry.tolerance_ml / entry.target_ml


def _latest_of_each_photograph(records: Sequence[Stored]) -> list[Stored]:
    """Without the earlier checks of a photograph, which is one draw however often it is checked."""
    latest = {(s.entry.kind, s.entry.photos or s.number): s.number for s in records}
    kept = set(latest.values())
    return [stored for stored in records if stored.number in kept]


def _asked(checks: Sequence[Stored]) -> tuple[Asked, ...]:
    """The suggestions of the checks by their codes; what has not their form is passed over."""
    counts: Counter[str] = Counter()
    questions: dict[str, str] = {}
    for stored in checks:
        suggestions = stored.entry.check.get("suggestions")
        found = {
            suggestion["code"]: suggestion["question"]
            for suggestion in (suggestions if isinstance(suggestions, list) else [])
            if isinstance(suggestion, dict)
            and all(isinstance(suggestion.get(key), str) for key in ("code", "question"))
            and suggestion["question"].isprintable()
        }
        counts.update(found.keys())
        questions |= found
    return tuple(Asked(code, n, questions[code]) for code, n in counts.most_common())


def _syringe(stored: Stored) -> str | None:
    capacity_ml = stored.entry.capacity_ml
    return None if capacity_ml is None else format_amount(capacity_ml)


def _groups(
    records: Sequence[Stored], name_of: Callable[[Stored], str | None], unit: str
) -> tuple[Group, ...]:
    """One group a name, the largest first; a record without one (refused) is in none."""
    named: dict[str, list[Stored]] = {}
    for stored in records:
        if (name := name_of(stored)) is not None:
            named.setdefault(name, []).append(stored)
    largest_first = sorted(named.items(), key=lambda item: (-len(item[1]), item[0]))
    return tuple(_group(name, unit, members) for name, members in largest_first)


def _group(name: str, unit: str, records: Sequence[Stored]) -> Group:
    counts = Counter(stored.entry.verdict for stored in records)
    return Group(name, unit, {v: counts[v] for v in VERDICTS}, _summary(unit, records))


def _summary(unit: str, records: Sequence[Stored]) -> Summary:
    if unit == "%":
        pairs = [pair for stored in records if (pair := percent_deviation(stored)) is not None]
    else:
        pairs = [
            (entry.deviation_ml, entry.standard_uncertainty_ml)
            for entry in (stored.entry for stored in records)
            if entry.deviation_ml is not None and entry.standard_uncertainty_ml is not None
        ]
    return summarise([d for d, _ in pairs], [u for _, u in pairs])


def _period(records: Sequence[Stored]) -> Period:
    return Period(records[0].recorded_at[:10], records[-1].recorded_at[:10], _summary("%", records))


def _group_record(group: Group) -> dict[str, Any]:
    return {
        "name": group.name,
        "unit": group.unit,
        "counts": group.counts,
        **_summary_record(group.summary),
    }


def _summary_record(summary: Summary) -> dict[str, Any]:
    return _rounded(asdict(summary)) | {"few": summary.few, "biased": summary.biased}


def _rounded(values: dict[str, Any]) -> dict[str, Any]:
    def rounded(value: Any) -> Any:
        if isinstance(value, tuple):
            return [rounded(item) for item in value]
        return round(value, 6) if isinstance(value, float) else value

    return {key: rounded(value) for key, value in values.items()}
