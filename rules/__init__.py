"""Decides: leave it, wait, hold, stop, or correct - by how much, and why. Pure: standard library only."""
