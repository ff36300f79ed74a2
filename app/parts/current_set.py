"""The set that the pages work on, opened once for all sessions, and its absence."""

from __future__ import annotations

import gc
from contextlib import contextmanager, suppress
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING

import streamlit as st

from loupebook.errors import (
    EncoderUnavailable,
    LoupebookError,
    NotAllowed,
    SetBusy,
    SetDamaged,
    SetNotFound,
)
from loupebook.library import SET_VARIABLE, Library, default_set
from parts.persons import seen_by
from parts.words import plain, refused

if TYPE_CHECKING:
    from collections.abc import Iterator

    from loupebook.library import SetOverview


@st.cache_resource(show_spinner=False)
def _opened(folder: str, made: int) -> Library:  # noqa: ARG001 (part of the cache key)
    library = Library.open(Path(folder))
    # The first search need not wait for the encoder if it is loaded while the page is read.
    Thread(target=_make_ready, args=(library,), daemon=True).start()
    return library


def _make_ready(library: Library) -> None:
    # A search meets the same fault again and shows it.
    with suppress(LoupebookError):
        library.encoder()
    # Streamlit collects garbage after every run of a page. What is loaded by now stays for
    # good: to look through it each time would stop every other thread for half a second.
    # Once: what other sets load later is little, and whoever is at work then would stay too.
    if not gc.get_freeze_count():
        gc.collect()
        gc.freeze()


def open_set() -> Library | None:
    """Return the set that the environment names or the demo set; `None` if there is none.

    In a team it is seen through the roles of whoever has logged in; `None` for anybody else.

    Raises
    ------
    SetNotFound, SetDamaged
        If the one named cannot be opened.
    """
    folder = default_set()
    if folder is None:
        return None
    return seen_by(_opened(str(folder), _made(folder)))


def _made(folder: Path) -> int:
    """Return what differs once a set was deleted and another made at the same place."""
    try:
        return (folder / "catalogue.sqlite").stat().st_ino
    except FileNotFoundError:
        return 0


@st.cache_resource(show_spinner=False, max_entries=8)
def _overview(
    _library: Library,
    set_id: str,  # noqa: ARG001 (part of the cache key)
    change_counter: int,  # noqa: ARG001 (part of the cache key)
) -> SetOverview:
    return _library.overview()


def overview_of(library: Library) -> SetOverview:
    """Return the counts of the set, counted anew only when it has changed."""
    info = library.info()
    return _overview(library, info.set_id, info.change_counter)


@contextmanager
def faults_shown() -> Iterator[None]:
    """Show an error of ours or of a file where it happens, with what to do, not as a trace."""
    try:
        yield
    except SetNotFound as error:
        st.error(plain(str(error)), icon=":material/folder_off:")
    except SetDamaged as error:
        st.error(plain(str(error)), icon=":material/broken_image:")
        st.markdown("Run `loupebook verify` for a full list of what is damaged.")
    except NotAllowed as error:
        st.error(plain(str(error)), icon=":material/lock:")
    except SetBusy as error:
        st.warning(plain(str(error)), icon=":material/hourglass:")
    except EncoderUnavailable as error:
        st.error(plain(str(error)), icon=":material/cloud_off:")
        st.markdown("Browsing works without the encoder; searching does not.")
    except LoupebookError as error:
        st.error(plain(str(error)), icon=":material/error:")
    except OSError as error:
        st.error(plain(refused(error)), icon=":material/error:")


def say_no_set() -> None:
    """Say that there is no set yet, and how to get one."""
    st.header("No set is open")
    st.markdown(
        "A set is one curated library: photographs of specimens whose standing is known. "
        "Get one in either way, then open this page again:"
    )
    st.code("loupebook demo", language="bash")
    st.markdown("builds the invented demo set and opens it, or")
    st.code("loupebook init my-set\nloupebook app --set my-set", language="bash")
    st.markdown(
        f"makes an empty set of your own. The environment variable `{SET_VARIABLE}` names the "
        "set to open when none is given."
    )


def say_empty_set() -> None:
    """Say that the open set holds no confirmed specimen."""
    st.header("This set is empty")
    st.markdown(
        "There is nothing to compare with yet. A useful set holds several genuine specimens "
        "and several fakes of each design, each photographed in the same way."
    )
    st.page_link(
        "views/add_specimens.py", label="Add the first specimen", icon=":material/add_a_photo:"
    )
