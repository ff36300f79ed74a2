"""Loupebook: a reference library of known bands, seals and caps, and a search over it.

The public face is :class:`loupebook.library.Library`.
"""

__version__ = "0.1.0"
