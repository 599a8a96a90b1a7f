"""Homes that nobody tuned to: plans drawn at random, and people who live otherwise than `presence simulate` has it."""
