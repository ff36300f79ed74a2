"""Too small to show the print.

Thresholds: common practice, no source. Fine print on bands has strokes of about 0.1 mm; two
px a stroke, 20 px/mm, is the least at which they can be told apart. Without a scale only
the photo's own size can be judged.
"""

from __future__ import annotations

from typing import Final

from loupebook.imaging.checks._model import Finding, Severity
from loupebook.imaging.checks._view import PhotoView

_SIDE_WARN: Final = 320
_SIDE_FAIL: Final = 96
_SCALE_WARN: Final = 20.0
_SCALE_FAIL: Final = 6.0


def find(view: PhotoView) -> list[Finding]:
    """Judge the shorter side in px, and the scale where it is known."""
    findings = []
    side = min(view.width, view.height)
    if side < _SIDE_WARN:
        findings.append(
            Finding(
                "too-small",
                Severity.FAIL if side < _SIDE_FAIL else Severity.WARN,
                f"The photo is only {view.width} × {view.height} px; fine print cannot show.",
                "Use the original file, not a preview or a screen copy, and move closer until "
                "the item fills the frame.",
                float(side),
                "px",
            )
        )
    if view.px_per_mm is not None and view.px_per_mm < _SCALE_WARN:
        findings.append(
            Finding(
                "too-coarse",
                Severity.FAIL if view.px_per_mm < _SCALE_FAIL else Severity.WARN,
                f"One millimetre of the item is only {view.px_per_mm:.1f} px wide; "
                "fine print cannot show.",
                "Move closer until the band fills the width of the frame, or use a macro lens.",
                round(view.px_per_mm, 2),
                "px/mm",
            )
        )
    return findings
