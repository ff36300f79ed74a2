"""Openly licensed pictures and fonts, shrunk for the journey to the training machine.

`python -m recipe.ingredients SOURCE FOLDER`, where SOURCE holds ``debian/`` (the unpacked
packages that the model card names) and ``npm/`` (unpacked likewise). Writes WebP files:
``photo-…`` (cut from wallpapers), ``art-…`` and ``thing-…`` (clip art, paintings and cut-out
photographs, with alpha) and ``emoji-NAME-VENDOR``. None of it is kept in the project.
"""

from __future__ import annotations

import json
import re
import shutil
import sys
from pathlib import Path

import cv2
import numpy as np
import skia

RNG = np.random.default_rng(20_261)
FONT = re.compile(
    r"Lobster|Garamond|Dancing|LeagueSpartan|Quattrocento|Blankenburg|Goudy|Kaushan|okolaks|"
    r"Havana|Cabin|Romande|Gotico|LindenHill|FreeSans|FreeSerif|Typo|Play",
    re.IGNORECASE,
)


def _save(path: Path, picture: np.ndarray, side: int, quality: int = 70) -> None:
    height, width = picture.shape[:2]
    factor = min(1.0, side / max(height, width))
    size = (max(8, round(width * factor)), max(8, round(height * factor)))
    shrunk = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    cv2.imwrite(str(path), shrunk, [cv2.IMWRITE_WEBP_QUALITY, quality])


def photographs(source: Path, folder: Path) -> None:
    """Several cuts of different size out of every wallpaper."""
    found = []
    for root in ("usr/share/backgrounds", "usr/share/wallpapers"):
        for path in sorted((source / "debian" / root).rglob("*")):
            if path.suffix.lower() in (".jpg", ".png", ".jpeg", ".webp") and path.is_file():
                found.append(path)
    by_size: dict[str, Path] = {}
    for path in found:  # one size of each wallpaper
        key = str(path.parent) if "images" in str(path.parent) else str(path)
        by_size[key] = path
    number = 0
    for path in by_size.values():
        if "screenshot" in path.name or path.stat().st_size < 60_000:
            continue
        picture = cv2.imread(str(path), cv2.IMREAD_COLOR)
        if picture is None:
            continue
        height, width = picture.shape[:2]
        for share in (1.0, 0.55, 0.4, 0.3, 0.22):
            side = int(min(height, width) * share)
            if side < 160:
                continue
            y, x = int(RNG.integers(height - side + 1)), int(RNG.integers(width - side + 1))
            cut = picture[y : y + side, x : x + side]
            small = cv2.resize(cut, (64, 64), interpolation=cv2.INTER_AREA)
            if small.std() < 12:  # plain sky tells nothing
                continue
            _save(folder / f"photo-{number:04d}.webp", cut, 288, 66)
            number += 1


def _cut_out(path: Path) -> np.ndarray | None:
    picture = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    if picture is None or picture.ndim != 3 or picture.shape[2] != 4 or picture.dtype != np.uint8:
        return None
    ys, xs = np.nonzero(picture[..., 3] > 30)
    if len(ys) < 900:
        return None
    cut = picture[ys.min() : ys.max() + 1, xs.min() : xs.max() + 1]
    ratio = cut.shape[0] / cut.shape[1]
    inked = cut[..., :3][cut[..., 3] > 60]
    return cut if 0.2 < ratio < 5 and inked.size and inked.std() > 8 else None


