"""Editions as vector artwork: layers, motifs and lettering, all from seeds."""
