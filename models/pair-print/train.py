"""Train the network of this folder, on one GPU, by the clock.

`python models/pair-print/train.py --frames DIR --out DIR --minutes M`, after `recipe.frames` or
beside it: what is drawn later is taken in as it comes.
Figures on editions that are never trained on go to ``OUT/log.csv``; ``OUT/weights.safetensors``
is a running mean of the weights in half precision, written with every line of the log, so that a
training cut off leaves one; ``--start`` goes on from such a file. Seeds are fixed, but the clock
ends the training.
"""

from __future__ import annotations

import argparse
import copy
import csv
import math
import sys
import time
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parents[1] / "src")]

import numpy as np
import torch
from recipe.pairs import Batch, Held, Pair, batch_of, load, one_pair
from safetensors.torch import load_file, save_file
from sklearn.metrics import average_precision_score, roc_auc_score
from torch.nn import functional

from loupebook.compare.pair import PairNetwork, inputs_of

HELD_OUT, HELD_OUT_MOST = 0.25, 16
"""Share of the editions there at the start that is held out, and how many at most."""
BATCH = {"band": 28, "seal": 12}
BANDS = 0.55
"""Share of batches that hold bands; the rest hold seals."""
MAP_WEIGHT = 0.6
AVERAGED = 0.998
TOLD_EVERY_S = 90
PAUSE_S = 10
"""Between two looks for editions drawn since."""


