"""The invented world of the demo: artwork, press and camera. Nothing in it is real."""
