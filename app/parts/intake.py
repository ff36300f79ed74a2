"""How a photo comes in: chosen or dropped, pasted, or taken with the camera."""

from __future__ import annotations

import base64
import binascii
import hashlib
from dataclasses import dataclass, field

import streamlit as st

from loupebook.library import decode_photo
from parts.component import web_component

_paste = web_component("paste")

TYPES = ["image", ".heic", ".heif", ".tif", ".tiff"]
MOST_BYTES = 80 * 2**20
QUERY = "query"
PUT_AWAY = "queries-put-away"
TAKEN = "photos-taken"
PASTE_FAULT = "paste-fault"


@dataclass(frozen=True)
class Handed:
    """A photo as it was handed in.

    Parameters
    ----------
    data : bytes
        The original bytes.
    name : str
        Name to show for it.
    """

    data: bytes
    name: str
    sha256: str = field(init=False)
    """Hex digest of the bytes."""

    def __post_init__(self) -> None:
        # Once: it is asked for many times a run, and the photo may have 80 MiB.
        object.__setattr__(self, "sha256", hashlib.sha256(self.data).hexdigest())


def has_photo() -> bool:
    """Say whether a query is in hand."""
    return QUERY in st.session_state


def offer_photo() -> Handed | None:
    """Offer every way to hand in a query; return the one in hand, the latest wins."""
    query: Handed | None = st.session_state.get(QUERY)
    label = "Choose another photo" if query else "Photo of a band, seal or cap"
    # A box of its own for each photo, so that taking one closes it. Tracked by the server instead,
    # opening it would run the page anew, and what is on its way would be lost.
    box = f"photo-box-{st.session_state.get(TAKEN, 0)}"
    with st.expander(label, expanded=query is None, icon=":material/photo_camera:", key=box):
        st.file_uploader(
            "Choose a photo, or drop it here. On a phone this also opens the camera.",
            type=TYPES,
            key=(key := f"query-file-{st.session_state.get(PUT_AWAY, 0)}"),
            on_change=_take_file,
            args=(key,),
            help="JPEG, PNG, TIFF, WebP or HEIC. The photo stays on this computer.",
        )
        _paste(key="query-paste", data={"most_bytes": MOST_BYTES}, on_pasted_change=_take_paste)
        # The camera asks for leave as soon as it is on the page, so it waits to be asked for.
        if st.toggle("Use this computer's camera", key="camera-on"):
            st.camera_input(
                "Fill the frame with the item, flat and without glare",
                key="query-camera",
                on_change=_take_file,
                args=("query-camera",),
            )
        if query:
            st.button("Put this photo away", on_click=_put_away)
    # Below the box: with a photo in hand it is closed, and pasting works all the same.
    if st.session_state.pop(PASTE_FAULT, False):
        st.error("What was pasted did not arrive whole. Paste it again, or choose the file.")
    return st.session_state.get(QUERY)


def _take_file(key: str) -> None:
    file = st.session_state.get(key)
    # An uploader lets go of its file before the next one has come. What is in hand stays till
    # then: without it the page would be laid out anew, and what is on its way would be lost.
    if file is not None:
        _take(Handed(file.getvalue(), file.name))


def _take(photo: Handed) -> None:
    """Take a photo in hand; the box that it came through makes room for the answer."""
    st.session_state[QUERY] = photo
    st.session_state[TAKEN] = st.session_state.get(TAKEN, 0) + 1


def _put_away() -> None:
    st.session_state.pop(QUERY, None)
    # Under a new key the uploader is empty.
    st.session_state[PUT_AWAY] = st.session_state.get(PUT_AWAY, 0) + 1
    st.session_state["camera-on"] = False


def _take_paste() -> None:
    pasted = (st.session_state.get("query-paste") or {}).get("pasted")
    if not pasted:
        return
    try:
        data = base64.b64decode(pasted["base64"], validate=True)
    except (binascii.Error, ValueError):
        st.session_state[PASTE_FAULT] = True
        return
    _take(Handed(data, str(pasted["name"])[:120]))


@st.cache_resource(show_spinner=False, max_entries=4)
def _decoded(sha256: str, _data: bytes):  # noqa: ANN202, ARG001 (sha256 is the cache key)
    return decode_photo(_data)


def decoded(photo: Handed):  # noqa: ANN201 (the type belongs to imaging)
    """Return the decoded photo, decoded once.

    Raises
    ------
    PhotoError
        If it cannot be decoded within limits.
    """
    return _decoded(photo.sha256, photo.data)
