"""Parts of `benchmarks/accuracy.py`: how far the answers about a home can be trusted, cell by cell."""
