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


def web_component(name: str) -> ComponentRenderer:
    """Register the component whose script and style sheet are called ``name``.

    Parameters
    ----------
    name : str
        Stem of ``web/<name>.js`` and ``web/<name>.css``.

    Returns
    -------
    ComponentRenderer
        The command that mounts it.
    """

    def joined(suffix: str) -> str:
        return "\n".join(
            (WEB / f"{stem}.{suffix}").read_text(encoding="utf-8") for stem in ("base", name)
        )

    return st.components.v2.component(
        f"loupebook_{name}",
        html='<div class="root"></div>',
        css=joined("css"),
        js=joined("js"),
    )
