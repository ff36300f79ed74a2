"""Draw ``training_log.csv`` of this folder: `python models/pair-print/plot.py`."""

from __future__ import annotations

import csv
from pathlib import Path

import matplotlib.pyplot as plt

HERE = Path(__file__).resolve().parent
SKILLS = ("clumsy", "fair", "good", "very good", "all")


def main() -> None:
    """Write ``training_curves.png``: a row a leg."""
    with (HERE / "training_log.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    legs = list(dict.fromkeys(row["leg"] for row in rows))
    figure, axes = plt.subplots(
        len(legs), 3, figsize=(12, 3.2 * len(legs)), layout="constrained", squeeze=False
    )
    for across, leg in zip(axes, legs, strict=True):
        shown = [row for row in rows if row["leg"] == leg]
        steps = [int(row["step"]) for row in shown]
        for name in ("loss", "map loss"):
            across[0].plot(steps, [float(row[name]) for row in shown], ".-", label=name)
        for skill in SKILLS:
            across[1].plot(steps, [float(row[skill]) for row in shown], ".-", label=skill)
        across[2].plot(steps, [float(row["map"]) for row in shown], ".-")
        titles = ("training loss", "AUC on editions held out, by skill", "average precision of map")
        for axis, title in zip(across, titles, strict=True):
            axis.set(title=f"leg {leg}: {title}", xlabel="step")
            axis.grid(alpha=0.3)
        across[0].legend(fontsize=7)
        across[1].legend(fontsize=7)
    figure.savefig(HERE / "training_curves.png", dpi=70)


if __name__ == "__main__":
    main()
