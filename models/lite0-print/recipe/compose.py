"""Invented printed matter: covers, labels, caps, notes and cartons, from open ingredients.

A *marque* is one house style (colours, typefaces, frame). It issues two editions that share
the style and differ in wording and picture; of each there is the house's print and a copy
that somebody drew anew: shifted, in other shades, at times in another typeface, at times
with a part left out. All of it follows from the number of the marque.
"""

from __future__ import annotations

import colorsys
import math
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

SIDE = 384
KINDS = ("cover", "cover", "label", "label", "cap", "note", "carton")
SYLLABLES = [
    "ar", "be", "lo", "mi", "ta", "ne", "ku", "sol", "ven", "dor", "cas", "tel", "mar", "ino",
    "lia", "que", "bra", "fon", "gri", "hal", "jun", "ser", "pal", "rim", "sto", "tur", "vol",
    "wen", "zar", "eth", "och", "und", "ing", "ora", "est", "al",
]  # fmt: skip


@dataclass(frozen=True)
class Made:
    """One flat print: colour with outline (h, w, 4) RGBA, and where bare foil lies (h, w)."""

    colour: np.ndarray
    foil: np.ndarray
    kind: str


class Ingredients:
    """The pictures and typefaces of a folder, read when first wanted."""

    def __init__(self, folder: Path) -> None:
        def named(pattern: str) -> list[Path]:
            return sorted(folder.glob(pattern))

        self.photos = named("photo-*.webp")
        self.art = named("art-*.webp") + named("thing-*.webp") + named("emoji-*-solid.webp")
        self.fonts = sorted(p for p in folder.iterdir() if p.suffix in (".ttf", ".otf"))

    @staticmethod
    @lru_cache(maxsize=4096)
    def picture(path: Path) -> Image.Image:
        """Read one picture as RGBA."""
        return Image.open(path).convert("RGBA")

    @staticmethod
    @lru_cache(maxsize=2048)
    def font(path: Path, size: int) -> ImageFont.FreeTypeFont:
        """Read one typeface at one size."""
        return ImageFont.truetype(str(path), size)


def _words(rng: np.random.Generator, count: int) -> str:
    made = []
    for _ in range(count):
        made.append("".join(rng.choice(SYLLABLES, int(rng.integers(1, 4)))).capitalize())
    return " ".join(made)


def _shade(rng: np.random.Generator, light: float | None = None) -> tuple[int, int, int]:
    value = float(rng.uniform(0.1, 1.0)) if light is None else light
    saturation = float(rng.beta(1.4, 1.4)) * (0.35 if value > 0.85 and rng.random() < 0.5 else 1)
    red, green, blue = colorsys.hsv_to_rgb(float(rng.random()), saturation, value)
    return int(red * 255), int(green * 255), int(blue * 255)


