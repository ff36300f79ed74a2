"""Drawn frames held on the GPU, and batches of pairs made of them anew in every step."""

from __future__ import annotations

import json
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional

CANVAS = {"band": (640, 704), "seal": (704, 1856)}
"""Height and width of a batch's pictures; frames are cut or filled to it."""
PRIOR_SPREAD, PRIOR_PHOTOS = 0.15, 2
AGAINST_COPIES = 0.33
HARDER = {"clumsy": 0.5, "fair": 0.8, "good": 1.2, "very good": 1.5}
"""How much oftener a good copy is asked about than a clumsy one, where that is asked for."""
CASUAL = 4.0
"""How much oftener a casual genuine photo is asked about than a careful one. Photos of copies are
all casual: were genuine ones mostly careful, gleaming foil and a slant would pass for a copy."""
LEAST_LEFT = 60
"""Pixels of a drawing that differs that a pair of both answers must hold."""


@dataclass(frozen=True)
class Facts:
    """What a photo in a frame shows."""

    origin: int
    specimen: int
    skill: str
    genuine: bool
    reference: bool
    softer: float


@dataclass(frozen=True, eq=False)
class Held:
    """One edition: photos (n, 4, H, W) uint8 (colour and where seen), truth by origin."""

    name: str
    element: str
    photos: Tensor
    facts: tuple[Facts, ...]
    truth: dict[int, Tensor]

    def chosen(self, **wanted: bool) -> list[int]:
        """Numbers of the photos of which all that is wanted is so."""
        return [
            k
            for k, one in enumerate(self.facts)
            if all(getattr(one, key) == value for key, value in wanted.items())
        ]


def load(folder: Path, device: str, known: AbstractSet[str] = frozenset()) -> list[Held]:
    """Load what `recipe.frames` drew and is not known: with two references and a copy at least."""
    every = []
    for path in sorted(folder.glob("*/frames.json")):
        if path.parent.name in known:
            continue
        held = _edition(path, device)
        if len(held.chosen(reference=True)) >= 2 and held.chosen(genuine=False):
            every.append(held)
    return every


def _edition(path: Path, device: str) -> Held:
    told = json.loads(path.read_text())
    names = Facts.__dataclass_fields__
    facts = tuple(Facts(**{k: v for k, v in row.items() if k in names}) for row in told["photos"])
    height, width = CANVAS[told["element"]]
    with np.load(path.with_name("frames.npz")) as arrays:
        photos = np.stack([arrays[row["file"]] for row in told["photos"]])
        shape = tuple(told["shape"])
        truth = {
            int(key[5:]): np.unpackbits(arrays[key], count=shape[0] * shape[1]).reshape(shape)
            for key in arrays.files
            if key.startswith("truth")
        }
    photos = _fitted(photos.transpose(0, 3, 1, 2), height, width)
    masks = {k: torch.from_numpy(_fitted(v[None], height, width)[0]) for k, v in truth.items()}
    return Held(
        path.parent.name, told["element"], torch.from_numpy(photos).to(device), facts,
        {k: v.to(device) for k, v in masks.items()},
    )  # fmt: skip


