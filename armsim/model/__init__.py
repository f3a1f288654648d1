"""Error model of the machine: arm, encoder, joint, machine. Knows nothing of files or of sampling."""
