"""Pictures drawn in code, so that no binary fixture is needed."""

from __future__ import annotations

import io

import numpy as np
from PIL import Image, ImageDraw


def draw_print(seed: int, size: int = 320) -> Image.Image:
    """Return a picture that differs plainly from that of any other seed.

    Nested ellipses, rays and bars in seeded colours: enough print for embeddings and
    local features alike.
    """
    rng = np.random.default_rng(seed)
    colours = [tuple(int(v) for v in rng.integers(0, 256, 3)) for _ in range(12)]
    picture = Image.new("RGB", (size, size), colours[0])
    pen = ImageDraw.Draw(picture)
    for colour in colours[1:]:
        x0, y0 = rng.integers(0, size * 3 // 4, 2)
        x1, y1 = x0 + rng.integers(20, size // 2), y0 + rng.integers(20, size // 2)
        box = [int(x0), int(y0), int(x1), int(y1)]
        if rng.random() < 0.5:
            pen.ellipse(box, fill=colour, outline=(0, 0, 0), width=2)
        else:
            pen.rectangle(box, fill=colour, outline=(255, 255, 255), width=2)
    for _ in range(25):
        line = [int(v) for v in rng.integers(0, size, 4)]
        pen.line(line, fill=colours[int(rng.integers(0, 12))], width=int(rng.integers(1, 5)))
    return picture


def as_bytes(picture: Image.Image, kind: str = "PNG", **options: object) -> bytes:
    """Return the picture encoded."""
    target = io.BytesIO()
    picture.save(target, kind, **options)
    return target.getvalue()
