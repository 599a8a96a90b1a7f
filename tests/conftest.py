"""Hypothesis draws the same examples each time, and no test fails for being slow."""

from hypothesis import settings

settings.register_profile("presence", deadline=None, derandomize=True)
settings.load_profile("presence")
