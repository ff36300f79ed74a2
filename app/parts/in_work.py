"""The examination in work of this session: taken up from the address, and kept as it goes on."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import streamlit as st
from streamlit import runtime
from streamlit.runtime.scriptrunner import get_script_run_ctx

from parts.crop import Region, keep_region, region_of
from parts.desk import DESK
from parts.desk_points import keep_marks, marks_of
from parts.draft import draft_of, keep_draft
from parts.intake import QUERY, Handed
from parts.kept import KEEPER
from parts.light_table import CHOSEN, SERIES, chosen_ids
from parts.searching import keep_filters, kept_filters
from parts.serials import barcodes_of, keep_barcodes, keep_serials, serials_of
from parts.words import plain, refused

if TYPE_CHECKING:
    from parts.kept import InWork

PARAMETER = "in-work"
OWN = "in-work-key"
ANSWER = "answer"
NOTE = "in-work-note"
GONE = (
    "The examination that this address points to is no longer kept on this computer: they are "
    "kept for a day. Hand the photo in again."
)
COPY = (
    "This examination is open in another tab as well. This tab goes on with a copy of its own: "
    "what is marked here is not seen there."
)


def take_up() -> None:
    """Take up the examination that the address names, once a session."""
    if OWN in st.session_state and QUERY not in st.session_state:
        del st.session_state[OWN]
        st.query_params.pop(PARAMETER, None)
        return
    key = st.query_params.get(PARAMETER)
    if key is None or OWN in st.session_state or QUERY in st.session_state:
        return
    kept = KEEPER.get(key)
    if kept is None:
        del st.query_params[PARAMETER]
        st.session_state[NOTE] = GONE
        return
    photo = Handed(kept.data, kept.name)
    st.session_state[QUERY] = photo
    _restore(kept, photo.sha256)
    answer = KEEPER.answer(key)
    if answer is not None:
        st.session_state[ANSWER] = answer[0]
    if _is_open_elsewhere(key):
        st.session_state[NOTE] = COPY
        return
    if answer is not None and answer[1] is not None:
        st.session_state[DESK] = answer[1]
    KEEPER.hold(key, _session())
    st.session_state[OWN] = (photo.sha256, key)


def say_note() -> None:
    """Say once what happened when the examination was taken up."""
    note = st.session_state.get(NOTE)
    if note:
        st.info(note, icon=":material/history:")


def keep(photo: Handed, how_many: int) -> None:
    """Keep the examination as it stands, under a key that stands in the address.

    Where the system refuses that, it is said, and the examination goes on.
    """
    try:
        _keep(photo, how_many)
    except OSError as error:
        st.warning(
            "This examination cannot be kept across a reload of the page. Save it before you "
            f"leave. {plain(refused(error))}",
            icon=":material/history:",
        )


def _keep(photo: Handed, how_many: int) -> None:
    own = st.session_state.get(OWN)
    if own is None or own[0] != photo.sha256:
        key = KEEPER.begin(photo.data, photo.name, _session())
        own = st.session_state[OWN] = (photo.sha256, key)
        st.session_state.pop("in-work-saved", None)
        if st.session_state.get(NOTE) == GONE:
            del st.session_state[NOTE]
    key = own[1]
    if st.query_params.get(PARAMETER) != key:
        st.query_params[PARAMETER] = key
    KEEPER.remember(key, (st.session_state.get(ANSWER), st.session_state.get(DESK)))
    state = {
        "name": photo.name,
        "region": region_of(photo.sha256).to_dict(),
        "filters": kept_filters(),
        "how_many": how_many,
        "chosen": chosen_ids(),
        "series": st.session_state.get(SERIES),
        "marks": marks_of(photo.sha256),
        "serials": serials_of(photo.sha256),
        "barcodes": barcodes_of(photo.sha256),
        "draft": draft_of(photo.sha256),
    }
    told = json.dumps(state, sort_keys=True)
    if st.session_state.get("in-work-saved") != told:
        KEEPER.save(key, state)
        st.session_state["in-work-saved"] = told


def _restore(kept: InWork, photo: str) -> None:
    state: dict[str, Any] = kept.state
    if "region" in state:
        keep_region(photo, Region.of(state["region"]))
    keep_filters(state.get("filters", {}))
    if state.get("how_many"):
        st.session_state["how-many"] = state["how_many"]
    st.session_state[CHOSEN] = [int(one) for one in state.get("chosen", ())]
    if state.get("series"):
        st.session_state[SERIES] = state["series"]
    keep_marks(photo, state.get("marks", {}))
    keep_serials(photo, state.get("serials", {}))
    keep_barcodes(photo, state.get("barcodes"))
    keep_draft(photo, state.get("draft", {}))


def _session() -> str:
    context = get_script_run_ctx()
    return context.session_id if context is not None else ""


def _is_open_elsewhere(key: str) -> bool:
    holder = KEEPER.holder(key)
    if not holder or holder == _session() or not runtime.exists():
        return False
    return runtime.get_instance().is_active_session(holder)
