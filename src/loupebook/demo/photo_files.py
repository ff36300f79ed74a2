"""Writes rendered photos with metadata that says what they are, and their ground truth."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from loupebook.demo.camera.scene import GEOMETRIES, SceneBatch

RENDERED = "rendered, invented; not a photograph"
_XMP = (
    '<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF '
    'xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description '
    'xmlns:dc="http://purl.org/dc/elements/1.1/"><dc:description><rdf:Alt>'
    f'<rdf:li xml:lang="x-default">{RENDERED}</rdf:li></rdf:Alt></dc:description>'
    "</rdf:Description></rdf:RDF></x:xmpmeta>"
)
_DESCRIPTION, _MAKE, _MODEL, _SOFTWARE = 0x010E, 0x010F, 0x0110, 0x0131


def jpeg_bytes(pixels: NDArray[np.uint8], *, quality: int, model: str) -> bytes:
    """Encode a rendered photo.

    Parameters
    ----------
    pixels : ndarray, shape (H, W, 3)
        sRGB.
    quality : int
        JPEG quality.
    model : str
        Invented phone.
    """
    exif = Image.Exif()
    exif[_DESCRIPTION] = RENDERED
    exif[_MAKE] = "Invented (rendered)"
    exif[_MODEL] = model
    exif[_SOFTWARE] = "Loupebook demo camera"
    stream = io.BytesIO()
    Image.fromarray(pixels).save(
        stream,
        "JPEG",
        quality=quality,
        exif=exif,
        xmp=_XMP.encode(),
        optimize=True,
        progressive=True,
    )
    return stream.getvalue()


def write_truth(
    stem: Path, scenes: SceneBatch, item: NDArray[np.float32], artwork_mm: NDArray[np.float32]
) -> None:
    """Write exact ground truth beside a photo.

    ``<stem>.truth.npz`` holds ``artwork_mm`` (2, H/2, W/2), artwork x and y in mm from the
    top left corner at every second px (NaN off the item), and ``item`` (H, W), the share
    of each px that is the item in 255ths. ``<stem>.truth.json`` holds geometry, camera and
    the item's outline in px.

    Parameters
    ----------
    stem : Path
        Photo path without its ending.
    scenes : SceneBatch
        The one scene.
    item, artwork_mm : ndarray, shapes (H, W) and (2, H, W)
        As rendered.
    """
    seen = item > 0.5
    warp = np.where(seen, artwork_mm, np.nan)[:, ::2, ::2].astype(np.float32)
    share = np.clip(item * 255 + 0.5, 0, 255).astype(np.uint8)
    np.savez_compressed(stem.with_suffix(".truth.npz"), artwork_mm=warp, item=share)
    name = {code: word for word, code in GEOMETRIES.items()}[int(scenes.geometry[0])]
    facts: dict[str, Any] = {
        "note": RENDERED,
        "geometry": name,
        "radius_mm": float(scenes.rod_radius[0, 0]),
        "shoulder_mm": float(scenes.rod_shoulder[0, 0]),
        "item_frame": scenes.rod_frame[0, 0].tolist(),
        "item_centre_mm": scenes.rod_centre[0, 0].tolist(),
        "band_from_middle_mm": float(scenes.rod_band[0, 0]),
        "eye_mm": scenes.eye[0].tolist(),
        "view": scenes.view[0].tolist(),
        "focal_px": float(scenes.focal_px[0]),
        "centre_px": scenes.centre_px[0].tolist(),
        "outline_px": _outline(seen),
        "homography_px_to_mm": _homography(artwork_mm, seen) if name == "strip" else None,
    }
    stem.with_suffix(".truth.json").write_text(json.dumps(facts, indent=1), encoding="utf-8")


def _outline(seen: NDArray[np.bool_]) -> list[list[int]]:
    contours, _ = cv2.findContours(seen.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return []
    largest = max(contours, key=cv2.contourArea)
    corners = cv2.approxPolyDP(largest, 1.5, True).reshape(-1, 2)
    return [[int(x), int(y)] for x, y in corners]


def _homography(
    artwork_mm: NDArray[np.float32], seen: NDArray[np.bool_]
) -> list[list[float]] | None:
    """Photo px to artwork mm for the seal's largest flat part; None where it cannot be had."""
    rows, columns = np.nonzero(seen)
    if len(rows) < 200:
        return None
    pick = np.linspace(0, len(rows) - 1, 2000).astype(int)
    photo = np.stack([columns[pick] + 0.5, rows[pick] + 0.5], 1).astype(np.float64)
    artwork = artwork_mm[:, rows[pick], columns[pick]].T.astype(np.float64)
    matrix, _ = cv2.findHomography(photo, artwork, cv2.RANSAC, 0.3)
    return None if matrix is None else [[float(v) for v in row] for row in matrix]