class Drawn:
    """Editions held out, the first ones drawn, and those to train on, which may still come.

    No edition of a world of which one is held out is trained on.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        every = load(folder, "cuda")
        count = min(HELD_OUT_MOST, max(2, round(HELD_OUT * len(every))))
        self.held = every[:count]
        self.worlds = {h.name.split("-")[0] for h in self.held}
        self.known = {h.name for h in every}
        self.kept: list[Held] = []
        self._keep(every[count:])
        self._reader = ThreadPoolExecutor(1)
        self._coming = self._ask()

    def of(self, element: str) -> list[Held]:
        """Editions of an element to train on, with what was drawn since."""
        if self._coming.done():
            found = self._coming.result()
            self.known |= {h.name for h in found}
            self._keep(found)
            self._coming = self._ask()
        return [h for h in self.kept if h.element == element]

    def _keep(self, found: list[Held]) -> None:
        self.kept += [h for h in found if h.name.split("-")[0] not in self.worlds]

    def _ask(self) -> Future[list[Held]]:
        return self._reader.submit(self._further)

    def _further(self) -> list[Held]:
        time.sleep(PAUSE_S)
        return load(self.folder, "cuda", set(self.known))


def loss_of(network: PairNetwork, batch: Batch) -> tuple[torch.Tensor, torch.Tensor]:
    """Loss of the one answer, and of the map where the truth is known."""
    with torch.autocast("cuda", torch.bfloat16):
        answer, drawn = network(inputs_of(batch.query, batch.model, batch.spread, batch.seen))
    whole = functional.binary_cross_entropy_with_logits(answer.float(), batch.differs)
    truth = functional.max_pool2d(batch.truth, 4)
    weight = functional.avg_pool2d(batch.seen, 4) * batch.told[:, None, None, None]
    weight = weight * (1 + 4 * truth)
    fine = functional.binary_cross_entropy_with_logits(drawn.float(), truth, reduction="none")
    return whole, (fine * weight).sum() / weight.sum().clamp(min=1)


@torch.no_grad()
def figures(network: PairNetwork, held: list[Held]) -> dict[str, float]:
    """AUC of copies against genuine ones by skill, and mean average precision of the map."""
    network.eval()
    rng = np.random.default_rng(5)
    genuine: list[float] = []
    fakes: dict[str, list[float]] = {}
    precisions: list[float] = []
    for one in held:
        references = one.chosen(reference=True)
        for query in one.chosen(reference=False):
            differs = not one.facts[query].genuine
            batch = batch_of([Pair(one, tuple(references), query, differs)], rng, change=False)
            with torch.autocast("cuda", torch.bfloat16):
                answer, drawn = network(
                    inputs_of(batch.query, batch.model, batch.spread, batch.seen)
                )
            value = float(answer)
            (fakes.setdefault(one.facts[query].skill, []) if differs else genuine).append(value)
            truth = functional.max_pool2d(batch.truth, 4)[0, 0]
            inside = functional.avg_pool2d(batch.seen, 4)[0, 0] > 0.5
            if differs and truth[inside].sum() > 5:
                precisions.append(
                    average_precision_score(
                        truth[inside].cpu().numpy() > 0.5, drawn[0, 0][inside].float().cpu().numpy()
                    )
                )
    network.train()
    every = [v for values in fakes.values() for v in values]
    found = {"map": float(np.mean(precisions)), "all": _auc(genuine, every)}
    return found | {skill: _auc(genuine, values) for skill, values in sorted(fakes.items())}


def _auc(genuine: list[float], fake: list[float]) -> float:
    return float(roc_auc_score([0] * len(genuine) + [1] * len(fake), genuine + fake))


def line(step: int, seconds: float, sums: np.ndarray) -> dict[str, float]:
    """Return the head of a line of the log: losses since the last one."""
    count = max(1.0, sums[2])
    return {
        "step": step, "seconds": round(seconds), "loss": float(sums[0] / count),
        "map loss": float(sums[1] / count),
    }  # fmt: skip


def save(network: PairNetwork, path: Path) -> None:
    """Write weights in half precision."""
    state = {
        k: v.half().contiguous() if v.dtype.is_floating_point else v
        for k, v in network.state_dict().items()
    }
    save_file(state, path)


def main() -> None:
    """Train until the time is up."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--minutes", type=float, default=4.0)
    parser.add_argument("--rate", type=float, default=1.5e-3, help="learning rate at its highest")
    parser.add_argument("--mixed", type=float, default=0.0, help="share of pairs of two designs")
    parser.add_argument("--across", type=float, default=0.0, help="of these, of either answer")
    parser.add_argument("--recoloured", type=float, default=0.0, help="share in other inks")
    parser.add_argument("--harder", action="store_true", help="ask oftener about good copies")
    parser.add_argument("--start", type=Path, help="weights to go on from")
    chosen = parser.parse_args()
    start = time.time()
    chosen.out.mkdir(parents=True, exist_ok=True)
    torch.manual_seed(1)
    rng = np.random.default_rng(1)
    drawn = Drawn(chosen.frames)
    held = drawn.held
    print(
        len(drawn.kept), "editions to train on,", len(held), "held out;", time.time() - start, "s"
    )
    if chosen.start:
        before = PairNetwork().cuda()
        before.load_state_dict({k: v.float() for k, v in load_file(chosen.start).items()})
        print("at the start:", {k: round(v, 3) for k, v in figures(before, held).items()})
    network = PairNetwork().cuda().to(memory_format=torch.channels_last)
    if chosen.start:
        network.load_state_dict({k: v.float() for k, v in load_file(chosen.start).items()})
    mean = copy.deepcopy(network)
    optimiser = torch.optim.AdamW(network.parameters(), chosen.rate, weight_decay=0.02)
    rows: list[dict[str, float]] = []
    step, told, sums = 0, time.time(), np.zeros(3)
    begin, seconds = time.time(), 60 * chosen.minutes

    def tell() -> None:
        rows.append(line(step, time.time() - begin, sums) | figures(mean, held))
        sums[:] = 0
        save(mean, chosen.out / "weights.safetensors")
        print(len(drawn.kept), {k: round(v, 3) for k, v in rows[-1].items()}, flush=True)

    while time.time() - begin < seconds:
        part = (time.time() - begin) / seconds
        for group in optimiser.param_groups:
            fallen = 0.02 + 0.49 * (1 + math.cos(math.pi * part))
            group["lr"] = chosen.rate * min(1, (step + 1) / 60) * fallen
        element = "band" if rng.random() < BANDS else "seal"
        pool = drawn.of(element)
        chance = rng.integers(0, len(pool), BATCH[element])
        pairs = [one_pair(pool[k], rng, harder=chosen.harder) for k in chance]
        batch = batch_of(
            pairs, rng, change=True, mixed=chosen.mixed, across=chosen.across,
            recoloured=chosen.recoloured,
        )  # fmt: skip
        whole, fine = loss_of(network, batch)
        optimiser.zero_grad(set_to_none=True)
        (whole + MAP_WEIGHT * fine).backward()
        torch.nn.utils.clip_grad_norm_(network.parameters(), 2.0)
        optimiser.step()
        step += 1
        with torch.no_grad():
            both = zip(mean.state_dict().values(), network.state_dict().values(), strict=True)
            for ours, theirs in both:
                if ours.dtype.is_floating_point:
                    ours.lerp_(theirs, 1 - min(AVERAGED, step / (step + 10)))
        sums[:] += [float(whole.detach()), float(fine.detach()), 1]
        if time.time() - told > TOLD_EVERY_S:
            told = time.time()
            tell()
    tell()
    with (chosen.out / "log.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[-1]))
        writer.writeheader()
        writer.writerows({k: round(v, 4) for k, v in row.items()} for row in rows)


if __name__ == "__main__":
    main()
