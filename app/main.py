"""Loupebook in the browser: what ``loupebook app`` serves.

Run it with ``loupebook app``, or ``streamlit run app/main.py`` with the environment
variable ``LOUPEBOOK_SET`` naming a set. The pages are in ``shell.py`` and ``views/``; beside
them stand the addresses from which the comparison desk fetches its pictures piece by piece.
Streamlit reads ``.streamlit/config.toml`` beside this file.
"""

from __future__ import annotations

import streamlit as st
from starlette.middleware import Middleware

from parts.desk_server import ROUTES
from parts.page_document import PageDocument

app = st.App("shell.py", routes=ROUTES, middleware=[Middleware(PageDocument)])
