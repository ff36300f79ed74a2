"""Which photos of which specimens a demo set holds: plans, before anything is rendered."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import count as counting
from itertools import islice

import numpy as np

from loupebook.demo.camera.request import Shot
from loupebook.demo.press.edition import Edition
from loupebook.demo.press.origin import PrintOrigin
from loupebook.demo.world import Specimen, World
from loupebook.errors import WorldInvalid
from loupebook.records.model import Element, Lighting, Standing, View

#: Numbers of specimens from here on appear in queries only.
FIRST_QUERY_SPECIMEN = 500
_POOR = 20
"""Poor photos among the queries of a world."""
_FACE = {Element.BAND: View.FACE, Element.SEAL: View.FACE, Element.CAP: View.HEAD}


@dataclass(frozen=True)
class PlannedPhoto:
    """One photo to be taken.

    Parameters
    ----------
    world : World
        Where the item comes from.
    edition, origin, specimen
        What it shows.
    shot : Shot
        How it is taken; the surface number is always 0.
    group : str
        ``reference``, or which kind of query it is.
    """

    world: World
    edition: Edition
    origin: PrintOrigin
    specimen: Specimen
    shot: Shot
    group: str = "reference"


def held_out_origin(world: World, edition: Edition) -> PrintOrigin:
    """Return the fake origin of an edition that only queries show; all skills take turns."""
    place = world.editions.index(edition)
    fakes = [o for o in world.origins(edition) if o.standing is Standing.FAKE]
    return fakes[place % len(fakes)]


def plan_references(world: World, *, seed: int, count: int | None = None) -> list[PlannedPhoto]:
    """Plan a set: three genuine specimens an edition, and one of each fake origin but one.

    Parameters
    ----------
    world : World
        Whose items.
    seed : int
        Decides how they are photographed.
    count : int, optional
        How many photos; more than one round of specimens begins another round. Default is
        one round.

    Raises
    ------
    WorldInvalid
        A count below 1 or a negative seed.
    """
    if count is not None and count < 1:
        raise WorldInvalid(f"a set holds at least one photo, not {count}")
    if seed < 0:
        raise WorldInvalid(f"the seed of a set cannot be negative ({seed})")
    if count is None:
        return list(_round(world, seed, 0))
    rounds = (photo for number in counting() for photo in _round(world, seed, number))
    return list(islice(rounds, count))


def _round(world: World, seed: int, number: int) -> Iterator[PlannedPhoto]:
    for place, edition in enumerate(world.editions):
        away = held_out_origin(world, edition)
        for origin in world.origins(edition):
            if origin.name == away.name:
                continue
            for specimen in _specimens(world, edition, origin, number):
                key = [seed, number, place, _number(origin.seed), specimen.seed]
                rng = np.random.default_rng(key)
                for shot in _reference_shots(edition.element, origin.standing, specimen.seed, rng):
                    yield PlannedPhoto(world, edition, origin, specimen, shot)


def _number(seed: int) -> int:
    return seed % (1 << 31)


def _specimens(
    world: World, edition: Edition, origin: PrintOrigin, number: int
) -> tuple[Specimen, ...]:
    """Two of the first house run (one cap), one of every other origin."""
    house = origin.standing is Standing.GENUINE
    first_run = world.origins(edition)[0].name == origin.name
    size = 2 if house and first_run and edition.element is not Element.CAP else 1
    return world.specimens(origin, size, first=number * size)


def _reference_shots(
    element: Element, standing: Standing, specimen: int, rng: np.random.Generator
) -> list[Shot]:
    second = {
        Element.BAND: (Lighting.DIFFUSE, Lighting.RAKING, Lighting.DIFFUSE, Lighting.TILT),
        Element.SEAL: (Lighting.UV_A,),
        Element.CAP: (),
    }[element]
    lightings = [Lighting.DIFFUSE]
    if second:
        lightings.append(second[int(rng.integers(len(second)))])
    if element is Element.SEAL and (standing is Standing.GENUINE or specimen % 2 == 0):
        lightings.append(Lighting.TILT)
    return [_shot(element, lighting, rng, query=False) for lighting in lightings]


def _shot(
    element: Element,
    lighting: Lighting,
    rng: np.random.Generator,
    *,
    query: bool,
    poor: bool = False,
) -> Shot:
    tilt = float(rng.uniform(8, 20) * rng.choice([-1, 1])) if lighting is Lighting.TILT else 0.0
    seed = int(rng.integers(1 << 31))
    return Shot(seed, 0, lighting, _FACE[element], query=query, tilt=tilt, poor=poor)


def plan_queries(world: World, *, seed: int) -> list[PlannedPhoto]:
    """Plan held-out queries in random order.

    New genuine specimens, new specimens of known fake origins, fakes of origins that are
    not in the set, items of marques that are not in the set, and poor photos of any edition,
    half of them of fakes.

    Parameters
    ----------
    world : World
        The world of the set.
    seed : int
        Decides everything else.
    """
    rng = np.random.default_rng([seed, 9])
    photos = _good_queries(world, rng)
    own = np.random.default_rng([seed, 10])
    count = len(world.editions)
    rounds = [own.permutation(count) for _ in range(-(-_POOR // count))]
    photos += [
        _query(world, int(place), "poor photo", own, fake=bool(number % 2))
        for number, place in enumerate(np.concatenate(rounds)[:_POOR])
    ]
    return _in_random_order(photos, rng)


def plan_shipped_queries(world: World, *, seed: int) -> list[PlannedPhoto]:
    """Plan the queries that ship with the demo set; parameters as :func:`plan_queries`.

    Their poor photos show no seal: bands of fakes and caps of genuine items only. Figures that
    are quoted rest on them, so they stay as they were drawn.
    """
    rng = np.random.default_rng([seed, 9])
    photos = _good_queries(world, rng)
    photos += [
        _query(world, place, "poor photo", rng, fake=place % 4 == 1)
        for place in range(1, 2 * _POOR, 2)
    ]
    return _in_random_order(photos, rng)


def _in_random_order(
    photos: Sequence[PlannedPhoto], rng: np.random.Generator
) -> list[PlannedPhoto]:
    return [photos[k] for k in rng.permutation(len(photos))]


def _good_queries(world: World, rng: np.random.Generator) -> list[PlannedPhoto]:
    stranger = World(world.seed + 4_001, marques=4)
    editions = len(world.editions)
    photos = [_query(world, k, "genuine, new specimen", rng) for k in range(editions + 16)]
    photos += [_query(world, k, "fake, known origin", rng, fake=True) for k in range(editions)]
    unseen = [k for k, e in enumerate(world.editions) if e.element is not Element.CAP][:24]
    photos += [_query(world, k, "fake, unseen origin", rng) for k in unseen]
    return photos + [_query(stranger, k, "unknown marque", rng) for k in range(12)]


def _query(
    world: World, place: int, group: str, rng: np.random.Generator, *, fake: bool = False
) -> PlannedPhoto:
    edition = world.editions[place % len(world.editions)]
    away = held_out_origin(world, edition)
    house = [o for o in world.origins(edition) if o.standing is Standing.GENUINE]
    fakes = [
        planned for planned in world.origins(edition)
        if planned.standing is Standing.FAKE and planned.name != away.name
    ]  # fmt: skip
    if group == "fake, unseen origin":
        origin = away
    elif fake:
        origin = fakes[int(rng.integers(len(fakes)))]
    else:
        origin = house[int(rng.integers(2))]
    number = FIRST_QUERY_SPECIMEN + int(rng.integers(400))
    specimen = world.specimens(origin, 1, first=number)[0]
    choices = {
        Element.BAND: (Lighting.DIFFUSE,) * 6 + (Lighting.RAKING, Lighting.TILT),
        Element.SEAL: (Lighting.DIFFUSE,) * 4 + (Lighting.UV_A, Lighting.TILT),
        Element.CAP: (Lighting.DIFFUSE,),
    }[edition.element]
    lighting = choices[int(rng.integers(len(choices)))]
    shot = _shot(edition.element, lighting, rng, query=True, poor=group == "poor photo")
    return PlannedPhoto(world, edition, origin, specimen, shot, group)
