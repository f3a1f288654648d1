"""Disclaimer: what the results must not be used for."""

LINE = "design estimates, not a safety function; verify by measurement on the built arm"
WHOLE = (
    "These are design estimates, not a safety function. They do not replace a risk assessment, and nothing that "
    "protects people may rest on them. Verify by measurement on the built arm, and again after a sensor is swapped. "
    "Keep clear of an arm that can move: joints under gravity can drop when a brake or a drive is off. Local codes and "
    "licensed practice decide."
)
