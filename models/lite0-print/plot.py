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
LABELS = {
    "world": "invented worlds, studio",
    "made": "composed prints, studio",
    "frame": "product's camera, whole frame",
    "item": "product's camera, item cut out",
}
STAGES = {
    "first stage: studio (legs 1 and 2)": ("1", "2"),
    "second stage: and photos under the product's camera (legs 3 and 4)": ("3", "4"),
}


def main() -> None:
    """Write ``training_curves.png``."""
    with (HERE / "training_log.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    figure = plt.figure(figsize=(13, 6), layout="constrained")
    parts = figure.subfigures(len(STAGES), 1)
    for part, (stage, legs) in zip(parts, STAGES.items(), strict=True):
        part.suptitle(stage)
        axes = part.subplots(1, len(PANELS))
        shown = [row for row in rows if row["leg"] in legs]
        for axis, (title, column) in zip(axes, PANELS.items(), strict=True):
            for kind, label in LABELS.items():
                drawn = [row for row in shown if row[f"{kind}_{column}"]]
                if drawn:
                    steps = [int(row["step"]) for row in drawn]
                    values = [float(row[f"{kind}_{column}"]) for row in drawn]
                    axis.plot(steps, values, label=label)
            axis.set(title=title, xlabel="step", ylim=(0, 1))
            axis.grid(alpha=0.3)
        axes[0].legend(fontsize=7)
    figure.savefig(HERE / "training_curves.png", dpi=70)


if __name__ == "__main__":
    main()
