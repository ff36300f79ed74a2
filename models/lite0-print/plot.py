"""Draw ``training_log.csv`` of this folder: `python models/lite0-print/plot.py`."""

from __future__ import annotations

import csv
from pathlib import Path

import matplotlib.pyplot as plt

HERE = Path(__file__).resolve().parent
PANELS = {
    "edition recall@1": "edition_r1",
    "print-origin mAP": "origin_map",
    "standing error": "standing_error",
    "overlap of origins": "overlap",
}


def main() -> None:
    """Write ``training_curves.png``."""
    with (HERE / "training_log.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    steps = [int(row["step"]) for row in rows]
    figure, axes = plt.subplots(1, 4, figsize=(13, 2.8), layout="constrained")
    for axis, (title, column) in zip(axes, PANELS.items(), strict=True):
        for kind, label in (("world", "invented worlds"), ("made", "composed prints")):
            axis.plot(steps, [float(row[f"{kind}_{column}"]) for row in rows], label=label)
        axis.set(title=title, xlabel="step", ylim=(0, 1))
        axis.grid(alpha=0.3)
    axes[0].legend(fontsize=8)
    figure.savefig(HERE / "training_curves.png", dpi=70)


if __name__ == "__main__":
    main()
