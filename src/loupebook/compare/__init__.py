"""Two prints in one frame, and where they differ beyond what genuine ones do."""
