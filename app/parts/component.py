"""Registers our custom components from the scripts and style sheets in ``web/``.

Everything is sent inline, so that the page works with no network: no script, font or
style sheet is fetched from anywhere.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import streamlit as st

if TYPE_CHECKING:
    from streamlit.components.v2.types import ComponentRenderer

WEB = Path(__file__).parent / "web"


def web_component(name: str, *shared: str) -> ComponentRenderer:
    """Register the component whose script and style sheet are called ``name``.

    Parameters
    ----------
    name : str
        Stem of ``web/<name>.js`` and ``web/<name>.css``.
    *shared : str
        Stems of scripts, and of style sheets where there is one, that it is built on.

    Returns
    -------
    ComponentRenderer
        The command that mounts it.
    """

    def joined(suffix: str) -> str:
        files = (WEB / f"{stem}.{suffix}" for stem in ("base", *shared, name))
        return "\n".join(file.read_text(encoding="utf-8") for file in files if file.is_file())

    return st.components.v2.component(
        f"loupebook_{name}",
        html='<div class="root"></div>',
        css=joined("css"),
        js=joined("js"),
    )
