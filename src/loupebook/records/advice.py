"""What to do about a damaged catalogue, in the same words wherever damage is told."""

RESTORE = (
    "close every program that uses the set, delete catalogue.sqlite-wal and catalogue.sqlite-shm "
    "beside it, then put a copy of catalogue.sqlite in its place"
)
"""A log that a killed program left would be played over the copy, and damage that too."""
