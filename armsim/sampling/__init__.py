"""Sampling plan, Monte Carlo, first-order propagation, statistics."""
