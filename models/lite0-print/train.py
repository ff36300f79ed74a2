"""Train the encoder of this folder, on one GPU, by the clock.

`python models/lite0-print/train.py --ingredients DIR --prints DIR --photos DIR --out DIR`

`recipe.ingredients`, `recipe.prints` and `recipe.photos` make the folders; without the last
there are no photos under the product's own camera in a batch. Seeds are fixed. Figures on
prints that are never trained on go to ``OUT/log.csv``; ``OUT/checkpoint.safetensors`` is
written every two minutes and at the end, ``OUT/start.safetensors`` before the first step;
``--resume`` goes on from either.
"""

from __future__ import annotations

import argparse
import copy
import csv
import json
import math
import os
import queue
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parents[1] / "src")]

import numpy as np
import torch
from recipe.bank import Bank, Darkroom, load_bank
from recipe.batches import Batch, Chooser
from recipe.measure import embed_all, figures
from recipe.network import Tower, load_start, start_projection
from recipe.objective import two_levels
from recipe.pool import Flat, Pool, composed_prints, gather, loose_pictures, world_prints
from recipe.studio import Studio
from safetensors.torch import load_file, save_file
from torch import Tensor

SHARES = {"world": 0.34, "made": 0.36, "art": 0.09, "thing": 0.05, "photo": 0.08, "emoji": 0.08}
HELD_OUT_WORLDS = 8
"""Marques of the worlds that only measure."""
HELD_OUT_MADE = range(1_000_000, 1_000_080)
HELD_OUT_PHOTOGRAPHED = 10
"""Marques of the bank that only measure: the last ones that were photographed."""
BANK_LABELS = 1 << 24
"""Added to labels of the bank, so that they are none of the studio's."""
CAREFUL = 0.3
"""Share of photos taken with care, as references are."""


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--ingredients", type=Path, required=True)
    parser.add_argument("--prints", type=Path, help="flat prints of worlds, from recipe.prints")
    parser.add_argument("--photos", type=Path, help="photos of worlds, from recipe.photos")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--minutes", type=float, default=8.0, help="stop after this long")
    parser.add_argument("--made", type=int, default=1600, help="marques to compose")
    parser.add_argument("--resume", type=Path, help="a checkpoint to go on from")
    parser.add_argument("--start", type=Path, default=HERE.parent / "lite0-imagenet")
    parser.add_argument("--trunk", default="tf_efficientnet_lite0")
    parser.add_argument("--rate", type=float, default=4e-4)
    parser.add_argument("--origin-share", type=float, default=0.5)
    parser.add_argument("--dim", type=int, default=512)
    parser.add_argument("--editions", type=int, default=64, help="editions in a batch")
    parser.add_argument("--photographed", type=int, default=40, help="and of these from --photos")
    parser.add_argument("--views", type=int, default=3, help="photos of each origin")
    parser.add_argument("--measured", type=int, default=160, help="editions to measure on")
    parser.add_argument("--sizes", type=int, nargs="+", default=[224, 256, 288])
    parser.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    return parser.parse_args()


@dataclass(frozen=True)
class Stage:
    """Pool, chooser and studio of one collection of prints."""

    pool: Pool
    chooser: Chooser
    studio: Studio


def stage(flats: list[Flat], device: str) -> Stage:
    """Bring prints to the device."""
    kinds = np.array([flat.marque.split("-")[0] for flat in flats])
    pool = gather(flats, device)
    backdrops = torch.from_numpy(np.flatnonzero(kinds == "photo")).to(device)
    present = {kind: share for kind, share in SHARES.items() if (kinds == kind).any()}
    return Stage(pool, Chooser(pool, kinds, present), Studio(pool, backdrops, device=device))


def collect(chosen: argparse.Namespace) -> tuple[list[Flat], list[Flat]]:
    """Prints to train on, and prints to measure on."""
    started = time.time()
    cores = min(16, len(os.sched_getaffinity(0)))
    made = composed_prints(chosen.ingredients, range(chosen.made), processes=cores)
    kept = composed_prints(chosen.ingredients, HELD_OUT_MADE, processes=cores)
    worlds = world_prints(chosen.prints) if chosen.prints else []
    marques = sorted({flat.marque for flat in worlds})
    last = set(marques[-HELD_OUT_WORLDS:])
    loose = loose_pictures(chosen.ingredients)
    training = [f for f in worlds if f.marque not in last] + made + loose
    # Photographs are there as backdrops only.
    measuring = [f for f in worlds if f.marque in last] + kept
    measuring += [f for f in loose if f.marque.startswith("photo")]
    print(
        f"{len(training)} prints to train on ({len(worlds)} of {len(marques)} marques of worlds, "
        f"{len(made)} composed, {len(loose)} loose) in {time.time() - started:.0f} s",
        flush=True,
    )
    return training, measuring