class Sheet:
    """A sheet being designed; a copyist's sheet strays from what it is told."""

    def __init__(
        self, stock: Ingredients, size: tuple[int, int], fonts: list[Path], copyist: int | None
    ) -> None:
        self.stock = stock
        self.size = size
        self.image = Image.new("RGBA", size, (255, 255, 255, 255))
        self.foil = Image.new("L", size, 0)
        self.fonts = list(fonts)
        self.astray = None if copyist is None else np.random.default_rng([copyist, 9])
        self.slip = 0.0
        self.cast = np.zeros(3)
        if self.astray is not None:
            self.slip = float(self.astray.uniform(0.004, 0.022))
            self.cast = self.astray.normal(0, 12, 3)
            if self.astray.random() < 0.35:
                spot = int(self.astray.integers(len(self.fonts)))
                self.fonts[spot] = stock.fonts[int(self.astray.integers(len(stock.fonts)))]

    def left_out(self) -> bool:
        """Whether the copyist forgets this part."""
        return self.astray is not None and bool(self.astray.random() < 0.07)

    def strayed(self, value: float) -> float:
        """A length or place, as share of the sheet, as it comes out."""
        if self.astray is None:
            return value
        return value + float(self.astray.normal(0, self.slip))

    def ink(self, colour: tuple[int, int, int]) -> tuple[int, int, int, int]:
        """A colour as it comes out."""
        mixed = np.clip(np.array(colour) + self.cast, 0, 255).astype(int)
        return int(mixed[0]), int(mixed[1]), int(mixed[2]), 255

    def fill(self, colour: tuple[int, int, int]) -> None:
        """Fill the sheet."""
        self.image.paste(self.ink(colour), (0, 0, *self.size))

    def gradient(
        self, first: tuple[int, int, int], last: tuple[int, int, int], angle: float
    ) -> None:
        """Fill with a run from one colour to another."""
        width, height = self.size
        x, y = np.meshgrid(np.linspace(-1, 1, width), np.linspace(-1, 1, height))
        share = np.clip((x * math.cos(angle) + y * math.sin(angle)) * 0.6 + 0.5, 0, 1)[..., None]
        run = np.array(self.ink(first)) * (1 - share) + np.array(self.ink(last)) * share
        self.image = Image.fromarray(run.astype(np.uint8), "RGBA")

    def picture(
        self, path: Path, box: tuple[float, float, float, float], *, cover: bool, tint: bool = False
    ) -> None:
        """Lay a picture into a box (x, y, width, height), filling it or fitting it."""
        if self.left_out():
            return
        source = self.stock.picture(path)
        x, y, width, height = (self.strayed(v) for v in box)
        want = max(4, int(width * self.size[0])), max(4, int(height * self.size[1]))
        ratios = want[0] / source.width, want[1] / source.height
        factor = max(ratios) if cover else min(ratios)
        scaled = source.resize(
            (max(2, int(source.width * factor)), max(2, int(source.height * factor))),
            Image.Resampling.BILINEAR,
        )
        left, top = (scaled.width - want[0]) // 2, (scaled.height - want[1]) // 2
        if cover:
            scaled = scaled.crop((left, top, left + want[0], top + want[1]))
            left = top = 0
        if tint:  # one ink on paper, as an engraving
            grey = np.asarray(scaled.convert("L")).astype(np.float32)
            lines = 0.5 + 0.5 * np.sin(np.arange(grey.shape[0])[:, None] * 2.1 + grey * 0.03)
            alpha = np.clip((1 - grey / 255) * 0.8 + (lines - 0.5) * 0.5, 0, 1)
            alpha *= np.asarray(scaled)[..., 3] / 255
            ink = np.broadcast_to(np.array(self.ink((40, 50, 70)), np.uint8), (*grey.shape, 4))
            ink = ink.copy()
            ink[..., 3] = (alpha * 255).astype(np.uint8)
            scaled = Image.fromarray(ink, "RGBA")
        elif self.astray is not None:
            shifted = np.asarray(scaled).astype(np.float32)
            shifted[..., :3] += self.cast
            scaled = Image.fromarray(np.clip(shifted, 0, 255).astype(np.uint8), "RGBA")
        place = int(x * self.size[0]) - left, int(y * self.size[1]) - top
        self.image.paste(scaled, place, scaled)

    def text(
        self, words: str, box: tuple[float, float, float], font: int,
        colour: tuple[int, int, int], *, foil: bool = False,
    ) -> None:  # fmt: skip
        """Set a line around (x, y) so that it is as wide as `box` says."""
        if self.left_out():
            return
        x, y, wide = (self.strayed(v) for v in box)
        path = self.fonts[font % len(self.fonts)]
        probe = self.stock.font(path, 40).getlength(words) or 1.0
        size = int(np.clip(40 * wide * self.size[0] / probe, 7, 0.42 * self.size[1]))
        place = x * self.size[0], y * self.size[1]
        face = self.stock.font(path, size)
        ImageDraw.Draw(self.image).text(place, words, self.ink(colour), face, anchor="mm")
        if foil:
            ImageDraw.Draw(self.foil).text(place, words, 255, face, anchor="mm")

    def small_print(
        self, rng: np.random.Generator, box: tuple[float, float, float, float], font: int,
        colour: tuple[int, int, int], lines: int,
    ) -> None:  # fmt: skip
        """A block of small text."""
        text = [_words(rng, int(rng.integers(3, 6))) for _ in range(lines)]
        if self.left_out():
            return
        x, y, width, height = (self.strayed(v) for v in box)
        size = int(np.clip(height * self.size[1] / max(1, lines) * 0.85, 6, 20))
        face = self.stock.font(self.fonts[font % len(self.fonts)], size)
        draw = ImageDraw.Draw(self.image)
        for number, line in enumerate(text):
            place = x * self.size[0], (y + height * number / lines) * self.size[1]
            room = int(width * self.size[0] / max(1.0, face.getlength(line) / len(line)))
            draw.text(place, line[:room], self.ink(colour), face)

    def ring_text(
        self, words: str, radius: float, font: int, colour: tuple[int, int, int], size: float
    ) -> None:
        """Letters round the middle."""
        if self.left_out():
            return
        face = self.stock.font(self.fonts[font % len(self.fonts)], int(size * self.size[0]))
        radius = self.strayed(radius)
        start = self.strayed(0.0) * 6
        middle = self.size[0] / 2, self.size[1] / 2
        tile = int(size * self.size[0] * 2)
        for number, letter in enumerate(words):
            angle = start + number / len(words) * 2 * math.pi
            stamp = Image.new("RGBA", (tile, tile), (0, 0, 0, 0))
            ImageDraw.Draw(stamp).text(
                (tile / 2, tile / 2), letter, self.ink(colour), face, anchor="mm"
            )
            stamp = stamp.rotate(-math.degrees(angle), Image.Resampling.BICUBIC)
            x = middle[0] + radius * self.size[0] * math.sin(angle) - tile / 2
            y = middle[1] - radius * self.size[0] * math.cos(angle) - tile / 2
            self.image.paste(stamp, (int(x), int(y)), stamp)

    def guilloche(
        self, rng: np.random.Generator, colour: tuple[int, int, int], *, round_: bool
    ) -> None:
        """A rosette or a wave of fine lines."""
        turns, lobes, depth = (
            int(rng.integers(6, 22)),
            int(rng.integers(5, 16)),
            rng.uniform(0.2, 0.5),
        )
        reach, x0, y0 = rng.uniform(0.25, 0.5), rng.uniform(0.2, 0.8), rng.uniform(0.3, 0.7)
        frequency, swing = rng.uniform(2, 9), rng.uniform(0.03, 0.1)
        if self.left_out():
            return
        if self.astray is not None and self.astray.random() < 0.5:
            lobes += int(self.astray.integers(1, 3))
        depth, x0, y0 = self.strayed(depth), self.strayed(x0), self.strayed(y0)
        width, height = self.size
        canvas = np.array(self.image)
        t = np.linspace(0, 2 * np.pi, 240)
        for k in range(turns):
            if round_:
                r = reach * height * (1 + depth * np.cos(lobes * t + 2 * np.pi * k / turns)) / 1.5
                points = np.stack([x0 * width + r * np.cos(t), y0 * height + r * np.sin(t)], 1)
            else:
                x = t / (2 * np.pi) * width
                phase = 2 * np.pi * k / turns
                y = height * (k / turns + swing * np.sin(frequency * t + phase * lobes))
                points = np.stack([x, y], 1)
            fixed = (points * 16).astype(np.int32)[None]
            cv2.polylines(canvas, fixed, round_, self.ink(colour), 1, cv2.LINE_AA, 4)
        self.image = Image.fromarray(canvas, "RGBA")

    def frame(self, inset: float, colour: tuple[int, int, int], width: int, *, foil: bool) -> None:
        """A rectangular rule."""
        if self.left_out():
            return
        edge = self.strayed(inset) * min(self.size)
        box = (edge, edge, self.size[0] - edge, self.size[1] - edge)
        ImageDraw.Draw(self.image).rectangle(box, None, self.ink(colour), width)
        if foil:
            ImageDraw.Draw(self.foil).rectangle(box, None, 255, width)

    def bar(self, box: tuple[float, float, float, float], colour: tuple[int, int, int]) -> None:
        """A filled bar (x, y, width, height)."""
        if self.left_out():
            return
        x, y, width, height = (self.strayed(v) for v in box)
        w, h = self.size
        corners = (x * w, y * h, (x + max(width, 0.01)) * w, (y + max(height, 0.01)) * h)
        ImageDraw.Draw(self.image).rectangle(corners, self.ink(colour))

    def disc(self, radius: float, colour: tuple[int, int, int], line: int = 0) -> None:
        """A disc or ring round the middle."""
        w, h = self.size
        r = self.strayed(radius) * min(w, h)
        box = (w / 2 - r, h / 2 - r, w / 2 + r, h / 2 + r)
        draw = ImageDraw.Draw(self.image)
        if line:
            draw.ellipse(box, None, self.ink(colour), line)
        else:
            draw.ellipse(box, self.ink(colour))

    def finish(self, kind: str, outline: Image.Image | None) -> Made:
        """Cut out and hand over."""
        colour = np.array(self.image)
        if outline is not None:
            colour[..., 3] = np.asarray(outline)
        return Made(colour, np.array(self.foil), kind)


