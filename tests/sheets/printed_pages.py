"""Reads back what was printed: text, fonts, tags and measured pixels of a PDF."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator

import numpy as np
import pytest

pdfium = pytest.importorskip("pypdfium2", reason="pypdfium2 is not installed (extra 'test')")


def pages(pdf: bytes) -> Iterator[object]:
    yield from pdfium.PdfDocument(pdf)


def text_of(pdf: bytes) -> str:
    """Return all text, without line breaks, as a reader would copy it."""
    text = "".join(page.get_textpage().get_text_range() for page in pages(pdf))
    return unicodedata.normalize("NFKC", re.sub(r"[\r\n\ufffe]+", " ", text))


def squeezed(text: str) -> str:
    """Return text without any white space: long names are broken over lines."""
    return re.sub(r"\s+", "", unicodedata.normalize("NFKC", text))


def rendered(pdf: bytes, number: int, dpi: float) -> np.ndarray:
    """Return one page as grey pixels, (height, width)."""
    page = pdfium.PdfDocument(pdf)[number]
    return np.asarray(page.render(scale=dpi / 72, grayscale=True).to_numpy()).squeeze()


def longest_dark_run(grey: np.ndarray, *, height: int) -> float:
    """Return the length, px, of the longest bar of at least that height.

    Its ends are taken to a fraction of a px from the grey of the px they fall in.
    """
    best = 0.0
    dark = grey < 128
    for row in range(grey.shape[0] - height):
        together = dark[row : row + height].all(axis=0)
        edges = np.flatnonzero(np.diff(np.concatenate([[0], together.astype(np.int8), [0]])))
        for start, end in zip(edges[::2], edges[1::2], strict=True):
            if end - start > best:
                middle = grey[row + height // 2].astype(float)
                ends = [
                    (255 - middle[at]) / 255 for at in (start - 1, end) if 0 <= at < len(middle)
                ]
                best = float(end - start + sum(share for share in ends if share > 0.05))
    return best
