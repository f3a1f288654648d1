"""Error terms: random coefficients times known shapes. Distributions, shapes, terms."""
