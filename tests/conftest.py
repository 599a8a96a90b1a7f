"""Hypothesis draws the same examples each time, and no test fails for being slow; one thread for small matrices."""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: threads only slow small matrices down

from hypothesis import settings

settings.register_profile("presence", deadline=None, derandomize=True)
settings.load_profile("presence")
