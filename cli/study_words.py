"""What a study says in words, line by line."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, TypeVar

from ..calc.formatting import decimals_for, fixed, format_measured

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from ..calc.study.agreement import Agreement
    from ..calc.study.components import Components
    from ..calc.study.gravimetric import Against, Volume
    from ..calc.study.precision import Precision

T = TypeVar("T")
MOST_ROWS = 10  # weighings told one by one


def _row(name: str, text: str) -> str:
    return f"  {name.ljust(16)} {text}"


def _to(ci: tuple[float, float], places: int) -> str:
    upper = fixed(ci[1], places) if math.isfinite(ci[1]) else "no limit"
    return f"{fixed(ci[0], places)} to {upper}"


def agreement_lines(result: Agreement, unit: str) -> list[str]:
    places = decimals_for((result.bias_ci[1] - result.bias_ci[0]) / 5)
    sure = f"{100 * result.confidence:g} % confidence"

    lines = [
        _row("bias", f"{fixed(result.bias, places)} {unit} ({sure} {_to(result.bias_ci, places)})"),
        _row(
            "limits",
            f"{_to((result.lower.value, result.upper.value), places)} {unit}: bias ± "
            f"{result.multiple:.2f} × {fixed(result.sd, places)} {unit}, "
            f"{result.within_limits} of {result.n} inside",
        ),
        _row("  lower", f"{sure}, exact: {_to(result.lower.ci, places)} {unit}"),
        _row("  upper", f"{sure}, exact: {_to(result.upper.ci, places)} {unit}"),
        _row("  as a pair", f"outer {_to(result.pair_outer, places)} {unit}"),
    ]
    if result.slope is not None:
        slope = result.slope
        lines.append(
            _row(
                "proportional",
                f"slope {slope.per_mean:.3g} ({sure} {slope.ci[0]:.3g} to {slope.ci[1]:.3g})",
            )
        )
    if result.concordance is not None:
        c = result.concordance
        span = "" if c.ci is None else f" ({sure} {c.ci[0]:.4f} to {c.ci[1]:.4f})"
        lines.append(_row("concordance", f"{c.value:.4f}{span}, Lin's coefficient"))
    return lines + [f"Note: {note}" for note in result.notes]


def agreement_short(result: Agreement, unit: str) -> str:
    places = decimals_for((result.bias_ci[1] - result.bias_ci[0]) / 5)
    return (
        f"n = {result.n}, bias {fixed(result.bias, places)} {unit}, "
        f"limits {_to((result.lower.value, result.upper.value), places)} {unit}"
    )


def between_lines(by: str | None, p: float | None) -> list[str]:
    """What different biases of the groups mean for the limits of all pairs together."""
    if p is None or p >= 0.05:
        return []
    return [
        f"Note: The bias differs between the groups of '{by}' (p = {p:.2g}): pairs of one group go "
        "together, and the confidence intervals of all pairs are narrower than they should be."
    ]


def group_lines(
    by: str | None, parts: Mapping[str, T | str], text: Callable[[T], str]
) -> list[str]:
    if by is None:
        return []
    return [
        f"By '{by}':",
        *(
            _row(name, part if isinstance(part, str) else text(part))
            for name, part in parts.items()
        ),
    ]


def precision_lines(
    group: str, level: str | None, found: Mapping[str, Precision | str], unit: str
) -> list[str]:
    lines = []
    for name, result in found.items():
        if level is not None:
            lines.append(f"Level '{name}':")
        if isinstance(result, str):
            lines.append(f"  {result}")
            continue
        places = decimals_for(result.s_r / 10)
        sure = f"{100 * result.confidence:g} % confidence"
        lines += [
            _row("groups", f"{len(result.groups)} of '{group}', {result.n} values"),
            _row("mean", f"{fixed(result.mean, places)} {unit}"),
            _row(
                "repeatability",
                f"s_r = {fixed(result.s_r, places)} {unit} ({sure} {_to(result.s_r_ci, places)}); "
                f"limit r = {fixed(result.repeatability_limit, places)} {unit}",
            ),
            _row("between groups", f"s_L = {fixed(result.s_between, places)} {unit}"),
            _row(
                "reproducibility",
                f"s_R = {fixed(result.s_reproducibility, places)} {unit} ({sure}, approximate, "
                f"{_to(result.s_reproducibility_ci, places)}); "
                f"limit R = {fixed(result.reproducibility_limit, places)} {unit}",
            ),
        ]
        lines += [
            _row(flag.kind, f"'{flag.group}' ({flag.test} {flag.statistic:.3f}, p = {flag.p:.2g})")
            for flag in result.flags
        ]
        lines += [f"Note: {note}" for note in result.notes]
    return lines


def component_lines(result: Components, unit: str) -> list[str]:
    places = decimals_for(result.total_sd / 10)
    sure = f"{100 * result.confidence:g} % confidence"
    lines = ["Variance components (REML), as standard deviations:"]
    for part in result.parts:
        levels = "" if part.levels is None else f", {part.levels} levels"
        lines.append(
            _row(
                part.factor,
                f"{fixed(part.sd, places)} {unit} ({sure} {_to(part.sd_ci, places)}), "
                f"{100 * part.share:.1f} % of the variance{levels}",
            )
        )
    lines.append(_row("together", f"{fixed(result.total_sd, places)} {unit}"))
    return lines + [f"Note: {note}" for note in result.notes]


def weighed_lines(
    name: str,
    weighed: Sequence[Volume],
    reading: str | None,
    by: str | None,
    compared: Mapping[str, Against | str],
) -> list[str]:
    n = len(weighed)
    lines = [f"{name}: {n} weighing{'s' * (n != 1)}; volume of water with k = 2"]
    lines += [
        _row(f"row {i}", format_measured(v.volume_ml, 2 * v.standard_uncertainty_ml))
        for i, v in enumerate(weighed[:MOST_ROWS], 1)
    ]
    if n > MOST_ROWS:
        lines.append(f"  ... and {n - MOST_ROWS} more, in the files")
    first = weighed[0].budget
    shown = ", ".join(f"{cause} {part:.2g} mL" for cause, part in list(first.items())[:3])
    lines.append(_row("doubt of row 1", f"mostly {shown}"))
    if reading is not None:
        lines.append(f"'{reading}' against the weighed volume:")
        for group, part in compared.items():
            label = group if group == "all" else f"{by} {group}"
            lines.append(_row(label, part if isinstance(part, str) else _against_text(part)))
        whole = compared["all"]
        lines += [f"Note: {note}" for note in ([] if isinstance(whole, str) else whole.notes)]
    return lines


def _against_text(part: Against) -> str:
    u = 2 * part.systematic_standard_uncertainty_ml
    return (
        f"n = {part.n}, systematic error {format_measured(part.systematic_error_ml, u)} (k = 2), "
        f"{fixed(part.systematic_error_percent, 2, sign=True)} %; random error (SD) "
        f"{fixed(part.random_error_ml, decimals_for(u))} mL, {part.random_error_percent:.2f} %"
    )
