"""The pieces that the pages are put together from."""
