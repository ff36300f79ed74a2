"""Where the folders that ship with Loupebook lie: ``models``, ``reference_sets``, ``app``.

In a wheel they lie inside the package, in a checkout at its root.
"""

from __future__ import annotations

from pathlib import Path

from loupebook.errors import LoupebookError

_PACKAGE = Path(__file__).resolve().parent


def bundled(name: str) -> Path:
    """Find a folder or file that ships with Loupebook.

    Parameters
    ----------
    name : str
        Relative path, for example ``models/lite0-imagenet``.

    Returns
    -------
    Path
        An existing path.

    Raises
    ------
    LoupebookError
        If it is in neither place: the installation is incomplete.
    """
    places = (_PACKAGE / "_bundled" / name, _PACKAGE.parents[1] / name)
    for place in places:
        if place.exists():
            return place
    tried = " or ".join(str(place) for place in places)
    raise LoupebookError(
        f"{name} is missing from this installation (looked for {tried}). Install Loupebook again."
    )
