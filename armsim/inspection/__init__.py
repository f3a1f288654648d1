"""What is known of a scenario or an encoder before any arm is sampled."""
