"""Draws a seal from its plan: a paper strip with lathe work, crest, numbers and bar code.

The number stands in three places that agree on a genuine seal; in UV ink the crest is
complete and carries no number.
"""

from __future__ import annotations

import math

import numpy as np
import skia

from loupebook.demo.artwork import guilloche, lettering
from loupebook.demo.artwork.crest import crest_marks
from loupebook.demo.artwork.geometry import (
    ellipse_points,
    joined,
    offset,
    polygon,
    transformed,
)
from loupebook.demo.artwork.marks import drawn, over, raised, reversed_out, solid
from loupebook.demo.artwork.model import Artwork, Mark, Part, Plate, PlateKind
from loupebook.demo.artwork.ornaments import emblem_marks
from loupebook.demo.artwork.palette import FOILS, UV_GREEN, UV_ORANGE
from loupebook.demo.artwork.seal_plan import CREST, SealPlan
from loupebook.demo.artwork.seal_security import (
    CODE_WIDTH_MM,
    code_parts,
    hologram_part,
    serial_parts,
    uv_parts,
)
from loupebook.records.model import Element

SERIAL_RED = (0.45, 0.02, 0.03)


def seal_plates(plan: SealPlan) -> tuple[Plate, ...]:
    """Plates of a seal, in printing order."""
    p = plan.palette
    # A pale ground would not carry lettering, and seals of the trade are often
    # green, which this world leaves to them: the second colour takes its place.
    red, green, blue = p.ground
    swapped = sum(p.ground) > 1.2 or (green > 1.25 * red and green > 1.1 * blue)
    main, second = (p.accent, p.dark) if swapped else (p.ground, p.accent)
    r, g, b = (0.55 * a + 0.45 * c for a, c in zip(main, p.paper, strict=True))
    return (
        Plate("tint", PlateKind.INK, (r, g, b)),
        Plate("accent", PlateKind.INK, second),
        Plate("ground", PlateKind.INK, main),
        Plate("dark", PlateKind.INK, p.dark),
        Plate("serial", PlateKind.INK, SERIAL_RED),
        Plate("foil", PlateKind.FOIL, FOILS["silver"]),
        Plate("hologram", PlateKind.HOLOGRAM),
        Plate("emboss", PlateKind.EMBOSS),
        Plate("uv", PlateKind.UV, UV_GREEN),
        Plate("uv-orange", PlateKind.UV, UV_ORANGE),
    )


def draw_seal(plan: SealPlan) -> Artwork:
    """Artwork of a seal."""
    w, h = plan.width, plan.height

    def place(x: float) -> float:
        return w - x if plan.mirrored else x

    code_x = place(w - 4.2 - CODE_WIDTH_MM / 2)
    crest_x, text_x = place(16.5), place(51.0)
    parts = [
        _ground(plan, crest_x),
        _border(plan),
        *_crest(plan, crest_x),
        *_title(plan, text_x),
        *_vignette(plan, place(41.0), place(61.5)),
        *code_parts(plan, code_x),
        *serial_parts(plan, text_x, code_x),
        *uv_parts(plan, place(51.0)),
        _imprint(plan, place(3.0)),
    ]
    return Artwork(
        element=Element.SEAL,
        width=w,
        height=h,
        outline=skia.Path.Rect(skia.Rect(0, 0, w, h)),
        paper=plan.palette.paper,
        plates=seal_plates(plan),
        parts=tuple(p for p in parts if p.marks),
        emboss_mm=0.05,
        facts={
            "marque": plan.marque,
            "edition": plan.edition,
            "gtin": plan.gtin,
            "serials": dict(plan.serials),
            "palette": plan.palette.name,
        },
    )


def _ground(plan: SealPlan, crest_x: float) -> Part:
    w, h = plan.width, plan.height
    waves = guilloche.moire_ground(-1, 3.4, w + 1, h - 3.4, pitch=0.52, swing=0.9, period=9.0)
    cross = guilloche.moire_ground(
        -1, 3.6, w + 1, h - 3.6, pitch=0.52, swing=-0.9, period=9.0, phase=1.3
    )
    big = guilloche.rosette(crest_x, h / 2, 12.6, 5.5, petals=plan.petals, lines=12)
    mid = guilloche.rosette(
        w / 2 - (crest_x - w / 2) * 0.13,
        h / 2,
        12.4,
        3.0,
        petals=plan.petals + 5,
        lines=14,
        stretch=1.7,
    )
    marks = (
        over(skia.Path.Rect(skia.Rect(-1, -1, w + 1, h + 1)), "tint", tint=0.18),
        drawn(waves, "tint", 0.07),
        drawn(cross, "accent", 0.05),
        drawn(big, "ground", 0.06),
        drawn(mid, "tint", 0.08),
    )
    return Part(
        "ground",
        f"{plan.palette.name} lathe-work ground with rosettes of {plan.petals} lobes",
        marks,
    )


