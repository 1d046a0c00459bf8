"""Measured figures. Each module prints a table: `python -m tests.bench.backlog`, `.latency`, `.status`, `.memory`."""