class Ruler:
    """Figures on fixed sets of photos: invented worlds, composed matter, the product's camera."""

    def __init__(self, measured: Stage, editions: int, kept: Darkroom | None) -> None:
        self.sets: dict[str, tuple[Tensor, Batch, np.ndarray]] = {}
        for kind in measured.chooser.shares:
            if kind not in ("world", "made"):
                continue
            chooser = copy.copy(measured.chooser)
            chooser.shares = {kind: 1.0}
            batch = chooser.draw(7, editions=editions, views=3)
            photos = [
                measured.studio.shoot(part, seed=50 + k, side=256, careful=CAREFUL)
                for k, part in enumerate(batch.split(240))
            ]
            genuine = measured.pool.genuine[batch.row] & ~batch.copied
            self.sets[kind] = (torch.cat(photos), batch, genuine)
        for name, tight in (("frame", False), ("item", True)) if kept else ():
            bank = kept.bank
            # One photo a specimen, so that none finds itself.
            _, row = np.unique(bank.specimen, return_index=True)
            batch = Batch(row, bank.edition[row], bank.origin[row], np.zeros(len(row), bool))
            photos = [
                kept.plain(part, side=256, tight=tight)
                for part in np.array_split(row, 1 + len(row) // 240)
            ]
            self.sets[name] = (torch.cat(photos), batch, bank.genuine[row])

    def __call__(self, network: Tower) -> dict[str, float]:
        """Measure a network."""
        network.eval()
        row: dict[str, float] = {}
        for kind, (photos, batch, genuine) in self.sets.items():
            labels = (torch.from_numpy(v) for v in (batch.edition, batch.group, genuine))
            found = figures(embed_all(network, photos), *labels)
            row |= {f"{kind}_{name}": value for name, value in found.items()}
        network.train()
        return row


def banks(folder: Path, device: str) -> tuple[Darkroom, Darkroom]:
    """Photos to train on, and those of the last marques, to measure on."""
    started = time.time()
    folders = sorted(path.parent for path in folder.glob("*/photos.csv"))
    parts: list[Bank] = [
        load_bank(part, device)
        for part in (folders[:-HELD_OUT_PHOTOGRAPHED], folders[-HELD_OUT_PHOTOGRAPHED:])
    ]
    print(
        f"{len(parts[0])} photos of {len(folders) - HELD_OUT_PHOTOGRAPHED} marques in "
        f"{time.time() - started:.0f} s, {len(parts[1])} to measure on",
        flush=True,
    )
    return Darkroom(parts[0], device=device), Darkroom(parts[1], device=device)


def one_batch(
    training: Stage, darkroom: Darkroom | None, chosen: argparse.Namespace, seed: int
) -> tuple[Tensor, Batch]:
    """Photos of the studio and of the bank, and what they show."""
    side = int(np.random.default_rng([seed, 13]).choice(chosen.sizes))
    batch = training.chooser.draw(seed, editions=chosen.editions, views=chosen.views)
    photos = training.studio.shoot(batch, seed=seed, side=side, careful=CAREFUL)
    if darkroom is not None:
        more = darkroom.draw(seed, editions=chosen.photographed, views=chosen.views)
        photos = torch.cat([photos, darkroom.shoot(more.row, seed=seed, side=side)])
        batch = Batch(
            np.concatenate([batch.row, more.row]),
            np.concatenate([batch.edition, more.edition + BANK_LABELS]),
            np.concatenate([batch.group, more.group + BANK_LABELS]),
            np.concatenate([batch.copied, more.copied]),
        )
    return photos.contiguous(memory_format=torch.channels_last), batch


def photographed(
    training: Stage,
    darkroom: Darkroom | None,
    chosen: argparse.Namespace,
    first: int,
    stop: threading.Event,
) -> Iterator[tuple[Tensor, Batch]]:
    """Batches, photographed on a stream of their own while the network learns."""
    ahead: queue.Queue[tuple[Tensor, Batch, torch.cuda.Event | None]] = queue.Queue(2)
    cuda = chosen.device.startswith("cuda")

    def work() -> None:
        stream = torch.cuda.Stream() if cuda else None
        seed = first
        while not stop.is_set():
            with torch.cuda.stream(stream):
                photos, batch = one_batch(training, darkroom, chosen, seed)
                done = torch.cuda.Event() if cuda else None
                if done is not None:
                    done.record(stream)
            while not stop.is_set():
                try:
                    ahead.put((photos, batch, done), timeout=0.2)
                    break
                except queue.Full:
                    continue
            seed += 1

    worker = threading.Thread(target=work)
    worker.start()
    while worker.is_alive():
        try:
            photos, batch, done = ahead.get(timeout=30)
        except queue.Empty:
            continue
        if done is not None:
            done.wait()
            photos.record_stream(torch.cuda.current_stream())
        yield photos, batch


def save(network: Tower, step: int, path: Path) -> None:
    """Write weights in half precision: 16 MiB is the most that comes back in one file."""
    state = {
        k: (v.half() if v.is_floating_point() else v).cpu().contiguous()
        for k, v in network.state_dict().items()
    }
    save_file(state | {"step": torch.tensor(step)}, path)


def pooled_photos(training: Stage, network: Tower, dim: int) -> Tensor:
    """Pooled features of more photos than an embedding has numbers."""
    network.eval()
    parts = []
    for seed in range(10**6, 10**6 + 3 + dim // 256):
        batch = training.chooser.draw(seed, editions=32, views=2)
        photos = training.studio.shoot(batch, seed=seed, side=256, careful=CAREFUL)
        with torch.no_grad():
            parts += [network.pooled(part) for part in photos.split(64)]
    return torch.cat(parts)


def main() -> None:
    """Train until the clock runs out."""
    started = time.time()
    chosen = arguments()
    chosen.out.mkdir(parents=True, exist_ok=True)
    device = chosen.device
    train_flats, measure_flats = collect(chosen)
    training, measured = stage(train_flats, device), stage(measure_flats, device)
    darkroom, kept = banks(chosen.photos, device) if chosen.photos else (None, None)
    torch.manual_seed(1)
    network = Tower(chosen.dim, chosen.trunk).to(device)
    step = 0
    if chosen.resume:
        state = load_file(chosen.resume)
        step = int(state.pop("step"))
        network.load_state_dict(state)
    else:
        if not load_start(network, chosen.start / "open_clip_model.safetensors"):
            start_projection(network, pooled_photos(training, network, chosen.dim))
    save(network, step, chosen.out / "start.safetensors")
    network.to(memory_format=torch.channels_last)
    smooth = copy.deepcopy(network).requires_grad_(False).eval()
    slow = [p for n, p in network.named_parameters() if not n.startswith("proj")]
    optimiser = torch.optim.AdamW(
        [{"params": slow, "lr": chosen.rate}, {"params": network.proj.parameters(), "lr": 1e-3}],
        weight_decay=0.02,
    )
    peaks = [group["lr"] for group in optimiser.param_groups]
    ruler = Ruler(measured, chosen.measured, kept)
    rows: list[dict[str, float]] = []

    def measure(loss: float) -> None:
        row = {"step": step, "seconds": time.time() - started, "loss": loss} | ruler(smooth)
        rows.append(row)
        print(json.dumps({k: round(v, 4) for k, v in row.items()}), flush=True)
        with (chosen.out / "log.csv").open("w", newline="") as file:
            writer = csv.DictWriter(file, rows[0].keys())
            writer.writeheader()
            writer.writerows(rows)

    measure(float("nan"))
    print(f"ready after {time.time() - started:.0f} s", flush=True)
    stop = threading.Event()
    first, clock, saved, told = step, time.time(), time.time(), time.time()
    length = chosen.minutes * 60 - (clock - started)
    photos_seen = 0
    network.train()
    for photos, batch in photographed(training, darkroom, chosen, step, stop):
        spent = (time.time() - clock) / length
        if spent >= 1:
            break
        warm = min(1.0, (step - first + 1) / 100)
        fall = 0.01 + 0.99 * 0.5 * (1 + math.cos(math.pi * spent))
        for group, peak in zip(optimiser.param_groups, peaks, strict=True):
            group["lr"] = peak * warm * fall
        edition, origin = (torch.from_numpy(v).to(device) for v in (batch.edition, batch.group))
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
        photos_seen += len(photos)
        keep = min(0.998, (step - first) / (step - first + 10))
        with torch.no_grad():
            for ours, theirs in zip(smooth.parameters(), network.parameters(), strict=True):
                ours.lerp_(theirs, 1 - keep)
        if time.time() - told > 30:
            pace = photos_seen / (time.time() - clock)
            print(f"step {step}: {pace:.0f} photos/s", flush=True)
            measure(loss.item())
            told = time.time()
        if time.time() - saved > 120:
            save(smooth, step, chosen.out / "checkpoint.safetensors")
            saved = time.time()
    stop.set()
    measure(loss.item())
    save(smooth, step, chosen.out / "checkpoint.safetensors")
    print(f"{photos_seen} photos in {time.time() - clock:.0f} s", flush=True)


if __name__ == "__main__":
    main()
