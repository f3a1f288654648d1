"""Measured hardware beside the prediction."""
