"""Comparison sheets: choose, preview, keep, make again."""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from typing import TYPE_CHECKING, Any

import streamlit as st

from loupebook.errors import LoupebookError
from loupebook.library import (
    TEMPLATES,
    Element,
    IntakeState,
    Lighting,
    Paper,
    SheetDefinition,
    Standing,
    View,
    definition_of,
)
from parts.current_set import overview_of
from parts.persons import ask_name
from parts.searching import say_uv
from parts.sheet import show_facts
from parts.words import LIGHTING, VIEW, counted, plain

if TYPE_CHECKING:
    from loupebook.library import Library, MadeSheet, SheetRecord, SheetState

MADE, PREVIEW = "sheet-made", "sheet-preview"
PAPERS = {Paper.A4: "A4", Paper.LETTER: "Letter"}
SCALES = {None: "as large as fits", 1.0: "life size (1 : 1)", 2.0: "2 : 1", 3.0: "3 : 1",
          5.0: "5 : 1", 0.5: "1 : 2"}  # fmt: skip
NEEDS = {
    "pair": ("edition", "pair"),
    "years": ("edition", "marque", "element"),
    "press": ("origin",),
    "point": ("edition", "point"),
    "lighting": ("specimen",),
    "pocket": ("marque", "edition", "element"),
}
"""What each template asks for, beside what all ask for."""
SAYS = {
    "pair": "A genuine specimen and a copy in one frame, every point enlarged side by side.",
    "years": "One edition by the years of its photos; or, without an edition, all editions of a "
    "marque, each by what its photos share.",
    "press": "What the specimens of one copy press have in common, against the genuine print.",
    "point": "One point of comparison cut out of every specimen of an edition.",
    "lighting": "One specimen in every light that it was photographed in.",
    "pocket": "Cards to cut out and fold: the genuine print in front, what copies show behind.",
}


def choose_sheet(library: Library) -> SheetDefinition | None:
    """Offer the choice of a sheet; `None` until enough is chosen."""
    template = st.selectbox(
        "What the sheet shows", list(TEMPLATES), format_func=TEMPLATES.__getitem__,
        key="sheet-template",
    )  # fmt: skip
    st.caption(SAYS[template])
    chosen: dict[str, Any] = {"template": template}
    overview = overview_of(library)
    needs = NEEDS[template]
    if "marque" in needs:
        chosen["marque"] = _one("Marque", overview.marques, "sheet-marque")
    if "edition" in needs:
        chosen |= _edition(library, chosen.get("marque"))
    if "element" in needs:
        chosen["element"] = _one("Element", list(Element), "sheet-element")
    if "origin" in needs:
        chosen["origin"] = _one("Print origin", _copy_presses(library), "sheet-origin")
    if chosen.get("origin"):
        chosen |= _copied(library, chosen["origin"])
    if "pair" in needs and chosen.get("edition"):
        chosen["specimens"] = _pair(library, chosen["edition"], chosen["marque"])
    if "specimen" in needs:
        name = _one("Specimen", _names(library), "sheet-specimen")
        chosen["specimens"] = [name] if name else []
    left, right = st.columns(2)
    chosen["view"] = left.selectbox("View", list(View), format_func=VIEW.get, key="sheet-view")
    chosen["lighting"] = right.selectbox(
        "Lighting", list(Lighting), format_func=LIGHTING.get, key="sheet-lighting",
        disabled=template == "lighting",
    )  # fmt: skip
    if template == "lighting":
        # Every light is shown, whatever was chosen for another sheet before.
        del chosen["lighting"]
    if "point" in needs and chosen.get("edition"):
        drawn = library.points.of(
            marque=chosen["marque"], edition=chosen["edition"],
            view=chosen["view"], lighting=chosen["lighting"],
        )  # fmt: skip
        chosen["point"] = _one("Point", [point.title for point in drawn], "sheet-point")
    left, right = st.columns(2)
    chosen["paper"] = left.selectbox("Paper", list(PAPERS), format_func=PAPERS.get, key="paper")
    chosen["scale"] = right.selectbox("Scale", list(SCALES), format_func=SCALES.get, key="scale")
    chosen["title"] = st.text_input("Title", placeholder="the template's own", key="sheet-title")
    chosen["note"] = st.text_input("A line under the title", key="sheet-note")
    say_uv(chosen.get("lighting"))
    missing = _missing(template, chosen)
    if missing:
        st.info(f"Choose {missing}.")
        return None
    return definition_of(**chosen)


