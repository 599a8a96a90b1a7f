"""Converters for three open research sets, the simple rivals on them, and the scores; see `benchmarks/open_logs.py`.

Nothing of the sets is kept here: rows, layout and hold times are read from the folder that the user names.
"""
