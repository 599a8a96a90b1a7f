"""Hypothesis draws the same examples each time, and no test fails for being slow; one thread for small matrices."""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: threads only slow small matrices down

import importlib
import pkgutil

from hypothesis import settings

import benchmarks
import presence

settings.register_profile("presence", deadline=None, derandomize=True)
settings.load_profile("presence")

for package in (presence, benchmarks):  # Hypothesis draws numbers that it finds in modules: in all from the start
    for module in pkgutil.walk_packages(package.__path__, package.__name__ + "."):
        if not module.name.endswith("__main__"):
            importlib.import_module(module.name)