def _missing(template: str, chosen: dict[str, Any]) -> str:
    if template == "pocket":
        return "" if chosen["marque"] or chosen["edition"] else "a marque or an edition"
    if template == "years":
        whole = chosen["marque"] and chosen["element"]
        return "" if chosen["edition"] or whole else "an edition, or a marque and an element"
    if template == "lighting":
        return "" if chosen["specimens"] else "a specimen"
    names = {"marque": "a marque", "edition": "an edition", "element": "an element",
             "origin": "a print origin"}  # fmt: skip
    wanted = [names[need] for need in NEEDS[template] if need in names and not chosen.get(need)]
    return " and ".join(wanted)


def _one(label: str, options: Any, key: str) -> Any:
    return st.selectbox(label, list(options), index=None, placeholder="choose", key=key)


def _edition(library: Library, marque: str | None) -> dict[str, str | None]:
    """Offer the editions of a marque, or of all: makers may name theirs alike."""
    confirmed = library.specimens(marque=marque, state=IntakeState.CONFIRMED)
    known = sorted({(one.edition, one.marque or "") for one in confirmed if one.edition})
    names = [name for name, _ in known]

    def shown(one: tuple[str, str]) -> str:
        return one[0] if names.count(one[0]) == 1 else f"{one[0]}, {one[1] or 'no marque'}"

    one = st.selectbox(
        "Edition", known, index=None, placeholder="choose", key="sheet-edition", format_func=shown
    )
    return {"edition": one[0], "marque": one[1] or None} if one else {"edition": None}


def _copy_presses(library: Library) -> list[str]:
    fakes = library.specimens(standing=Standing.FAKE, state=IntakeState.CONFIRMED)
    return sorted({one.origin for one in fakes if one.origin})


def _copied(library: Library, origin: str) -> dict[str, str]:
    """Offer the designs that a press copies, where it copies several."""
    copies = library.specimens(origin=origin, standing=Standing.FAKE, state=IntakeState.CONFIRMED)
    known = sorted({(one.marque or "", one.edition or "", str(one.element)) for one in copies})
    if len(known) < 2:
        return {}
    marque, edition, element = st.selectbox(
        "Copies of", known, key="sheet-copied",
        format_func=lambda one: ", ".join(part for part in one if part),
    )  # fmt: skip
    return {"marque": marque, "edition": edition, "element": element}


def _names(library: Library, **wanted: Any) -> list[str]:
    return [one.name for one in library.specimens(state=IntakeState.CONFIRMED, **wanted)]


def _pair(library: Library, edition: str, marque: str | None) -> list[str]:
    left, right = st.columns(2)
    with left:
        genuine = _names(library, marque=marque, edition=edition, standing=Standing.GENUINE)
        first = _one("Genuine", genuine, "sheet-genuine")
    with right:
        fakes = _names(library, marque=marque, edition=edition, standing=Standing.FAKE)
        second = _one("Copy", fakes, "sheet-copy")
    st.caption("Left open, the first of either is shown.")
    return [name for name in (first, second) if name]


def show_preview(library: Library, definition: SheetDefinition) -> None:
    """Show the pages before they are exported, then the downloads."""
    mark = _mark(library, definition)
    if st.button("Preview", type="primary", icon=":material/preview:"):
        with st.spinner("Laying pictures into one frame…"):
            try:
                made = library.sheets.make(definition, preview=True)
            except LoupebookError as error:
                st.session_state.pop(PREVIEW, None)
                st.error(plain(str(error)))
                return
        st.session_state[PREVIEW] = (mark, made)
    kept = st.session_state.get(PREVIEW)
    if kept is None or kept[0] != mark:
        st.caption("The preview shows every page as it will be printed.")
        return
    _show_pages(kept[1])
    _offer_files(library, definition, mark)


