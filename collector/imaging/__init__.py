"""Crackle measured from a photo: scale, segmentation, islands, and a picture of what was taken for what."""
