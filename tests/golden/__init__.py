"""Texts that must not change unnoticed. `pytest --update-golden` writes them anew; review the difference as code."""
