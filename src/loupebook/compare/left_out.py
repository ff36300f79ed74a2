"""The known photos of one design, each held against the genuine ones of other specimens.

So a set judges its own labels: a specimen recorded as genuine whose print departs from all
others may be a copy, and one recorded as a copy may not be. A photo and its whole specimen
take no part in what it is held against: neither in the middle nor in the spread, nor in what
is usual. Only the frame may be its own.

A specimen that is not among the genuine ones is held against as many of them as these are
themselves: one, each in its turn, is left out for it as well. Otherwise the number of
specimens would tell the standings apart.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from loupebook.compare.comparison import departure, measured, own_figures
from loupebook.compare.consensus import Consensus, Source
from loupebook.compare.registration import register
from loupebook.compare.store import Held


@dataclass(frozen=True)
class LeftOut:
    """One photo held against the other specimens.

    Parameters
    ----------
    photo_id : int
        Its row id.
    specimen : str
        What it shows.
    laid : bool
        Whether it could be laid over them.
    z : float, optional
        All measurements together (:func:`.comparison.overall`); `None` where none could be
        taken.
    differs : tuple of str
        Names of the measurements that differ.
    each : mapping
        Measurement to its z, for those that could be taken.
    others : int
        Genuine specimens that it was held against.
    """

    photo_id: int
    specimen: str
    laid: bool
    z: float | None
    differs: tuple[str, ...] = ()
    each: Mapping[str, float] = field(default_factory=dict)
    others: int = 0

    @property
    def departure(self) -> float | None:
        """How far the print departs (:func:`.comparison.departure`)."""
        return None if self.z is None else departure(self.z, self.each.values())


def each_left_out(held: Held, photos: Sequence[Source], *, uv: bool) -> Iterator[LeftOut]:
    """Hold photos against the genuine ones of other specimens.

    Parameters
    ----------
    held : Held
        Consensus of the genuine photos of a design, view and lighting.
    photos : sequence of Source
        Photos of that design, view and lighting, of either standing. Those whose specimen is
        the only genuine one are passed over, and so are photos that were lit otherwise than
        the others (:func:`.cast.lit_otherwise`).
    uv : bool
        Whether all were photographed under UV-A.
    """
    inside = list(dict.fromkeys(one.specimen for one in held.consensus.photos))
    known = set(inside)
    outside = list(dict.fromkeys(one.specimen for one in photos if one.specimen not in known))
    for place, left in enumerate(inside):
        # Nobody is left for the only genuine one; all others have it alone.
        asked = {left, *outside[place :: len(inside)]} if len(inside) > 1 else set(outside)
        mine = [one for one in photos if one.specimen in asked]
        if not mine:
            continue
        others = held.consensus.made_without(left) or held.consensus
        own = held.own if others is held.consensus else own_figures(others, uv=uv)
        for one in mine:
            told = _left_out(one, others, own, uv=uv)
            if told is not None:
                yield told


def _left_out(
    one: Source, others: Consensus, own: Mapping[str, Sequence[float]], *, uv: bool
) -> LeftOut | None:
    laid = register(one.picture, others.picture, px_per_mm=others.px_per_mm)
    found = measured(one.picture, laid, others, own=own, uv=uv)
    if laid.registered and not found.registration.registered:
        return None  # lit otherwise
    each = {figure.name: figure.z for figure in found.figures if figure.z is not None}
    return LeftOut(
        one.photo_id, one.specimen, laid.registered, found.overall_z, found.differs, each,
        len({photo.specimen for photo in others.photos}),
    )  # fmt: skip
