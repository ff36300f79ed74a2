"""What figures are judged by, so that what was kept of older judgements is known as such."""

from __future__ import annotations

import hashlib
from functools import cache
from importlib.resources import files
from pathlib import Path

from loupebook.bundled import bundled
from loupebook.compare.cast import APART, UV_FROM
from loupebook.compare.consensus import RECIPE
from loupebook.compare.pair.trained import WEIGHTS


@cache
def judged_by() -> str:
    """Return a fingerprint of recipe, usual figures, trained weights and limits of light."""
    usual = (files("loupebook.compare") / "typical.json").read_bytes()
    light = f"{UV_FROM} {APART}".encode()
    parts = (RECIPE.encode(), usual, Path(bundled(WEIGHTS)).read_bytes(), light)
    return hashlib.sha256(b"".join(hashlib.sha256(part).digest() for part in parts)).hexdigest()
