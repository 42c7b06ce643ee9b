"""The figures of a study, for print: readable in grey, the same bytes from the same data.

Everything is drawn in greys, and groups differ by the shape of their markers, so that a figure
survives a photocopier.  No date and no program version go into the files.
"""

from __future__ import annotations

import io
import math
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from ..calc.study.agreement import Agreement, Limit
    from ..calc.study.components import Components
    from ..calc.study.precision import Precision

_STYLE: dict[Any, Any] = {
    "font.size": 9,
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],  # comes with matplotlib, so it is the same everywhere
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.linewidth": 0.8,
    "legend.frameon": False,
    "svg.hashsalt": "drawmark",
    "svg.fonttype": "path",
    "savefig.dpi": 300,
}
MARKERS = "os^Dvx+*"
INK, SOFT, BAND = "#111111", "#5a5a5a", "#d9d9d9"
MOST_NAMED = 8  # more groups than markers are drawn alike


def rendered(draw: Callable[[], Figure]) -> dict[str, bytes]:
    """What *draw* draws, as ``svg`` and ``png``."""
    import matplotlib as mpl

    metadata: dict[str, dict[str, str | None]] = {
        "svg": {"Date": None, "Creator": None},
        "png": {"Software": None},
    }
    files = {}
    with mpl.rc_context(_STYLE):
        figure = draw()
        for kind, about in metadata.items():
            buffer = io.BytesIO()
            figure.savefig(buffer, format=kind, metadata=about)
            files[kind] = buffer.getvalue()
    return files


def _figure(columns: int = 1, widths: Sequence[float] = (1.0,)) -> tuple[Figure, Any]:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.0, 4.2), layout="constrained")
    FigureCanvasAgg(figure)
    return figure, figure.subplots(1, columns, squeeze=False, width_ratios=list(widths))[0]


def agreement_figure(
    reference: Sequence[float],
    measured: Sequence[float],
    groups: Sequence[str] | None,
    result: Agreement,
    *,
    names: tuple[str, str],
    unit: str,
    by: str = "",
) -> Figure:
    """Differences over means with bias, limits of agreement and their exact confidence bands.

    *names* are what reference and measured are called; *groups* names each pair's group.
    """
    figure, (axes,) = _figure()
    means = [(a + b) / 2 for a, b in zip(reference, measured, strict=True)]
    differences = [b - a for a, b in zip(reference, measured, strict=True)]
    _band(axes, result.bias, result.bias_ci, "-", "bias", unit)
    _limit(axes, result.lower, f"−{result.multiple:.2f} SD", unit)
    _limit(axes, result.upper, f"+{result.multiple:.2f} SD", unit)
    axes.axhline(0, color=SOFT, linewidth=0.6, zorder=1)
    _points(axes, means, differences, groups)
    slope = result.slope
    if slope is not None and not slope.ci[0] <= 0 <= slope.ci[1]:
        ends = [min(means), max(means)]
        axes.plot(
            ends,
            [slope.intercept + slope.per_mean * x for x in ends],
            color=INK,
            linewidth=1.0,
            linestyle=(0, (6, 2, 1, 2)),
            label="difference regressed on mean",
        )
    axes.set_xlabel(f"mean of {names[0]} and {names[1]} ({unit})")
    axes.set_ylabel(f"{names[1]} − {names[0]} ({unit})")
    axes.set_title(
        f"n = {result.n}; bands: exact {100 * result.confidence:g} % confidence",
        fontsize=9,
        loc="left",
    )
    _legend(axes, by)
    return figure


def _limit(axes: Axes, limit: Limit, name: str, unit: str) -> None:
    _band(axes, limit.value, limit.ci, (0, (5, 3)), name, unit)


def _band(
    axes: Axes, value: float, ci: tuple[float, float], line: Any, name: str, unit: str
) -> None:
    axes.axhspan(*ci, color=BAND, linewidth=0, zorder=0)
    axes.axhline(value, color=INK, linewidth=1.1, linestyle=line, zorder=2)
    axes.annotate(
        f"{name}\n{_short(value, ci)} {unit}",
        xy=(1.01, value),
        xycoords=("axes fraction", "data"),
        va="center",
        fontsize=8,
        annotation_clip=False,
    )


def _short(value: float, ci: tuple[float, float]) -> str:
    from ..calc.formatting import decimals_for, fixed

    return fixed(value, decimals_for((ci[1] - ci[0]) / 5)).replace("-", "−")


def _points(
    axes: Axes, x: Sequence[float], y: Sequence[float], groups: Sequence[str] | None
) -> None:
    labels = list(dict.fromkeys(groups or ()))
    if not 1 < len(labels) <= MOST_NAMED:
        axes.plot(x, y, "o", color=INK, markersize=4.5, markerfacecolor="white", zorder=3)
        return
    assert groups is not None
    for marker, label in zip(MARKERS, labels, strict=False):
        at = [i for i, group in enumerate(groups) if group == label]
        axes.plot(
            [x[i] for i in at],
            [y[i] for i in at],
            marker,
            color=INK,
            markersize=4.5,
            markerfacecolor="white",
            zorder=3,
            label=label,
        )


def _legend(axes: Axes, by: str) -> None:
    """Below the axes, headed by the name of the column that the groups come from."""
    if axes.get_legend_handles_labels()[0]:
        axes.legend(
            loc="upper left",
            bbox_to_anchor=(0, -0.14),
            ncols=5,
            fontsize=8,
            title=by or None,
            title_fontsize=8,
            alignment="left",
        )


