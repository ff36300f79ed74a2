"""Registration of the Oxford affine pictures against their published homography.

Source: Mikolajczyk et al. 2005, "A comparison of affine region detectors",
doi:10.1007/s11263-005-3848-x; ``graf1``, ``graf3`` and ``H1to3p`` as carried by Debian's
``opencv-doc``. The bound of 3 px is ours.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from loupebook.search.local.features import QUERY, REFERENCE, extract
from loupebook.search.local.pair import match_pair

DATA = Path("/usr/share/doc/opencv-doc/examples/data")


@pytest.mark.external
@pytest.mark.skipif(not (DATA / "graf1.png").exists(), reason="needs Debian's opencv-doc")
def test_graf_registers_to_the_published_homography():
    first, third = (
        cv2.cvtColor(cv2.imread(str(DATA / name)), cv2.COLOR_BGR2RGB)
        for name in ("graf1.png", "graf3.png")
    )
    storage = cv2.FileStorage(str(DATA / "H1to3p.xml"), cv2.FILE_STORAGE_READ)
    published = storage.getFirstTopLevelNode().mat()
    match = match_pair(extract(third, QUERY), extract(first, REFERENCE))
    assert match.homography is not None
    grid = np.stack(np.meshgrid(np.linspace(100, 700, 7), np.linspace(80, 560, 7)), -1)
    points = grid.reshape(1, -1, 2)
    apart = cv2.perspectiveTransform(points, match.homography) - cv2.perspectiveTransform(
        points, published
    )
    assert np.median(np.linalg.norm(apart, axis=-1)) < 3
