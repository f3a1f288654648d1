"""Compiled numeric kernels on plain arrays, the lowest layer: it imports nothing from the rest of armsim."""
