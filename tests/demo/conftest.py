"""Where skia cannot be loaded, the artwork cannot be drawn: one test says so, the rest wait."""

from __future__ import annotations

from pathlib import Path

try:
    import skia  # noqa: F401
except ImportError:
    here = Path(__file__).parent
    collect_ignore = [
        path.name for path in here.glob("test_*.py") if path.name != "test_demo_needs_skia.py"
    ]
