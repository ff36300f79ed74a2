"""How the network that compares two prints in one frame was trained."""