def cut_outs(source: Path, folder: Path, *, kind: str, root: str, most: int, side: int) -> None:
    """A spread of pictures with alpha from one tree, at most a share from each folder."""
    paths = sorted((source / "debian" / root).rglob("*.png"))
    order = RNG.permutation(len(paths))
    number, taken = 0, {}
    for place in order:
        path = paths[place]
        if taken.get(path.parent, 0) >= max(12, most // 12) or number >= most:
            continue
        picture = _cut_out(path)
        if picture is None:
            continue
        taken[path.parent] = taken.get(path.parent, 0) + 1
        name = re.sub(r"\W+", "_", root.split("/")[2])
        _save(folder / f"{kind}-{name}-{number:04d}.webp", picture, side, 68)
        number += 1


def draw_svg(svg: bytes, side: int) -> np.ndarray:
    """Draw an SVG on transparent ground: (side, side, 4), BGRA."""
    picture = skia.SVGDOM.MakeFromStream(skia.MemoryStream(svg))
    picture.setContainerSize(skia.Size(side, side))
    surface = skia.Surface(side, side)
    with surface as canvas:
        canvas.clear(skia.ColorTRANSPARENT)
        picture.render(canvas)
    return surface.makeImageSnapshot().toarray(
        colorType=skia.kBGRA_8888_ColorType, alphaType=skia.kUnpremul_AlphaType
    )


def _iconify(folder: Path) -> dict[str, bytes]:
    icons = json.loads((folder / "icons.json").read_text(encoding="utf-8"))
    drawn = {}
    for name, icon in icons["icons"].items():
        width = icon.get("width", icons.get("width", 16))
        height = icon.get("height", icons.get("height", 16))
        drawn[name] = (
            f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
            f'width="160" height="160" viewBox="0 0 {width} {height}">{icon["body"]}</svg>'
        ).encode()
    return drawn


def emoji(source: Path, folder: Path, *, most: int) -> None:
    """One design drawn by two to four houses: to a curator, an edition and its copies."""
    npm = source / "npm"
    flat = next(npm.glob("iconify-json-fluent-emoji-flat-*")) / "package"
    chars = json.loads((flat / "chars.json").read_text(encoding="utf-8"))
    points = {name: point for point, name in chars.items()}
    houses = {"flat": _iconify(flat)}
    for house in ("fxemoji", "emojione"):
        houses[house] = _iconify(next(npm.glob(f"iconify-json-{house}-[0-9]*")) / "package")
    solid = next(npm.glob("lobehub-fluent-emoji-3d-*")) / "package" / "assets"
    names = [n for n in sorted(houses["flat"]) if n in points and "skin" not in n]
    names = [
        n for n in names if (solid / f"{points[n]}.webp").is_file() and "-200d" not in points[n]
    ]
    names.sort(key=lambda n: -sum(n in houses[h] for h in ("fxemoji", "emojione")))
    for name in names[:most]:
        made = {h: draw_svg(houses[h][name], 160) for h in houses if name in houses[h]}
        made["solid"] = cv2.imread(str(solid / f"{points[name]}.webp"), cv2.IMREAD_UNCHANGED)
        for house, picture in made.items():
            if picture is not None and picture.ndim == 3 and picture.shape[2] == 4:
                _save(folder / f"emoji-{name.replace('-', '_')}-{house}.webp", picture, 144, 66)


def flags(source: Path, folder: Path, *, most: int) -> None:
    """Flags, as flat art."""
    root = next((source / "npm").glob("flag-icons-*")) / "package" / "flags" / "4x3"
    paths = sorted(root.glob("*.svg"))
    for path in [paths[k] for k in RNG.permutation(len(paths))[:most]]:
        drawn = draw_svg(path.read_bytes(), 192)
        if drawn[..., 3].any():
            ys, xs = np.nonzero(drawn[..., 3])
            cut = drawn[ys.min() : ys.max() + 1, xs.min() : xs.max() + 1]
            _save(folder / f"art-flag-{path.stem}.webp", cut, 192, 66)


def fonts(source: Path, folder: Path) -> None:
    """Typefaces for invented wording."""
    room = 0
    for path in sorted((source / "debian" / "usr/share/fonts").rglob("*.[ot]tf")):
        size = path.stat().st_size
        if FONT.search(path.name) and size < 190_000 and room + size < 2_600_000:
            shutil.copyfile(path, folder / path.name)
            room += size


def main() -> None:
    """Write all ingredients."""
    source, folder = Path(sys.argv[1]), Path(sys.argv[2])
    folder.mkdir(parents=True, exist_ok=True)
    fonts(source, folder)
    photographs(source, folder)
    cut_outs(source, folder, kind="art", root="usr/share/openclipart/png", most=800, side=208)
    cut_outs(source, folder, kind="thing", root="usr/share/tuxpaint/stamps", most=330, side=208)
    cut_outs(
        source, folder, kind="art", root="usr/share/games/wesnoth/1.16/data/core/images/portraits",
        most=220, side=256,
    )  # fmt: skip
    flags(source, folder, most=120)
    emoji(source, folder, most=330)
    kinds: dict[str, list[int]] = {}
    for path in folder.iterdir():
        kinds.setdefault(path.name.split("-")[0], []).append(path.stat().st_size)
    print({k: (len(v), sum(v)) for k, v in kinds.items() if len(v) > 3})


if __name__ == "__main__":
    main()
