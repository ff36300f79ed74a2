"""How the weights of this folder were made. Not part of the product."""
