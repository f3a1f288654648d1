"""The physics assembled: arm, encoder, joint, machine. Knows nothing of files or of sampling."""
