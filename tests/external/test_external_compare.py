"""Registration and colour against published values.

- CIEDE2000: Sharma, Wu & Dalal 2005, "The CIEDE2000 color-difference formula", Table 1,
  doi:10.1002/col.20070 (pairs as published; values copied from the paper's table, from
  memory of it, and checked here against scikit-image, which is what we use).
- Oxford affine data (Mikolajczyk et al. 2005, doi:10.1007/s11263-005-3848-x): ``graf1``,
  ``graf3``, ``H1to3p``, as carried by Debian's ``opencv-doc``.
- scikit-image's bundled pictures under known random warps and lightings; the bounds are
  ours. The full run: ``python tests/benchmarks/bench_compare_warps.py``.
"""

from __future__ import annotations

import sys
from pathlib import Path

import cv2
import numpy as np
import pytest

from loupebook.compare import Picture, register

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "benchmarks"))
from bench_compare_warps import pictures, warped

pytestmark = pytest.mark.external
DATA = Path("/usr/share/doc/opencv-doc/examples/data")

SHARMA = [
    ((50.0, 2.6772, -79.7751), (50.0, 0.0, -82.7485), 2.0425),
    ((50.0, 3.1571, -77.2803), (50.0, 0.0, -82.7485), 2.8615),
    ((50.0, 2.8361, -74.02), (50.0, 0.0, -82.7485), 3.4412),
    ((50.0, -1.3802, -84.2814), (50.0, 0.0, -82.7485), 1.0),
    ((50.0, -1.1848, -84.8006), (50.0, 0.0, -82.7485), 1.0),
    ((50.0, -0.9009, -85.5211), (50.0, 0.0, -82.7485), 1.0),
    ((50.0, 0.0, 0.0), (50.0, -1.0, 2.0), 2.3669),
    ((50.0, 2.49, -0.001), (50.0, -2.49, 0.0009), 7.1792),
    ((50.0, 2.49, -0.001), (50.0, -2.49, 0.0011), 7.2195),
    ((50.0, -0.001, 2.49), (50.0, 0.0009, -2.49), 4.8045),
    ((50.0, 2.5, 0.0), (50.0, 0.0, -2.5), 4.3065),
    ((50.0, 2.5, 0.0), (73.0, 25.0, -18.0), 27.1492),
    ((50.0, 2.5, 0.0), (61.0, -5.0, 29.0), 22.8977),
    ((50.0, 2.5, 0.0), (56.0, -27.0, -3.0), 31.903),
    ((50.0, 2.5, 0.0), (58.0, 24.0, 15.0), 19.4535),
    ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
    ((63.0109, -31.0961, -5.8663), (62.8187, -29.7946, -4.0864), 1.263),
    ((22.7233, 20.0904, -46.694), (23.0331, 14.973, -42.5619), 2.0373),
    ((90.8027, -2.0831, 1.441), (91.1528, -1.6435, 0.0447), 1.4441),
    ((6.7747, -0.2908, -2.4247), (5.8714, -0.0985, -2.2286), 0.6377),
    ((2.0776, 0.0795, -1.135), (0.9033, -0.0636, -0.5514), 0.9082),
]


@pytest.mark.parametrize(("first", "second", "published"), SHARMA)
def test_colour_difference_is_the_published_one(first, second, published):
    from loupebook.compare.measures.colour import deltaE_ciede2000

    ours = deltaE_ciede2000(np.array(first), np.array(second))
    assert float(ours) == pytest.approx(published, abs=1e-4)


@pytest.mark.skipif(not (DATA / "graf1.png").exists(), reason="needs Debian's opencv-doc")
def test_graf_lies_over_the_published_plane():
    first, third = (
        cv2.cvtColor(cv2.imread(str(DATA / name)), cv2.COLOR_BGR2RGB)
        for name in ("graf1.png", "graf3.png")
    )
    storage = cv2.FileStorage(str(DATA / "H1to3p.xml"), cv2.FILE_STORAGE_READ)
    published = storage.getFirstTopLevelNode().mat()
    found = register(Picture.of(third), Picture.of(first))
    assert found.registered
    height, width = first.shape[:2]
    corners = np.array([[[0.0, 0], [width - 1, 0], [width - 1, height - 1], [0, height - 1]]])
    apart = cv2.perspectiveTransform(corners, found.homography) - cv2.perspectiveTransform(
        corners, published
    )
    assert np.linalg.norm(apart, axis=-1).mean() <= 2.0


@pytest.mark.parametrize("number", range(0, 200, 25))
def test_known_warp_of_a_registry_picture_is_found(number):
    every = pictures()
    picture = every[number % len(every)]
    query, matrix = warped(picture, np.random.default_rng([5, number]))
    found = register(Picture.of(query), Picture.of(picture))
    assert found.registered, found.reason
    height, width = picture.shape[:2]
    grid = np.stack(np.meshgrid(np.linspace(0, width, 9), np.linspace(0, height, 9)), -1)
    points = grid.reshape(1, -1, 2)
    apart = cv2.perspectiveTransform(points, found.homography) - cv2.perspectiveTransform(
        points, matrix
    )
    assert np.median(np.linalg.norm(apart, axis=-1)) <= 1.0


def test_unrelated_registry_pictures_are_not_accepted():
    every = pictures()[:8]
    ready = [Picture.of(picture) for picture in every]
    accepted = [
        (i, j)
        for i in range(0, len(ready), 2)
        for j in range(len(ready))
        if i != j and register(ready[i], ready[j]).registered
    ]
    assert accepted == []
