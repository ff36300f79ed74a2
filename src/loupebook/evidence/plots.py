"""The validation plots: each with words, numbers as CSV, and SVG and PNG pictures.

Colours are blue and vermilion of Okabe & Ito's palette (from memory), which colour-blind
readers can tell apart; line styles differ too, so that a greyscale print reads as well.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from loupebook.evidence.curves import (
    cross_entropy_curve,
    curve_csv,
    det_curve,
    equal_error_rate,
    reliability_curve,
    tippett_curve,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

BLUE, VERMILION, BLACK = "#0072B2", "#D55E00", "#000000"
_RATES = np.array([0.001, 0.01, 0.05, 0.1, 0.2, 0.4, 0.6, 0.8])


@dataclass(frozen=True)
class Plot:
    """One plot in every form that it is handed on in.

    Parameters
    ----------
    name : str
        For file names.
    title : str
        Heading.
    alt : str
        What the plot shows, in words, for those who do not see it.
    csv : str
        The numbers behind it.
    svg : str
        The picture, as an SVG document.
    png : bytes
        The picture, at 150 dots an inch.
    """

    name: str
    title: str
    alt: str
    csv: str
    svg: str
    png: bytes


def validation_plots(
    log10_lr: ArrayLike,
    genuine: ArrayLike,
    weights: ArrayLike | None = None,
    *,
    against: str = "copies",
) -> list[Plot]:
    """Return all four plots for likelihood ratios of known items.

    Parameters
    ----------
    log10_lr, genuine, weights
        As in ``loupebook.evidence.metrics``.
    against : str
        How to name the copies, such as "copies from presses in the set".
    """
    held = np.asarray(log10_lr, dtype=np.float64)
    label = np.asarray(genuine, dtype=bool)
    weight = np.ones(held.shape) if weights is None else np.asarray(weights, dtype=np.float64)
    makers = (tippett_plot, det_plot, cross_entropy_plot, reliability_plot)
    return [make(held, label, weight, against) for make in makers]


def tippett_plot(
    held: NDArray[np.float64], label: NDArray[np.bool_], weight: NDArray[np.float64], against: str
) -> Plot:
    """Return the shares of genuine items and copies above each likelihood ratio."""
    curve = tippett_curve(held, label, weight)

    def draw(axes: Axes) -> None:
        axes.plot(curve["log10_lr"], curve["genuine_above"], color=BLUE, label="genuine items")
        axes.plot(curve["log10_lr"], curve["copies_above"], color=VERMILION, ls="--", label=against)
        axes.axvline(0, color=BLACK, lw=0.8, ls=":")
        axes.set(xlabel="log10 LR", ylabel="share with a greater LR", ylim=(-0.02, 1.02))
        axes.legend(frameon=False)

    middle = curve["log10_lr"].size // 2
    return _plot(
        "tippett",
        "How the likelihood ratios fall (Tippett plot)",
        f"Two falling curves over log10 LR. Above LR = 1 lie "
        f"{100 * curve['genuine_above'][middle]:.0f} % of the genuine items and "
        f"{100 * curve['copies_above'][middle]:.0f} % of the {against}.",
        curve_csv(curve),
        draw,
    )


def det_plot(
    held: NDArray[np.float64], label: NDArray[np.bool_], weight: NDArray[np.float64], against: str
) -> Plot:
    """Return both error rates against each other on normal-deviate axes."""
    curve = det_curve(held, label, weight)
    equal = equal_error_rate(curve)
    ticks = ndtri(_RATES)
    edge = (float(ticks[0]), float(ticks[-1]))

    def draw(axes: Axes) -> None:
        x = np.clip(ndtri(np.clip(curve["false_alarm"], 1e-9, 1 - 1e-9)), *edge)
        y = np.clip(ndtri(np.clip(curve["miss"], 1e-9, 1 - 1e-9)), *edge)
        axes.step(x, y, color=BLUE, where="post")
        axes.plot(edge, edge, color=BLACK, lw=0.8, ls=":")
        names = [f"{100 * rate:g} %" for rate in _RATES]
        axes.set_xticks(ticks, names)
        axes.set_yticks(ticks, names)
        axes.set(xlabel=f"{against} above the threshold", ylabel="genuine items not above it")

    return _plot(
        "det",
        "Both errors against each other (DET plot)",
        f"One falling curve: the share of {against} above a threshold against the share of "
        f"genuine items not above it. Both are equal at {100 * equal:.1f} %.",
        curve_csv(curve),
        draw,
    )


def cross_entropy_plot(
    held: NDArray[np.float64], label: NDArray[np.bool_], weight: NDArray[np.float64], against: str
) -> Plot:
    """Return the information that is missing at each prior."""
    curve = cross_entropy_curve(held, label, weight)

    def draw(axes: Axes) -> None:
        x = curve["prior_log10_odds"]
        axes.plot(x, curve["as_given"], color=VERMILION, label="as given")
        axes.plot(x, curve["best_monotone"], color=BLUE, ls="--", label="best monotone map")
        axes.plot(x, curve["neutral"], color=BLACK, ls=":", label="LR = 1 always")
        top = max(1.05, min(2.0, 1.1 * float(np.max(curve["as_given"]))))
        axes.set(xlabel="log10 of the prior odds of genuine", ylabel="bits", ylim=(0, top))
        axes.legend(frameon=False)

    even = curve["prior_log10_odds"].size // 2
    return _plot(
        "cross-entropy",
        "What is still unknown at each prior (empirical cross-entropy)",
        f"Three humps over the prior odds, tested against {against}. At even odds the figures "
        f"as given cost {curve['as_given'][even]:.2f} bits, after the best monotone map "
        f"{curve['best_monotone'][even]:.2f}, and without evidence 1.00.",
        curve_csv(curve),
        draw,
    )


def reliability_plot(
    held: NDArray[np.float64], label: NDArray[np.bool_], weight: NDArray[np.float64], against: str
) -> Plot:
    """Return stated chances against what came out."""
    curve = reliability_curve(held, label, weight)
    gap = float(np.abs(curve["stated"] - curve["observed"]).max())

    def draw(axes: Axes) -> None:
        axes.plot([0, 1], [0, 1], color=BLACK, lw=0.8, ls=":")
        axes.plot(curve["stated"], curve["observed"], color=BLUE)
        size = 12 + 400 * curve["entries"] / curve["entries"].sum()
        axes.scatter(curve["stated"], curve["observed"], s=size, color=BLUE, alpha=0.6)
        axes.set(
            xlabel="chance of genuine as stated, at even prior odds",
            ylabel="share that was genuine",
            xlim=(-0.03, 1.06),
            ylim=(-0.06, 1.03),
        )

    return _plot(
        "reliability",
        "Stated chances against what came out (reliability diagram)",
        f"Points of {curve['stated'].size} bins along a diagonal, tested against {against}; "
        f"larger points stand for more photos. The greatest gap is {100 * gap:.0f} points.",
        curve_csv(curve),
        draw,
    )


def _plot(name: str, title: str, alt: str, csv: str, draw: Callable[[Axes], None]) -> Plot:
    # Imported here because it takes longer than a whole search, which needs no plot.
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    with mpl.rc_context({"svg.hashsalt": name, "font.size": 10, "lines.linewidth": 1.8}):
        figure = Figure(figsize=(5.6, 4.0), layout="constrained")
        FigureCanvasAgg(figure)
        axes = figure.add_subplot()
        draw(axes)
        axes.spines[["top", "right"]].set_visible(False)
        axes.grid(visible=True, color="#dddddd", lw=0.6)
        svg, png = io.StringIO(), io.BytesIO()
        figure.savefig(svg, format="svg", metadata={"Date": None, "Title": title})
        figure.savefig(png, format="png", dpi=150)
    return Plot(name, title, alt, csv, svg.getvalue(), png.getvalue())