def _ground(
    sheet: Sheet, stock: Ingredients, style: np.random.Generator, content: np.random.Generator
) -> None:
    first, last = _shade(style), _shade(style)
    angle = float(style.uniform(0, 6.28))
    pick = style.random()
    photo = stock.photos[int(content.integers(len(stock.photos)))]
    if pick < 0.35:
        sheet.picture(photo, (0, 0, 1, 1), cover=True)
    elif pick < 0.65:
        sheet.fill(first)
    else:
        sheet.gradient(first, last, angle)
    if 0.5 < pick < 0.75:
        top = float(content.uniform(0.1, 0.4))
        sheet.picture(photo, (0.06, top, 0.88, float(content.uniform(0.3, 0.5))), cover=True)


def _art(stock: Ingredients, rng: np.random.Generator) -> Path:
    return stock.art[int(rng.integers(len(stock.art)))]


def _wording(
    sheet: Sheet, style: np.random.Generator, content: np.random.Generator, spots: list[float]
) -> None:
    foil = bool(style.random() < 0.25)
    bright = bool(style.random() < 0.5)
    for number, y in enumerate(spots):
        colour = _shade(style, float(style.uniform(0.85, 1) if bright else style.uniform(0, 0.35)))
        words = _words(content, 1 + int(content.integers(0, 3)))
        if style.random() < 0.4:
            words = words.upper()
        wide = (
            float(content.uniform(0.45, 0.9)) if number == 0 else float(content.uniform(0.2, 0.7))
        )
        if style.random() < 0.25:
            sheet.bar((0, y - 0.07, 1, 0.14), _shade(style))
        x = 0.5 + float(style.uniform(-0.1, 0.1))
        sheet.text(words, (x, y, wide), number, colour, foil=foil and number == 0)


