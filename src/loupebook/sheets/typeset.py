"""Pages set with Typst: data and pictures in, PDF or PNG out.

Text reaches the page as JSON, never as markup, so nothing a person typed can be run. Fonts
are those that Typst and matplotlib carry, embedded as subsets; the machine's own are not
used, so that a sheet looks the same everywhere.
"""

from __future__ import annotations

import io
import json
import tempfile
from collections.abc import Mapping
from datetime import UTC, datetime
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any, Literal

from PIL import Image

from loupebook.errors import SheetInvalid
from loupebook.sheets.paper import PRINT_DPI
from loupebook.sheets.words import CODE_POINT, font_folder

Form = Literal["pdf", "png"]
_SHARED = "common.typ"


def typeset(
    template: str,
    data: Mapping[str, Any],
    pictures: Mapping[str, bytes],
    *,
    form: Form = "pdf",
    dpi: float = PRINT_DPI,
    made_at: datetime | None = None,
) -> list[bytes]:
    """Set pages.

    Parameters
    ----------
    template : str
        Name of a ``.typ`` file of this room, without the ending.
    data : mapping
        What the template reads.
    pictures : mapping
        File name, as the data refers to it, to encoded picture.
    form : ``"pdf"`` or ``"png"``
        One file, or one a page.
    dpi : float
        Of PNG pages.
    made_at : datetime, optional
        Written into the PDF; the same data and instant give the same bytes.

    Returns
    -------
    list of bytes
        One PDF, or one PNG a page.

    Raises
    ------
    SheetInvalid
        If the pages cannot be set.
    """
    text = json.dumps(data, ensure_ascii=False)
    told = json.dumps({**data, "code_points": CODE_POINT in text}, ensure_ascii=False)
    instant = (made_at or datetime.now(UTC)).replace(microsecond=0)
    try:
        with tempfile.TemporaryDirectory(prefix="loupebook-sheet-") as name:
            root = Path(name)
            _lay_out(root, template, pictures)
            pages = _compiled(root / f"{template}.typ", told, form=form, dpi=dpi, at=instant)
    except OSError as exc:
        raise SheetInvalid(
            f"The pages cannot be set: {exc.strerror}. See to it that the disk has room for "
            "temporary files, then try again."
        ) from exc
    return pages if form == "pdf" else [_with_resolution(page, dpi) for page in pages]


def _lay_out(root: Path, template: str, pictures: Mapping[str, bytes]) -> None:
    here = resources.files("loupebook.sheets")
    for file in (_SHARED, f"{template}.typ"):
        (root / file).write_bytes(here.joinpath(file).read_bytes())
    for file, content in pictures.items():
        (root / file).write_bytes(content)


def _compiled(file: Path, told: str, *, form: Form, dpi: float, at: datetime) -> list[bytes]:
    import typst

    try:
        made: Any = typst.compile(
            file,
            root=file.parent,
            font_paths=_fonts(),
            ignore_system_fonts=True,
            format=form,
            ppi=dpi,
            sys_inputs={"data": told},
            timestamp=at,
            pdf_standards=["ua-1"] if form == "pdf" else [],
        )
    except typst.TypstError as exc:
        raise SheetInvalid(f"The pages cannot be set: {exc.message}") from exc
    return list(made) if isinstance(made, list) else [made]


@cache
def _fonts() -> Any:
    import typst

    return typst.Fonts(
        include_system_fonts=False, include_embedded_fonts=True, font_paths=[str(font_folder())]
    )


def _with_resolution(page: bytes, dpi: float) -> bytes:
    """Write the resolution into a PNG, so that it is printed at its true size."""
    target = io.BytesIO()
    with Image.open(io.BytesIO(page)) as picture:
        picture.convert("RGB").save(target, "PNG", dpi=(dpi, dpi), compress_level=6)
    return target.getvalue()