def _border(plan: SealPlan) -> Part:
    w, h = plan.width, plan.height
    marks: list[Mark] = []
    for y in (1.75, h - 1.75):
        strip = skia.Path.Rect(skia.Rect(-1, y - 1.25, w + 1, y + 1.25))
        weave = guilloche.wave_border(-1, w + 1, y, 1.0, period=2.8, lines=plan.border_lines)
        marks += [solid(strip, "ground"), reversed_out(weave, 0.07)]
        marks += [
            drawn(polygon([(-1, y + d), (w + 1, y + d)], closed=False), "dark", 0.14)
            for d in (-1.36, 1.36)
        ]
    return Part("border", "woven wave border along both edges", tuple(marks))


def _crest(plan: SealPlan, x: float) -> list[Part]:
    y = plan.height / 2 - 0.2
    disc = ellipse_points(x, y, 11.2, 11.2)
    rim = [
        Mark(polygon(disc), "paper"),
        drawn(guilloche.rays(x, y, disc, count=90, share=0.12), "tint", 0.05),
        drawn(polygon(disc), "dark", 0.22),
        drawn(polygon(offset(disc, -0.4)), "dark", 0.06),
    ]
    ring_text = lettering.arc(
        plan.body,
        plan.legend_face,
        1.05,
        centre=(x, y),
        radius=10.0,
        middle=-math.pi / 2,
        tracking=0.14,
    )
    low = lettering.arc(
        "· " + plan.island + " ·",
        plan.legend_face,
        1.05,
        centre=(x, y),
        radius=10.0,
        middle=math.pi / 2,
        tracking=0.2,
        inward=True,
    )
    inner = polygon(ellipse_points(x, y, 9.1, 9.1))
    number = dict(plan.serials).get(CREST, "")
    arms = crest_marks(
        (x, y - 0.6),
        15.5,
        seed=plan.emblem_seed,
        kind=plan.emblem,
        number=number,
        metal="tint",
        pairs=plan.leaf_pairs,
        missing=plan.missing_leaves,
    )
    words = "crest: quartered shield, crown and laurel, with four digits of the number"
    return [
        Part("crest-rim", "round frame of the crest", (*rim, drawn(inner, "dark", 0.08))),
        Part(
            "crest-legend",
            f"legend round the crest: {plan.body}",
            (over(joined([ring_text, low]), "dark"),),
        ),
        Part("crest", words, tuple(arms)),
    ]


def _title(plan: SealPlan, x: float) -> list[Part]:
    title = lettering.fitted(plan.title, plan.title_face, 2.9, at=(x, 6.4), width=41, tracking=0.06)
    under = lettering.fitted(
        plan.body, plan.legend_face, 1.25, at=(x, 9.7), width=39, tracking=0.14
    )
    rule = guilloche.wave_border(x - 19, x + 19, 11.4, 0.42, period=1.5, lines=3)
    return [
        Part(
            "title",
            f"title: {plan.title}",
            (
                drawn(title, "paper", 0.5, overprints=False),
                Mark(title, "ground"),
                drawn(title, "dark", 0.07),
                raised(title),
            ),
        ),
        Part(
            "body",
            f"issuing body: {plan.body}",
            (drawn(under, "paper", 0.3, overprints=False), over(under, "dark")),
        ),
        Part("rule", "fine woven rule under the title", (drawn(rule, "dark", 0.05),)),
    ]


def _vignette(plan: SealPlan, x: float, holo_x: float) -> list[Part]:
    y = 18.4
    oval = ellipse_points(x, y, 8.4, 6.0)
    sky = [
        Mark(polygon(oval), "paper"),
        drawn(guilloche.concentric(oval, x, y, count=16, inner=0.2), "tint", 0.06),
        drawn(polygon(oval), "dark", 0.16),
        drawn(polygon(offset(oval, 0.75)), "dark", 0.07),
    ]
    scene = emblem_marks(
        plan.emblem, plan.emblem_seed, at=(x, y), size=10.2, ink="dark", fill="paper", pitch=0.15
    )
    parts = [
        Part("vignette", "oval behind the vignette", tuple(sky)),
        Part("emblem", f"engraved {plan.emblem} in an oval", tuple(scene)),
    ]
    if plan.microtext:
        around = ellipse_points(x, y, 8.8, 6.4)
        length = float(np.hypot(*np.diff(around, axis=0).T).sum())
        text = lettering.micro_lines(plan.microtext, "gothic", 0.42, length=length * 0.88)
        ring = lettering.arc(
            text,
            "gothic",
            0.42,
            centre=(x, y),
            radius=6.38,
            middle=-math.pi / 2,
            stretch=8.78 / 6.38,
        )
        parts.append(
            Part("microtext", f"microtext round the oval: {plan.microtext}", (over(ring, "dark"),))
        )
    return [*parts, hologram_part(plan, holo_x, y)]


def _imprint(plan: SealPlan, x: float) -> Part:
    text = lettering.line("INVENTED FOR A DEMONSTRATION", "gothic", 0.8, at=(0, 0), tracking=0.1)
    path = transformed(text, turn=math.pi / 2, move=(x, plan.height / 2))
    return Part("imprint", "printer's imprint: invented for a demonstration", (over(path, "dark"),))