def _cover(
    sheet: Sheet, stock: Ingredients, style: np.random.Generator, content: np.random.Generator
) -> Image.Image | None:
    _ground(sheet, stock, style, content)
    spots = sorted(style.uniform(0.08, 0.92, int(style.integers(1, 5))).tolist())
    for _ in range(int(style.integers(0, 3))):
        size = float(style.uniform(0.25, 0.75))
        x, y = style.uniform(0, 1 - size, 2)
        sheet.picture(_art(stock, content), (float(x), float(y), size, size), cover=False)
    _wording(sheet, style, content, spots)
    if style.random() < 0.3:
        sheet.frame(
            float(style.uniform(0.02, 0.06)),
            _shade(style),
            int(style.integers(1, 6)),
            foil=bool(style.random() < 0.4),
        )
    return None


def _label(
    sheet: Sheet, stock: Ingredients, style: np.random.Generator, content: np.random.Generator
) -> Image.Image | None:
    sheet.fill(
        _shade(style, float(style.uniform(0.8, 1.0))) if style.random() < 0.7 else _shade(style)
    )
    if style.random() < 0.35:
        sheet.guilloche(content, _shade(style), round_=bool(style.random() < 0.5))
    for inset in np.cumsum(style.uniform(0.015, 0.04, int(style.integers(0, 4)))):
        sheet.frame(
            float(inset), _shade(style), int(style.integers(1, 4)), foil=bool(style.random() < 0.4)
        )
    size = float(style.uniform(0.25, 0.6))
    y = float(style.uniform(0.1, 0.9 - size))
    sheet.picture(
        _art(stock, content),
        ((1 - size) / 2, y, size, size),
        cover=False,
        tint=bool(style.random() < 0.4),
    )
    _wording(
        sheet, style, content, sorted(style.uniform(0.12, 0.88, int(style.integers(2, 5))).tolist())
    )
    if style.random() < 0.6:
        sheet.small_print(
            content,
            (0.1, float(style.uniform(0.6, 0.8)), 0.8, 0.15),
            1,
            _shade(style, 0.2),
            int(style.integers(2, 5)),
        )
    if style.random() < 0.35:
        outline = Image.new("L", sheet.size, 0)
        ImageDraw.Draw(outline).rounded_rectangle(
            (0, 0, sheet.size[0] - 1, sheet.size[1] - 1),
            float(style.uniform(0.08, 0.5)) * min(sheet.size), 255,
        )  # fmt: skip
        return outline
    return None


