"""Who sits at the page: a single user, or a person of a team who has logged in.

A team logs in through its OpenID provider (Streamlit's ``st.login``; the section ``[auth]``
of ``secrets.toml``). What a person may do is held by the library; the pages only leave out
what would be refused.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st
from streamlit.errors import StreamlitSecretNotFoundError

from loupebook.errors import RecordNotFound
from loupebook.library import remember_name, remembered_name
from parts.words import plain

if TYPE_CHECKING:
    from loupebook.library import Library

PERSON = "person"
NAMED = "person-named"


def login_wanted() -> bool:
    """Return whether a provider is configured; then nobody gets in without logging in."""
    try:
        return "auth" in st.secrets
    except StreamlitSecretNotFoundError:
        return False


def identities() -> tuple[str, ...]:
    """Return what the provider knows the person by; an address only if it has verified it."""
    user = st.user.to_dict()
    subject = str(user.get("sub") or "")
    address = str(user.get("email") or "") if user.get("email_verified") is True else ""
    return tuple(one for one in (address, subject) if one)


def seen_by(library: Library) -> Library | None:
    """Return the library as whoever sits at the page may use it; `None` where nobody may.

    The roles are read anew at each run, so that a role taken away is gone at once.
    """
    if not login_wanted():
        return library
    if not st.user.is_logged_in:
        return None
    try:
        person = library.person_of(*identities())
    except RecordNotFound:
        return None
    return library.as_person(person) if person.roles else None


def ask_to_log_in() -> None:
    """Say why there is nothing to see, and how to get in."""
    if not st.user.is_logged_in:
        st.header("Log in")
        st.markdown("This set belongs to a team. Log in with the account that the team uses.")
        st.button("Log in", type="primary", icon=":material/login:", on_click=st.login)
        return
    st.header("You are logged in, but have no role here")
    st.markdown(
        "Ask an administrator of the set to enter you or to give you a role, and name one of these:"
    )
    for identity in identities() or ("(your provider tells no verified address and no subject)",):
        st.code(identity, language=None)
    st.button("Log out", icon=":material/logout:", on_click=st.logout)


def show_person(library: Library) -> None:
    """Show who is logged in, with the roles, and the way out."""
    if library.person is None:
        return
    with st.container(horizontal=True, vertical_alignment="center", horizontal_alignment="right"):
        roles = ", ".join(sorted(library.person.roles)) or "no role"
        st.markdown(f"{plain(library.person.name)} · {roles}", width="content")
        st.button("Log out", icon=":material/logout:", on_click=st.logout, type="tertiary")


def ask_name(library: Library, key: str) -> str:
    """Return the name that a change is signed with: asked for, or that of the login.

    A name that was given is filled in from then on, on this computer, and in every other field
    that asks for it.
    """
    if library.person is not None:
        st.caption(f"Signed as {plain(library.person.name)}.")
        return library.person.name
    if PERSON not in st.session_state:
        st.session_state[PERSON] = remembered_name()
    _take_over()
    _fill_in(key)
    name = st.text_input("Your name *", key=key)
    drawn = (name, st.session_state[PERSON])
    st.session_state[NAMED] = {**st.session_state.get(NAMED, {}), key: drawn}
    return name.strip()


def _take_over() -> None:
    """Let the name that was typed last, in whichever field of the page, be the one that signs.

    A field within a form cannot say that it was changed, so each is held against what it held
    when it was last drawn: those left alone must not have their say.
    """
    for key, (held, _) in st.session_state.get(NAMED, {}).items():
        typed = st.session_state.get(key, held)
        if typed != held and typed.strip() not in ("", st.session_state[PERSON]):
            st.session_state[PERSON] = typed.strip()
            remember_name(typed)


def _fill_in(key: str) -> None:
    """Fill a field with the name given last, unless this field was changed since."""
    person, typed = st.session_state[PERSON], st.session_state.get(key)
    held, person_then = st.session_state.get(NAMED, {}).get(key, ("", ""))
    if typed is None or (typed == held and person != person_then):
        st.session_state[key] = person
