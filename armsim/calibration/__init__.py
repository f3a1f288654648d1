"""Measured hardware: verification against the prediction, calibration, error curves of sensors."""
