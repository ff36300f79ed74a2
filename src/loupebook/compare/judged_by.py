"""What figures are judged by, so that what was kept of older judgements is known as such."""

from __future__ import annotations

import hashlib
from functools import cache
from importlib.resources import files
from pathlib import Path

from loupebook.bundled import bundled
from loupebook.compare.pair.trained import WEIGHTS
from loupebook.compare.store import RECIPE


@cache
def judged_by() -> str:
    """Return a fingerprint of recipe, usual figures and trained weights."""
    usual = (files("loupebook.compare") / "typical.json").read_bytes()
    parts = (RECIPE.encode(), usual, Path(bundled(WEIGHTS)).read_bytes())
    return hashlib.sha256(b"".join(hashlib.sha256(part).digest() for part in parts)).hexdigest()