def _cap(
    sheet: Sheet, stock: Ingredients, style: np.random.Generator, content: np.random.Generator
) -> Image.Image | None:
    sheet.fill(_shade(style))
    if style.random() < 0.3:
        sheet.guilloche(content, _shade(style), round_=True)
    for radius in sorted(
        style.uniform(0.25, 0.5, int(style.integers(1, 4))).tolist(), reverse=True
    ):
        sheet.disc(radius, _shade(style), line=int(style.integers(0, 6)))
    size = float(style.uniform(0.3, 0.65))
    if style.random() < 0.8:
        sheet.picture(
            _art(stock, content), ((1 - size) / 2, (1 - size) / 2, size, size), cover=False
        )
    colour = _shade(style, 1.0 if style.random() < 0.5 else 0.1)
    if style.random() < 0.7:
        words = (_words(content, int(content.integers(2, 5))) + " * ").upper()
        sheet.ring_text(
            words[:34], float(style.uniform(0.34, 0.43)), 0, colour, float(style.uniform(0.06, 0.1))
        )
    if style.random() < 0.5:
        sheet.text(
            _words(content, 1),
            (0.5, float(style.uniform(0.4, 0.75)), float(style.uniform(0.3, 0.7))),
            1,
            colour,
        )
    angle = np.linspace(0, 2 * np.pi, 253)
    teeth = 1 - float(style.choice([0, 0, 0.03])) * (np.sin(angle * 21) > 0)
    half = sheet.size[0] / 2
    points = [
        (half + half * t * math.cos(a), half + half * t * math.sin(a))
        for a, t in zip(angle, teeth, strict=True)
    ]
    outline = Image.new("L", sheet.size, 0)
    ImageDraw.Draw(outline).polygon(points, 255)
    return outline


