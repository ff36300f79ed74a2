"""The command line: arguments in, one call of the library, text or JSON out.

Exit codes: 0 all done; 1 done in part, or the check found something (each fault is
printed); 2 wrong use; 3 the set cannot be used; 4 the encoder cannot be had; 130 stopped by
the user.
"""

from loupebook.cli.main import app, main

__all__ = ["app", "main"]
