"""Faces: thin layers between people and the core."""
