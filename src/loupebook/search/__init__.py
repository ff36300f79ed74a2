"""Embeddings and local descriptors to nearest photos, and nearest photos to specimens."""
