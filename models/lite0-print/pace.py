"""Measure the renderer: `python models/lite0-print/pace.py`, after train.py on that machine."""

from __future__ import annotations

import sys
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parents[1] / "src")]

import torch
from recipe.photos import Drawer, Plan, Studio
from recipe.surfaces import load_surfaces

ROUNDS = 5


def main() -> None:
    """Print photos a second at 384 px: drawn on one core, then rendered and developed."""
    items = load_surfaces(Path("/tmp/lite0-print/held-out-2.npz"))
    plan = Plan(frame=384)
    start = time.time()
    drawn = Drawer(items, plan).draw(3)
    print(f"drawing scenes, one core: {plan.size / (time.time() - start):.0f} photos/s")
    studio = Studio(items, plan, device="cuda")
    studio.shoot(drawn)
    torch.cuda.synchronize()
    start = time.time()
    for _ in range(ROUNDS):
        studio.shoot(drawn)
    torch.cuda.synchronize()
    pace = ROUNDS * plan.size / (time.time() - start)
    print(f"rendering at 384 px on {torch.cuda.get_device_name()}: {pace:.0f} photos/s")


if __name__ == "__main__":
    main()