def _fitted(planes: np.ndarray, height: int, width: int) -> np.ndarray:
    """Cut or fill the last two axes about their middle."""
    for axis, goal in ((-2, height), (-1, width)):
        size = planes.shape[axis]
        if size > goal:
            start = (size - goal) // 2
            planes = planes.take(range(start, start + goal), axis=axis)
        else:
            room = [(0, 0)] * planes.ndim
            room[axis] = ((goal - size) // 2, goal - size - (goal - size) // 2)
            planes = np.pad(planes, room)
    return np.ascontiguousarray(planes)


@dataclass(frozen=True, eq=False)
class Batch:
    """Pairs: what `inputs_of` takes, whether the presses differ, and where the drawing does."""

    query: Tensor
    model: Tensor
    spread: Tensor
    seen: Tensor
    differs: Tensor
    truth: Tensor
    told: Tensor


def consensus_of(held: Held, numbers: list[int]) -> tuple[Tensor, Tensor, Tensor]:
    """Middle (3, H, W) sRGB, spread (1, H, W) and where it is seen, of some photos."""
    photos = held.photos[numbers].float() / 255
    colour, valid = photos[:, :3], photos[:, 3:] > 0.5
    count = valid.sum(dim=0)
    middle = torch.where(count > 0, _middle(colour, valid, count), colour[0])
    logs = (_linear(colour) + 0.008).log()
    apart = (logs - (_linear(middle) + 0.008).log()).abs().mean(dim=1, keepdim=True) * valid
    extra = (count - 1).clamp(min=0)
    squared = (apart**2).sum(dim=0) / (count - 1).clamp(min=1)
    spread = ((squared * extra + PRIOR_PHOTOS * PRIOR_SPREAD**2) / (extra + PRIOR_PHOTOS)).sqrt()
    spread = _soft(spread[None], torch.tensor([1.5], device=spread.device))[0]
    return middle, spread, (2 * count >= count.max()) & (count > 0)


def _middle(planes: Tensor, valid: Tensor, count: Tensor) -> Tensor:
    """Lower median (C, H, W) of the valid ones of a few pictures (n, C, H, W).

    Sorted by comparing pictures as wholes: `torch.nanmedian` takes pixels one by one.
    """
    rows = list(torch.where(valid, planes, torch.inf))
    for last in range(len(rows) - 1, 0, -1):
        for k in range(last):
            rows[k], rows[k + 1] = (
                torch.minimum(rows[k], rows[k + 1]), torch.maximum(rows[k], rows[k + 1]),
            )  # fmt: skip
    at = ((count - 1).clamp(min=0) // 2).expand_as(rows[0])
    return torch.stack(rows).gather(0, at[None])[0]


def _linear(code: Tensor) -> Tensor:
    return torch.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)


def _soft(planes: Tensor, sigma: Tensor) -> Tensor:
    """Blur each picture (B, C, H, W) by its sigma, px; those below 0.3 stay as they are."""
    radius = int(min(15, max(2, float(sigma.max()) * 3)))
    at = torch.arange(-radius, radius + 1, device=planes.device)
    kernel = torch.exp(-0.5 * (at[None] / sigma[:, None].clamp(min=1e-3)) ** 2)
    kernel = torch.where(sigma[:, None] < 0.3, (at == 0).float()[None], kernel)
    kernel = (kernel / kernel.sum(dim=1, keepdim=True)).repeat_interleave(planes.shape[1], dim=0)
    flat = planes.reshape(1, -1, *planes.shape[2:])
    groups = flat.shape[1]
    flat = functional.pad(flat, (radius,) * 4, mode="replicate")
    flat = functional.conv2d(flat, kernel[:, None, None, :], groups=groups)
    flat = functional.conv2d(flat, kernel[:, None, :, None], groups=groups)
    return flat.reshape(planes.shape)


@dataclass(frozen=True, eq=False)
class Pair:
    """Photos that a model is made of, the query, and whether the presses differ."""

    held: Held
    model: tuple[int, ...]
    query: int
    differs: bool

    @property
    def facts(self) -> Facts:
        """What the query shows."""
        return self.held.facts[self.query]

    @property
    def truth(self) -> Tensor:
        """Where the drawing differs: what either differs in from the genuine one."""
        found = torch.zeros_like(self.held.photos[0, 0])
        if self.differs:
            for origin in {self.facts.origin, self.held.facts[self.model[0]].origin}:
                if origin in self.held.truth:
                    found = found | self.held.truth[origin]
        return found


def one_pair(held: Held, rng: np.random.Generator, *, harder: bool) -> Pair:
    """Draw a pair; half of them differ. One in three is held against a copy."""
    differs = bool(rng.random() < 0.5)
    if rng.random() < AGAINST_COPIES:
        return _against_copy(held, rng, differs)
    able = held.chosen(genuine=not differs)
    share = np.array([_asked(held.facts[k], harder=harder) for k in able])
    query = int(rng.choice(able, p=share / share.sum()))
    who = (held.facts[query].origin, held.facts[query].specimen)
    rest = [
        k
        for k in held.chosen(reference=True)
        if (held.facts[k].origin, held.facts[k].specimen) != who
    ]
    count = min(len(rest), int(rng.choice([1, 2, 3, 5], p=[0.2, 0.15, 0.25, 0.4])))
    return Pair(held, tuple(int(k) for k in rng.permutation(rest)[:count]), query, differs)


def _asked(facts: Facts, *, harder: bool) -> float:
    """Return how often a photo is asked about, beside others of the same answer."""
    if facts.genuine:
        return 1.0 if facts.reference else CASUAL
    return HARDER[facts.skill] if harder else 1.0


def _against_copy(held: Held, rng: np.random.Generator, differs: bool) -> Pair:
    """Hold a photo against one of a copy: another photo of it, or another press's."""
    fakes = held.chosen(genuine=False)
    twice = [k for k in fakes if _same_press(held, fakes, k)]
    model = int(rng.choice(twice if twice and not differs else fakes))
    same = _same_press(held, fakes, model)
    others = [
        k
        for k in [*fakes, *held.chosen(genuine=True, reference=False)]
        if held.facts[k].origin != held.facts[model].origin
    ]
    if not differs and same:
        return Pair(held, (model,), int(rng.choice(same)), False)
    return Pair(held, (model,), int(rng.choice(others)), True)


def _same_press(held: Held, photos: list[int], one: int) -> list[int]:
    """Return the other photos that show the print of the same press."""
    return [k for k in photos if k != one and held.facts[k].origin == held.facts[one].origin]


def batch_of(
    pairs: list[Pair],
    rng: np.random.Generator,
    *,
    change: bool,
    mixed: float = 0.0,
    across: float = 0.0,
    recoloured: float = 0.0,
) -> Batch:
    """Put pairs of one element together, changed at random where told.

    A share ``mixed`` of the changed pairs take a part of another pair in; a share ``across`` of
    these may take it of a pair of the other answer, all others take it of the same. In a share
    ``recoloured`` red, green and blue change places, in both pictures alike.
    """
    made = [consensus_of(pair.held, list(pair.model)) for pair in pairs]
    queries = torch.stack([pair.held.photos[pair.query] for pair in pairs]).float() / 255
    query, seen = queries[:, :3], queries[:, 3:] > 0.5
    model, spread = (torch.stack([m[k] for m in made]) for k in (0, 1))
    seen = seen & torch.stack([m[2] for m in made])
    device = query.device
    softer = torch.tensor([pair.facts.softer for pair in pairs], device=device)
    careful = torch.tensor([pair.facts.reference for pair in pairs], device=device)
    model = _soft(model, softer)
    truth = torch.stack([pair.truth for pair in pairs])[:, None].float()
    differs = torch.tensor([pair.differs for pair in pairs], device=device)
    if change:
        # A careful photo stands in for a casual one: both are made as soft as one.
        soft = torch.rand(len(pairs), device=device) * 1.4 * careful
        both = soft + (torch.rand(len(pairs), device=device) < 0.3) * torch.rand(
            len(pairs), device=device
        )
        query, model = _soft(query, both), _soft(model, both)
        planes = (query, model, spread, seen, truth)
        planes, differs = _mixed(planes, differs, (mixed, across), rng)
        query, model, spread, seen, truth = _changed(*planes, rng)
        query, model = _recoloured(query, model, recoloured, rng)
    inner = -functional.max_pool2d(-seen.float(), 9, 1, 4)
    told = ~differs | (truth.flatten(1).amax(dim=1) > 0)
    return Batch(query, model, spread, inner, differs.float(), truth * inner, told.float())


def _mixed(
    planes: tuple[Tensor, ...],
    differs: Tensor,
    shares: tuple[float, float],
    rng: np.random.Generator,
) -> tuple[tuple[Tensor, ...], Tensor]:
    """Put a part of one pair into another: designs that nobody drew.

    Both pictures of a pair lie in one frame, so that the part is cut along the same line in
    both. After CutMix (Yun et al., ICCV 2019), with a line that is not a rectangle's. A pair
    of both answers differs; where nothing of what differs by its drawing is left in it, it
    stays unmixed.
    """
    mixed, across = shares
    answers = differs.cpu().numpy()
    partner = np.arange(len(answers))
    for answer in (False, True):
        alike = np.flatnonzero(answers == answer)
        partner[alike] = np.roll(alike, 1)
    any_other = np.roll(np.arange(len(answers)), 1)
    partner = np.where(rng.random(len(answers)) < across, any_other, partner)
    partner = np.where(rng.random(len(answers)) < mixed, partner, np.arange(len(answers)))
    other = torch.from_numpy(partner).to(differs.device)
    rough = torch.randn(len(answers), 1, 4, 6, device=differs.device)
    line = functional.interpolate(rough, planes[0].shape[-2:], mode="bicubic") > 0
    left = torch.where(line, planes[-1][other], planes[-1]).flatten(1).sum(dim=1)
    line = line & ((differs == differs[other]) | (left > LEAST_LEFT))[:, None, None, None]
    both = differs | (differs[other] & line.flatten(1).any(dim=1))
    return tuple(torch.where(line, plane[other], plane) for plane in planes), both


def _recoloured(
    query: Tensor, model: Tensor, share: float, rng: np.random.Generator
) -> tuple[Tensor, Tensor]:
    """Let the channels of a share of the pairs change places: designs in other inks."""
    orders = [
        rng.permutation(3) if rng.random() < share else np.arange(3) for _ in range(len(query))
    ]
    order = torch.from_numpy(np.stack(orders)).to(query.device)[:, :, None, None]
    order = order.expand_as(query)
    return query.gather(1, order), model.gather(1, order)


def _changed(
    query: Tensor, model: Tensor, spread: Tensor, seen: Tensor, truth: Tensor,
    rng: np.random.Generator,
) -> tuple[Tensor, Tensor, Tensor, Tensor, Tensor]:  # fmt: skip
    """Turn, scale and mirror pairs; move the query a little; change light and noise."""
    count, device = len(query), query.device
    angle = torch.from_numpy(rng.normal(0, 0.12, count) + np.pi * rng.integers(0, 2, count))
    scale = torch.from_numpy(np.exp(rng.uniform(-0.35, 0.3, count)))
    flip = torch.from_numpy(rng.choice([-1.0, 1.0], count))
    ratio = query.shape[-1] / query.shape[-2]
    cos, sin = torch.cos(angle) * scale, torch.sin(angle) * scale
    zero = torch.zeros(count, dtype=torch.float64)
    theta = torch.stack(
        [cos * flip, -sin / ratio, zero, sin * ratio * flip, cos, zero], 1
    ).reshape(count, 2, 3).float().to(device)  # fmt: skip
    grid = functional.affine_grid(theta, list(query.shape), align_corners=False)
    rough = torch.randn(count, 2, 6, 8, device=device) * 0.7
    drift = functional.interpolate(rough, query.shape[-2:], mode="bicubic").permute(0, 2, 3, 1)
    size = torch.tensor([query.shape[-1], query.shape[-2]], device=device)
    amount = torch.rand(count, 1, 1, 1, device=device)
    both = torch.cat([model, spread, seen.float(), truth], dim=1)
    both = functional.grid_sample(both, grid, mode="bilinear", align_corners=False)
    moved = functional.grid_sample(
        torch.cat([query, seen.float()], dim=1), grid + 2 * amount * drift / size,
        mode="bilinear", align_corners=False,
    )  # fmt: skip
    query, also = moved[:, :3], moved[:, 3:] > 0.99
    model, spread, seen, truth = (
        both[:, :3], both[:, 3:4], (both[:, 4:5] > 0.99) & also, (both[:, 5:] > 0.5).float(),
    )  # fmt: skip
    mixed = torch.eye(3, device=device) + 0.12 * torch.randn(count, 3, 3, device=device)
    power = torch.exp(0.25 * torch.randn(count, 1, 1, 1, device=device))

    def shown(planes: Tensor) -> Tensor:
        changed = torch.einsum("bij,bjhw->bihw", mixed, planes.clamp(1e-4, 1) ** power)
        return changed.clamp(0, 1)

    query, model = shown(query), shown(model)
    light = torch.exp(0.05 * torch.randn(count, 3, 1, 1, device=device))
    slope = 0.05 * torch.randn(count, 1, 3, 4, device=device)
    light = light * torch.exp(functional.interpolate(slope, query.shape[-2:], mode="bicubic"))
    noise = 0.012 * torch.rand(count, 1, 1, 1, device=device) * torch.randn_like(query)
    return (query * light + noise).clamp(0, 1), model, spread, seen, truth
