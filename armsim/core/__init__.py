"""Ground floor: compiled numeric kernels on bare arrays. Imports nothing of armsim."""
