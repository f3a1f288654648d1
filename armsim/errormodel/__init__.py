"""Every error is a random coefficient times a known shape: distributions, shapes, terms."""
