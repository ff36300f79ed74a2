"""Train the encoder of this folder: `python models/lite0-print/train.py --minutes 8 --out DIR`.

One GPU. Stops by the clock and resumes from ``DIR/checkpoint.safetensors``; the printed
surfaces are kept in ``--work`` between runs on one machine. Seeds are fixed. Figures on
held-out worlds go to ``DIR/log.csv``.
"""

from __future__ import annotations

import argparse
import csv
import json
import math
import os
import sys
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parents[1] / "src")]

import numpy as np
import torch
from recipe.measure import embed_all, figures
from recipe.network import Tower, load_start, start_projection
from recipe.objective import two_levels
from recipe.photos import Drawer, Plan, Studio, drawn_ahead
from recipe.surfaces import (
    FIRST_TRAINING_SEED,
    HELD_OUT,
    Labelled,
    load_surfaces,
    make_surfaces,
    save_surfaces,
)
from safetensors.torch import load_file, save_file


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=8.0, help="stop after this long")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--work", type=Path, default=Path("/tmp/lite0-print"))
    parser.add_argument("--worlds", type=int, default=8)
    parser.add_argument("--steps", type=int, default=3000, help="length of the schedule")
    parser.add_argument("--resume", type=Path, help="a checkpoint to go on from")
    parser.add_argument("--origin-share", type=float, default=0.65)
    parser.add_argument("--dim", type=int, default=512)
    parser.add_argument("--marques", type=int, default=12, help="marques in a batch")
    parser.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    return parser.parse_args()


def cores() -> int:
    """Cores to use: those of this process, 16 at most (a lent machine may show its host's)."""
    return min(16, len(os.sched_getaffinity(0)))


def surfaces(work: Path, name: str, seeds: list[int]) -> list[Labelled]:
    """Printed surfaces of some worlds, from disk if they are there."""
    path = work / f"{name}-{len(seeds)}.npz"
    if path.is_file():
        return load_surfaces(path)
    start = time.time()
    made = make_surfaces(seeds, processes=cores())
    print(f"{len(made)} surfaces of {name} in {time.time() - start:.0f} s", flush=True)
    work.mkdir(parents=True, exist_ok=True)
    save_surfaces(made, path)
    return made


def held_out_photos(
    work: Path, device: str
) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor, torch.Tensor]:
    """A fixed pool of photos of two held-out worlds."""
    items = surfaces(work, "held-out", [HELD_OUT, HELD_OUT + 1])
    plan = Plan(marques=20, editions=4, origins=3, photos=3)
    drawer = Drawer(items, plan)
    studio = Studio(items, plan, device=device)
    drawn = drawer.draw(1)
    photos = studio.shoot(drawn, augment=False)
    by_origin = {item.origin: item.genuine for item in items}
    genuine = np.array([by_origin[o] for o in drawn.origin])
    to = [torch.from_numpy(v).to(device) for v in (drawn.edition, drawn.origin, genuine)]
    return photos, to[0], to[1], to[2]


def rate(step: int, done: float) -> float:
    """Warm-up over the first 150 steps, then cosine over the share that is done."""
    if step < 150:
        return (step + 1) / 150
    return 0.02 + 0.98 * 0.5 * (1 + math.cos(math.pi * done))


def main() -> None:
    """Train until the schedule or the clock runs out."""
    started = time.time()
    chosen = arguments()
    chosen.out.mkdir(parents=True, exist_ok=True)
    device = chosen.device
    seeds = [FIRST_TRAINING_SEED + number for number in range(chosen.worlds)]
    items = surfaces(chosen.work, "training", seeds)
    plan = Plan(marques=chosen.marques)
    drawer = Drawer(items, plan)
    torch.manual_seed(1)
    network = Tower(chosen.dim)
    load_start(network, HERE.parent / "lite0-imagenet" / "open_clip_model.safetensors")
    first_step = 0
    if chosen.resume:
        state = load_file(chosen.resume)
        first_step = int(state.pop("step"))
        network.load_state_dict(state)
    # Workers fork before the GPU is touched.
    batches = drawn_ahead(drawer, range(first_step, chosen.steps), processes=max(1, cores() - 2))
    ahead = next(batches, None)
    pool, pool_edition, pool_origin, pool_genuine = held_out_photos(chosen.work, device)
    studio = Studio(items, plan, device=device)
    network.to(device, memory_format=torch.channels_last)
    if not chosen.resume and ahead is not None:
        network.eval()
        with torch.no_grad():
            # Training worlds only, and more photos than the embedding has numbers.
            needed = range(10**6, 10**6 + 1 + chosen.dim // plan.size)
            shot = (studio.shoot(drawer.draw(seed)) for seed in needed)
            pieces = [network.pooled(part) for photos in shot for part in photos.split(64)]
        start_projection(network, torch.cat(pieces))
    slow = [p for n, p in network.named_parameters() if not n.startswith("proj")]
    optimiser = torch.optim.AdamW(
        [{"params": slow, "lr": 4e-4}, {"params": network.proj.parameters(), "lr": 1e-3}],
        weight_decay=0.02,
    )
    peaks = [group["lr"] for group in optimiser.param_groups]
    log_path = chosen.out / "log.csv"
    rows: list[dict[str, float]] = []
    print(f"ready after {time.time() - started:.0f} s; batch {plan.size}", flush=True)

    def measure(step: int, loss: float) -> None:
        network.eval()
        row = {"step": step, "seconds": time.time() - started, "loss": loss}
        row |= figures(embed_all(network, pool), pool_edition, pool_origin, pool_genuine)
        rows.append(row)
        print(json.dumps({k: round(v, 4) for k, v in row.items()}), flush=True)
        network.train()

    measure(first_step, float("nan"))
    step, shown, clock = first_step, float("nan"), time.time()
    while ahead is not None and time.time() - started < chosen.minutes * 60:
        for group, peak in zip(optimiser.param_groups, peaks, strict=True):
            # The clock counts too, so that a slow machine also ends at a low rate.
            spent = (time.time() - clock) / (chosen.minutes * 60 - (clock - started))
            group["lr"] = peak * rate(step, min(1.0, max(step / chosen.steps, spent)))
        photos = studio.shoot(ahead).contiguous(memory_format=torch.channels_last)
        edition = torch.from_numpy(ahead.edition).to(device)
        origin = torch.from_numpy(ahead.origin).to(device)
        with torch.autocast(device.split(":")[0], torch.bfloat16):
            unit = network(photos)
        loss = two_levels(
            unit.float(), edition, origin, origin_share=chosen.origin_share, leading=128
        )
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(network.parameters(), 5.0)
        optimiser.step()
        step += 1
        if step % 25 == 0:
            shown = loss.item()
        if step % 200 == 0:
            pace = plan.size * (step - first_step) / (time.time() - clock)
            print(f"step {step}: {pace:.0f} photos/s", flush=True)
            measure(step, shown)
        ahead = next(batches, None)
    measure(step, shown)
    network.eval().to("cpu", memory_format=torch.contiguous_format)
    state = {k: v.contiguous() for k, v in network.state_dict().items()}
    # 16 MiB is the most that comes back in one file, so the checkpoint is halved.
    state = {k: v.half() if v.is_floating_point() else v for k, v in state.items()}
    save_file(state | {"step": torch.tensor(step)}, chosen.out / "checkpoint.safetensors")
    with log_path.open("w", newline="") as file:
        writer = csv.DictWriter(file, rows[0].keys())
        writer.writeheader()
        writer.writerows(rows)
    batches.close()


if __name__ == "__main__":
    main()