def precision_figure(
    values: Sequence[float],
    groups: Sequence[str],
    result: Precision,
    *,
    name: str,
    unit: str,
    by: str,
) -> Figure:
    """Every value by group with the group means, and the three standard deviations."""
    figure, (left, right) = _figure(2, (2.2, 1.0))
    shown = [group.name for group in result.groups]
    place = {label: i for i, label in enumerate(shown)}
    left.axhspan(result.mean - result.s_r, result.mean + result.s_r, color=BAND, linewidth=0)
    left.axhline(result.mean, color=SOFT, linewidth=0.9)
    left.plot(
        [place[g] for g in groups],
        values,
        "o",
        color=INK,
        markerfacecolor="white",
        markersize=4.5,
        label="value",
    )
    left.plot(
        range(len(shown)),
        [group.mean for group in result.groups],
        "_",
        color=INK,
        markersize=16,
        markeredgewidth=1.6,
        label="mean of the group",
    )
    _names_below(left, shown)
    left.set_xlabel(by)
    left.set_ylabel(f"{name} ({unit})")
    left.set_title(
        f"n = {result.n} in {len(shown)} groups; band: mean ± $s_r$", fontsize=9, loc="left"
    )
    bars = (
        ("$s_r$", result.s_r, result.s_r_ci),
        ("$s_L$", result.s_between, None),
        ("$s_R$", result.s_reproducibility, result.s_reproducibility_ci),
    )
    for i, (_, value, ci) in enumerate(bars):
        right.bar(i, value, width=0.55, color="#bdbdbd", edgecolor=INK, linewidth=0.8)
        if ci is not None:
            right.errorbar(
                i, value, [[value - ci[0]], [ci[1] - value]], color=INK, capsize=4, linewidth=1
            )
    right.set_xticks(range(3), [bar[0] for bar in bars])
    right.set_ylabel(f"standard deviation ({unit})")
    right.set_title(f"{100 * result.confidence:g} % confidence", fontsize=9, loc="left")
    return figure


def components_figure(result: Components, *, unit: str) -> Figure:
    """Standard deviation that each factor causes, with its share of the variance."""
    figure, (axes,) = _figure()
    parts = result.parts[::-1]
    axes.barh(
        range(len(parts)),
        [part.sd for part in parts],
        height=0.55,
        color="#bdbdbd",
        edgecolor=INK,
        linewidth=0.8,
    )
    # An interval without an end is drawn to the edge.
    edge = 1.15 * max(x for part in parts for x in (part.sd, *part.sd_ci) if math.isfinite(x))
    for i, part in enumerate(parts):
        low, high = part.sd_ci[0], min(part.sd_ci[1], 2 * edge)
        axes.errorbar(
            part.sd, i, xerr=[[part.sd - low], [high - part.sd]], color=INK, capsize=4, linewidth=1
        )
        axes.annotate(
            f"{100 * part.share:.1f} % of the variance",
            (min(high, edge), i),
            xytext=(5, 0),
            textcoords="offset points",
            va="center",
            fontsize=8,
        )
    axes.set_yticks(
        range(len(parts)),
        [f"{p.factor}" + (f" ({p.levels})" if p.levels else "") for p in parts],
    )
    axes.set_xlim(0, 1.3 * edge)
    axes.set_xlabel(f"standard deviation ({unit})")
    axes.set_title(
        f"n = {result.n}; levels in brackets; bars: {100 * result.confidence:g} % confidence",
        fontsize=9,
        loc="left",
    )
    return figure


def weighed_figure(
    volumes_ml: Sequence[float],
    expanded_ml: Sequence[float],
    readings_ml: Sequence[float] | None,
    groups: Sequence[str] | None,
    *,
    name: str,
    by: str = "",
) -> Figure:
    """Error of each reading over the weighed volume; without readings, the volumes by row.

    The bars are the expanded uncertainty (k = 2) of the weighed volume.
    """
    figure, (axes,) = _figure()
    if readings_ml is None:
        x: Sequence[float] = range(1, len(volumes_ml) + 1)
        y: Sequence[float] = volumes_ml
        axes.set_xlabel("row of the data")
        axes.set_ylabel("weighed volume (mL)")
    else:
        x, y = volumes_ml, [r - v for r, v in zip(readings_ml, volumes_ml, strict=True)]
        axes.axhline(0, color=SOFT, linewidth=0.8)
        axes.set_xlabel("weighed volume (mL)")
        axes.set_ylabel(f"{name} − weighed volume (mL)")
    axes.errorbar(x, y, expanded_ml, fmt="none", ecolor=SOFT, elinewidth=0.9, capsize=2, zorder=2)
    _points(axes, x, y, groups)
    axes.set_title(
        f"n = {len(volumes_ml)}; bars: expanded uncertainty of weighing (k = 2)",
        fontsize=9,
        loc="left",
    )
    _legend(axes, by)
    return figure


def _names_below(axes: Axes, names: Sequence[str]) -> None:
    long = len(names) * max(len(name) for name in names) > 60
    axes.set_xticks(
        range(len(names)), names, rotation=45 if long else 0, ha="right" if long else "center"
    )
    axes.set_xlim(-0.6, len(names) - 0.4)
