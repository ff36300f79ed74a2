"""Registration on scikit-image's pictures: 200 known warps, 2,000 pairs that do not match.

Run: ``python tests/benchmarks/bench_compare_warps.py [warps] [pairs]``. A warp is a random
perspective (corners moved by up to 16 % of the side), turn, scale 0.55 to 1.2, gradient of
light, gamma, white balance, blur, noise and JPEG. Pictures that hold no more texture than a
gradient, and second views of one scene, are left out. Pairs take other pictures of the same
list and of Debian's ``opencv-doc`` where it is at hand.
"""

from __future__ import annotations

import sys
import time
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import skimage

from loupebook.compare import Picture, register

FOLDERS = (Path(skimage.__file__).parent / "data", Path("/usr/share/doc/opencv-doc/examples/data"))
SECOND_VIEWS = ("motorcycle_right", "motorcycle_disp", "graf3", "aloeR", "leuvenB", "right")
SECOND_VIEWS += ("box_in_scene", "ela_modified", "basketball2", "rubberwhale2", "imageTextR")


def read(path: Path) -> np.ndarray | None:
    """Read a picture of usable size, longest side at most 700 px."""
    bgr = cv2.imread(str(path))
    if bgr is None or min(bgr.shape[:2]) < 200 or path.stem in SECOND_VIEWS:
        return None
    if path.stem[-2:].isdigit():
        return None
    scale = min(1.0, 700 / max(bgr.shape[:2]))
    bgr = cv2.resize(bgr, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    return cv2.cvtColor(bgr, cv2.COLOR_BGR2RGB)


@cache
def pictures() -> tuple[np.ndarray, ...]:
    """scikit-image's bundled pictures with something on them."""
    found = [read(path) for path in sorted(FOLDERS[0].glob("*.*g"))]
    return tuple(p for p in found if p is not None and len(Picture.of(p).features) > 250)


@cache
def strangers() -> tuple[np.ndarray, ...]:
    """Further pictures, for pairs that do not match."""
    found = [read(path) for path in sorted(FOLDERS[1].glob("*.*g"))]
    return tuple(p for p in found if p is not None)


def warped(picture: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Return a picture warped and lit at random, and its true homography."""
    height, width = picture.shape[:2]
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float64)
    moved = corners + rng.uniform(-0.16, 0.16, (4, 2)) * min(width, height)
    turn, scale = rng.uniform(-np.pi, np.pi), rng.uniform(0.55, 1.2)
    spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) * scale
    moved = (moved - moved.mean(axis=0)) @ spin.T
    moved = moved - moved.min(axis=0) + 30
    size = tuple(int(v) for v in np.ceil(moved.max(axis=0) + 30))
    matrix = cv2.getPerspectiveTransform(corners.astype(np.float32), moved.astype(np.float32))
    source = cv2.GaussianBlur(picture, (0, 0), max(0.3, 0.5 / scale))
    laid = cv2.warpPerspective(source, matrix, size, flags=cv2.INTER_CUBIC, borderValue=(90,) * 3)
    y, x = np.mgrid[-1 : 1 : size[1] * 1j, -1 : 1 : size[0] * 1j]
    ramp = 1 + rng.uniform(-0.3, 0.3) * x + rng.uniform(-0.3, 0.3) * y
    light = 255 * (laid / 255.0) ** rng.uniform(0.75, 1.35) * ramp[..., None]
    light = light * rng.uniform(0.85, 1.15, 3) * rng.uniform(0.7, 1.1)
    light = cv2.GaussianBlur(light, (0, 0), rng.uniform(0.3, 1.3))
    light = np.clip(light + rng.normal(0, rng.uniform(1, 6), light.shape), 0, 255).astype(np.uint8)
    data = cv2.imencode(".jpg", light[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 75])[1]
    return cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1].copy(), matrix


def main(warps: int, pairs: int) -> None:
    """Print two rows."""
    every = pictures()
    ready = [Picture.of(picture) for picture in every]
    errors, found, start = [], 0, time.process_time()
    for number in range(warps):
        k = number % len(every)
        query, matrix = warped(every[k], np.random.default_rng([5, number]))
        laid = register(Picture.of(query), ready[k])
        found += laid.registered
        if laid.registered:
            height, width = every[k].shape[:2]
            grid = np.stack(np.meshgrid(np.linspace(0, width, 9), np.linspace(0, height, 9)), -1)
            points = grid.reshape(1, -1, 2)
            apart = cv2.perspectiveTransform(points, laid.homography)
            apart = apart - cv2.perspectiveTransform(points, matrix)
            errors.append(float(np.median(np.linalg.norm(apart, axis=-1))))
        else:
            print("not found:", number, k, laid.reason, flush=True)
    spent = (time.process_time() - start) / max(1, warps)
    print(
        f"{len(every)} pictures, {warps} warps: {found / max(1, warps):.1%} found, median error "
        f"{np.median(errors):.2f} px, 90 % within {np.percentile(errors, 90):.2f} px, "
        f"{spent:.2f} CPU s each",
        flush=True,
    )
    others = [*ready, *(Picture.of(p) for p in strangers())]
    rng, accepted = np.random.default_rng(9), 0
    for _ in range(pairs):
        i, j = rng.choice(len(others), 2, replace=False)
        laid = register(others[i], others[j])
        if laid.registered:
            accepted += 1
            print("accepted:", i, j, laid.inliers, round(laid.likeness, 2), flush=True)
    print(f"{pairs} pairs of {len(others)} pictures: {accepted / max(1, pairs):.2%} accepted")


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:3]) if len(sys.argv) > 2 else (200, 2000))
