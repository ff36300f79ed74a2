"""A small network that was trained to tell two prints in one frame apart."""

from loupebook.compare.pair.network import CHANNELS, PairNetwork, inputs_of
from loupebook.compare.pair.trained import SUREST, Told, network, tell

__all__ = ["CHANNELS", "SUREST", "PairNetwork", "Told", "inputs_of", "network", "tell"]
