"""Checks against things that are not ours."""