def _mark(library: Library, definition: SheetDefinition) -> str:
    text = json.dumps([*_stand(library), definition.to_dict()], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()


def _stand(library: Library) -> tuple[str, int, str]:
    """Return what tells one state of the set from another; points are drawn without counting."""
    info = library.info()
    drawn = ",".join(str(point.point_id) for point in library.points.of())
    return info.set_id, info.change_counter, drawn


def _show_pages(made: MadeSheet) -> None:
    pages = len(made.files)
    for remark in made.remarks:
        st.caption(plain(remark))
    number = 1
    if pages > 1:
        number = st.segmented_control(
            "Page", range(1, pages + 1), default=1, key="sheet-page"
        ) or 1  # fmt: skip
    st.image(
        made.files[min(number, pages) - 1],
        caption=f"Preview, page {min(number, pages)} of {pages}",
        width="stretch",
    )


def _offer_files(library: Library, definition: SheetDefinition, mark: str) -> None:
    made = st.session_state.get(MADE)
    if st.button("Make files to print", icon=":material/print:"):
        with st.spinner("Setting pages at 300 dpi…"):
            pdf = library.sheets.make(definition)
            png = library.sheets.make(definition, form="png")
        made = (mark, pdf, png)
        st.session_state[MADE] = made
    if made is not None and made[0] == mark:
        offer_downloads(made[1], made[2], definition.template)
    with st.form("keep-sheet", border=True):
        name = st.text_input("Keep this sheet as", key="sheet-name", max_chars=200).strip()
        by = ask_name(library, "sheet-by")
        if st.form_submit_button("Keep"):
            _keep(library, definition, name, by)


def offer_downloads(pdf: MadeSheet, png: MadeSheet, stem: str) -> None:
    """Offer a sheet as PDF and as PNG; several PNG pages come in one archive."""
    with st.container(horizontal=True):
        st.download_button(
            f"PDF ({len(pdf.files[0]) / 1e6:.1f} MB)", pdf.files[0], f"{stem}.pdf",
            "application/pdf", icon=":material/download:", on_click="ignore",
        )  # fmt: skip
        if len(png.files) == 1:
            st.download_button(
                "PNG", png.files[0], f"{stem}.png", "image/png", icon=":material/download:",
                on_click="ignore",
            )  # fmt: skip
        else:
            st.download_button(
                f"PNG ({len(png.files)} pages)", _archive(png, stem), f"{stem}.zip",
                "application/zip", icon=":material/download:", on_click="ignore",
            )  # fmt: skip


def _archive(made: MadeSheet, stem: str) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_STORED) as archive:
        for number, page in enumerate(made.files, start=1):
            archive.writestr(f"{stem}-{number}.png", page)
    return stream.getvalue()


def _keep(library: Library, definition: SheetDefinition, name: str, by: str) -> None:
    if not (name and by):
        st.error("Give the sheet a name, and your name.")
        return
    try:
        library.sheets.save(name, definition, by=by)
    except LoupebookError as error:
        st.error(plain(str(error)))
        return
    st.success(f"Kept as **{plain(name)}**. It can be made again whenever the set has changed.")


def show_kept(library: Library) -> None:
    """Show the kept sheets, whether the set has moved on, and make them again."""
    kept = library.sheets.saved()
    if not kept:
        st.info("No sheet is kept yet. Preview one, then keep it.")
        return
    for record in kept:
        template = TEMPLATES[record.definition["template"]]
        with st.expander(f"{plain(record.name)} · {template}"):
            state = _state(library, record)
            box = st.warning if state.stale or state.fault else st.caption
            box(plain(state.says()))
            st.caption(f"Kept by {plain(record.by)}, {record.at[:10]}.")
            _show_asked(record)
            _make_again(library, record.name, record.definition["template"])


def _state(library: Library, record: SheetRecord) -> SheetState:
    """Return whether the set has moved on, planned once for each state of the set."""
    key, mark = f"sheet-state-{record.name}", (_stand(library), record)
    kept = st.session_state.get(key)
    if kept is None or kept[0] != mark:
        kept = st.session_state[key] = (mark, library.sheets.state(record.name))
    return kept[1]


def _show_asked(record: SheetRecord) -> None:
    asked = SheetDefinition.from_dict(record.definition)
    rows = [
        ("Marque", asked.marque),
        ("Edition", asked.edition),
        ("Element", asked.element),
        ("Print origin", asked.origin),
        ("Specimens", ", ".join(asked.specimens)),
        ("Point", asked.point),
        ("Photos", f"{VIEW[asked.view]}, {LIGHTING[asked.lighting]}"),
        ("Paper", f"{PAPERS[asked.paper]}, {SCALES.get(asked.scale, asked.scale)}"),
        ("Title", asked.title),
        ("Note", asked.note),
    ]
    shown = [(label, str(value)) for label, value in rows if value]
    show_facts(shown, key=f"asked-{record.name}", title="What it shows")


def _make_again(library: Library, name: str, template: str) -> None:
    key = f"again-{name}"
    by = ask_name(library, f"again-by-{name}")
    if st.button("Make it as the set now stands", key=key):
        if not by:
            st.error("Give your name.")
            return
        with st.spinner("Setting pages…"):
            try:
                pdf = library.sheets.make_saved(name, by=by)
                png = library.sheets.make_saved(name, form="png", by=by)
            except LoupebookError as error:
                st.error(plain(str(error)))
                return
        st.session_state[f"made-{name}"] = (pdf, png)
        st.caption(f"Made from {counted(len(pdf.made_from), 'photo')}.")
    made = st.session_state.get(f"made-{name}")
    if made is not None:
        offer_downloads(*made, template)
