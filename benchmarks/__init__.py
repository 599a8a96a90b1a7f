"""Measurements of speed and accuracy; each file here is a command."""
