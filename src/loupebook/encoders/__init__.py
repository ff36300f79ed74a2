"""Photo to embedding. Any model that open_clip can load; the default ships with Loupebook.

Importing this package imports neither torch nor open_clip: they load with the first encoder.
"""

from __future__ import annotations

from loupebook.encoders.base import Encoder, Pixels
from loupebook.encoders.load import DEFAULT_ENCODER, load_encoder

__all__ = ["DEFAULT_ENCODER", "Encoder", "Pixels", "load_encoder"]