def _note(
    sheet: Sheet, stock: Ingredients, style: np.random.Generator, content: np.random.Generator
) -> Image.Image | None:
    paper = _shade(style, float(style.uniform(0.8, 0.97)))
    sheet.gradient(paper, _shade(style, 0.9), float(style.uniform(0, 6)))
    for _ in range(int(style.integers(2, 5))):
        sheet.guilloche(
            content,
            _shade(style, float(style.uniform(0.3, 0.8))),
            round_=bool(style.random() < 0.6),
        )
    x = float(style.choice([0.05, 0.35, 0.6]))
    sheet.picture(
        _art(stock, content), (x, 0.12, 0.33, 0.76), cover=False, tint=bool(style.random() < 0.75)
    )
    value = str(int(content.choice([1, 2, 5, 10, 20, 50, 100, 200, 500, 1000])))
    ink = _shade(style, float(style.uniform(0.15, 0.5)))
    for spot in style.permutation(4)[: int(style.integers(1, 4))]:
        sheet.text(
            value,
            ((0.1, 0.9, 0.1, 0.9)[spot], (0.15, 0.15, 0.85, 0.85)[spot], 0.05 + 0.03 * len(value)),
            0,
            ink,
            foil=bool(style.random() < 0.2),
        )
    sheet.text(
        _words(content, 2).upper(),
        (0.5, float(style.choice([0.1, 0.9])), float(style.uniform(0.3, 0.6))),
        1,
        ink,
    )
    sheet.frame(float(style.uniform(0.01, 0.05)), ink, int(style.integers(1, 4)), foil=False)
    serial = "".join(str(d) for d in content.integers(0, 10, 8))
    sheet.text(
        serial,
        (float(style.uniform(0.2, 0.8)), float(style.uniform(0.7, 0.85)), 0.2),
        2,
        (150, 30, 40),
    )
    return None


def _carton(
    sheet: Sheet, stock: Ingredients, style: np.random.Generator, content: np.random.Generator
) -> Image.Image | None:
    sheet.gradient(_shade(style), _shade(style), float(style.uniform(0, 6)))
    for _ in range(int(style.integers(0, 3))):
        y = float(style.uniform(0, 0.9))
        sheet.bar((0, y, 1, float(style.uniform(0.05, 0.3))), _shade(style))
    for _ in range(int(style.integers(1, 4))):
        size = float(style.uniform(0.3, 0.7))
        x, y = style.uniform(0, 1 - size, 2)
        sheet.picture(_art(stock, content), (float(x), float(y), size, size), cover=False)
    brand = np.random.default_rng(int(style.integers(1 << 30)))
    white = _shade(style, 1.0 if style.random() < 0.6 else 0.1)
    sheet.text(
        _words(brand, 1),
        (0.5, float(style.uniform(0.08, 0.3)), float(style.uniform(0.5, 0.9))),
        0,
        white,
    )
    sheet.text(
        _words(content, 1),
        (0.5, float(style.uniform(0.4, 0.9)), float(style.uniform(0.3, 0.8))),
        1,
        white,
    )
    if style.random() < 0.7:
        sheet.small_print(content, (0.06, 0.8, 0.5, 0.15), 1, white, int(style.integers(2, 6)))
    return None


_DESIGNS = {"cover": _cover, "label": _label, "cap": _cap, "note": _note, "carton": _carton}
_RATIOS = {
    "cover": (0.62, 1.05),
    "label": (0.6, 1.9),
    "cap": (1, 1),
    "note": (1.8, 2.4),
    "carton": (0.4, 1.3),
}


def compose(stock: Ingredients, marque: int) -> list[tuple[int, int, Made]]:
    """Four prints of one marque: (edition 0 or 1, origin 0 for the house or 1, print)."""
    seed = np.random.default_rng([marque, 3])
    kind = KINDS[int(seed.integers(len(KINDS)))]
    low, high = _RATIOS[kind]
    ratio = float(np.exp(seed.uniform(math.log(low), math.log(high))))
    size = (SIDE, max(60, int(SIDE / ratio))) if ratio >= 1 else (max(60, int(SIDE * ratio)), SIDE)
    fonts = [stock.fonts[int(k)] for k in seed.integers(len(stock.fonts), size=3)]
    made = []
    for edition in range(2):
        for origin in range(2):
            copyist = None if origin == 0 else marque * 2 + edition
            sheet = Sheet(stock, size, fonts, copyist)
            style = np.random.default_rng([marque, 4])
            content = np.random.default_rng([marque, 5, edition])
            outline = _DESIGNS[kind](sheet, stock, style, content)
            made.append((edition, origin, sheet.finish(kind, outline)))
    return made
