"""What measured tool points tell of an arm: parameters, their estimate, where to measure."""
