"""One file a section: ``NAME``, ``TITLE`` and ``examine(context) -> Section``."""
