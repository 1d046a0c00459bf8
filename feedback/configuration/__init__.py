"""Reads a cell folder's TOML files and either finds every fault at once or hands out plain facts."""
