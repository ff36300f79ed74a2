"""Drives the pages without a browser, over a real set whose search answers as it is told."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
import pytest
from streamlit.runtime.scriptrunner import RerunData
from streamlit.testing.v1 import AppTest

APP = Path(__file__).parents[2] / "app"
sys.path.insert(0, str(APP))

from loupebook.imaging import DecodedPhoto, decode_photo  # noqa: E402
from loupebook.library import (  # noqa: E402
    FoundItem,
    Library,
    MatchReport,
    SearchFilters,
    SearchReport,
    check_photo,
)

PAGES = {
    "library": "views/library.py",
    "add": "views/add_specimens.py",
    "examinations": "views/examinations.py",
    "set_report": "views/set_report.py",
}


class ToldLibrary(Library):
    """A library that really holds its records and photos; only its search is told."""

    asked: ClassVar[list[dict[str, Any]]] = []
    close: ClassVar[bool | None] = True
    similarity: ClassVar[float] = 0.9
    items: ClassVar[tuple[FoundItem, ...]] = ()
    detail: ClassVar[dict[str, Any]] = {}

    def encoder(self) -> None:
        """Load none: no test here needs it."""

    def search(self, photo: DecodedPhoto | bytes, **asked: Any) -> SearchReport:
        self.asked.append(asked)
        filters: SearchFilters = asked["filters"]
        pixels = (decode_photo(photo) if isinstance(photo, bytes) else photo).pixels
        matches = []
        for specimen in self.specimens(state="confirmed"):
            if filters.standing not in (None, specimen.standing):
                continue
            if filters.marque not in (None, specimen.marque):
                continue
            one = self.photos(specimen.name)[0]
            matches.append(
                MatchReport(
                    rank=len(matches) + 1,
                    specimen=specimen.name,
                    photo=one.file_name,
                    photo_id=one.photo_id,
                    standing=specimen.standing,
                    marque=specimen.marque,
                    edition=specimen.edition,
                    element=specimen.element,
                    view=one.view,
                    lighting=one.lighting,
                    origin=specimen.origin,
                    similarity=self.similarity - len(matches) / 100,
                    found_by="embedding",
                    detail=self.detail,
                    location=((10.0, 20.0), (300.0, 20.0), (300.0, 290.0), (10.0, 290.0)),
                )
            )
        by_standing = {match.standing: match for match in reversed(matches)}
        return SearchReport(
            photo=asked["name"],
            set=self.info().name,
            set_version=self.info().change_counter,
            encoder="told@000000000000",
            elapsed_ms=1.0,
            timings_ms={},
            photo_check=check_photo(pixels),
            matches=tuple(matches[: asked["k"]]),
            nearest_genuine=by_standing.get("genuine"),
            nearest_fake=by_standing.get("fake"),
            items=self.items,
            reading={
                "close_reference": self.close,
                "says": "Said by the test.",
                "does_not_say": "The limits, told by the test.",
                "needs": ["4 more fake bands"],
            },
            empty_reason=None if matches else "No reference passes the filters.",
            query_pixels=np.ascontiguousarray(pixels),
        )


def told(monkeypatch: pytest.MonkeyPatch, folder: Path | None, **answers: Any) -> None:
    """Point the pages at a set and say how its search answers."""
    import parts.current_set
    import parts.desk
    import parts.desk_store
    import parts.in_work
    from parts.kept import Keeper

    # What runs in the background would outlive the test, and is tested elsewhere.
    monkeypatch.setattr(parts.desk_store, "_in_background", lambda desk: None)
    # No browser fetches the first pictures.
    monkeypatch.setattr(parts.desk, "FIRST_PICTURES_S", 0)
    if folder is not None:
        monkeypatch.setattr(parts.in_work, "KEEPER", Keeper(folder.parent / "in-work"))
    monkeypatch.setattr(parts.current_set, "Library", ToldLibrary)
    monkeypatch.setattr(ToldLibrary, "asked", [])
    for name, value in answers.items():
        monkeypatch.setattr(ToldLibrary, name, value)
    if folder is not None:
        monkeypatch.setenv("LOUPEBOOK_SET", str(folder))


def opened(page: str | None = None, prepare: Callable[[AppTest], None] | None = None) -> AppTest:
    """Return the app after its first run, on the page named."""
    at = AppTest.from_file(str(APP / "shell.py"), default_timeout=60)
    if prepare is not None:
        prepare(at)
    at.run()
    if page is not None:
        at.switch_page(PAGES[page]).run()
    assert not at.exception
    return at


def run_fragment(at: AppTest, monkeypatch: pytest.MonkeyPatch) -> AppTest:
    """Run the one fragment of the page alone, as a browser does where something in it is touched.

    The app must have run whole before; afterwards it holds what the fragment shows and no more.
    """
    (fragment,) = at._fragment_storage._fragments
    with monkeypatch.context() as patched:
        patched.setattr(
            "streamlit.testing.v1.local_script_runner.RerunData",
            partial(RerunData, fragment_id=fragment),
        )
        return at.run()


def send(at: AppTest, component: str, **state: Any) -> AppTest:
    """Run as after a component of ours, mounted once, has sent its state."""
    (element,) = (
        one
        for one in at.get("bidi_component")
        if one.proto.component_name == f"loupebook_{component}"
    )
    states = at._tree.get_widget_states()
    states.widgets.add(id=element.proto.id, json_value=json.dumps(state))
    return at._run(states)


def shown(at: AppTest, component: str) -> list[dict[str, Any]]:
    """Return what each mounted component of ours of that name was given."""
    return [
        json.loads(element.proto.json)
        for element in at.get("bidi_component")
        if element.proto.component_name == f"loupebook_{component}"
    ]


def words(at: AppTest) -> str:
    """Return all words on the page, those inside components included."""
    told_by = [*at.markdown, *at.error, *at.warning, *at.info, *at.success, *at.title, *at.header]
    native = [str(element.value) for element in [*told_by, *at.caption, *at.subheader, *at.code]]
    ours = [element.proto.json for element in at.get("bidi_component")]
    return "\n".join(native + [json.dumps(json.loads(one), ensure_ascii=False) for one in ours])
